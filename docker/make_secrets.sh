#!/bin/sh
# Makes the secrets that are missing, each in a file that only the user of its container may read. Run as root, once:
#   sudo sh make_secrets.sh
# Keep a copy of field_keys apart from the database's backups: without it nobody can read the codes in them.
set -eu
umask 077
cd "$(dirname "$0")"
zonebook=10001 postgres=999 # the users in the images

random() { head -c 48 /dev/urandom | base64 | tr '+/' '-_' | tr -d '=\n'; }

make() { # NAME USER CONTENT
  [ -e "secrets/$1" ] && return
  printf '%s\n' "$3" >"secrets/$1"
  chown "$2" "secrets/$1"
  chmod 0400 "secrets/$1"
}

mkdir -p secrets
make secret_key "$zonebook" "$(random)"
# A Fernet key: 32 bytes in URL-safe base64, padded
make field_keys "$zonebook" "$(head -c 32 /dev/urandom | base64 | tr '+/' '-_')"
make postgres_password "$postgres" "$(random)"
make owner_password "$postgres" "$(random)"
make service_password "$postgres" "$(random)"
make database_url "$zonebook" "postgres://zonebook:$(cat secrets/service_password)@postgres:5432/zonebook"
make database_owner_url "$zonebook" "postgres://zonebook_owner:$(cat secrets/owner_password)@postgres:5432/zonebook"
chmod 0711 secrets # the containers' users reach their files by name
