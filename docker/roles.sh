#!/bin/sh
# Run once by the PostgreSQL image, on an empty volume: the role that owns the tables, and the service's.
set -eu
psql --username "$POSTGRES_USER" --no-psqlrc --set ON_ERROR_STOP=1 \
  --set owner_password="$OWNER_PASSWORD" --set service_password="$SERVICE_PASSWORD" <<'SQL'
CREATE ROLE zonebook_owner LOGIN PASSWORD :'owner_password';
CREATE ROLE zonebook LOGIN PASSWORD :'service_password';
CREATE DATABASE zonebook OWNER zonebook_owner;
SQL
