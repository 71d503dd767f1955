#!/bin/sh
# The PostgreSQL image runs this once, on an empty volume: creates the owner's role, the service's role and the database.
set -eu
psql --username "$POSTGRES_USER" --no-psqlrc --set ON_ERROR_STOP=1 \
  --set owner_password="$(cat /run/secrets/owner_password)" \
  --set service_password="$(cat /run/secrets/service_password)" <<'SQL'
CREATE ROLE zonebook_owner LOGIN PASSWORD :'owner_password';
CREATE ROLE zonebook LOGIN PASSWORD :'service_password';
CREATE DATABASE zonebook OWNER zonebook_owner;
SQL
