#!/usr/bin/env bash
# Puts a backup into an empty PostgreSQL database: everything, or nothing of it.
#
#   PGHOST=… PGUSER=… PGDATABASE=titration bash deploy/restore.sh FILE
#
# Stop every worker first; PGUSER is the role that owns the schema. Then grant the rights (deploy/grants.sql is run here), start the version that
# made the backup, and read again what came in since: docs/operations.md, "Backup, restore, upgrade, rollback".
# Exit codes: 0 done, 1 it failed, 2 usage.
set -euo pipefail
[ $# = 1 ] || { sed -n '2,8s/^# \{0,1\}//p' "$0" >&2; exit 2; }
file=$1
[ -r "$file" ] || { echo "$file cannot be read" >&2; exit 2; }
command -v pg_restore > /dev/null || { echo "pg_restore is needed, of the server's version or newer (Debian: postgresql-client)" >&2; exit 2; }
database=${PGDATABASE:-${PGUSER:-$(id -un)}}
there=$(psql --no-psqlrc --quiet --tuples-only --no-align --command "select count(*) from pg_tables where schemaname = 'public'")
[ "$there" = 0 ] || { echo "the database $database holds $there tables already: restore into an empty one" >&2; exit 2; }
pg_restore --exit-on-error --single-transaction --no-owner --no-privileges --dbname="$database" "$file"
psql --no-psqlrc --quiet --set ON_ERROR_STOP=1 --file="$(dirname "$0")/grants.sql"
echo "restored $file into $database"
