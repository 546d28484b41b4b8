#!/usr/bin/env bash
# Copies the whole PostgreSQL database, as of one instant, into one file. The service goes on meanwhile.
#
#   PGHOST=… PGUSER=… PGDATABASE=titration bash deploy/backup.sh FILE
#
# What libpq understands says where the database is (PGHOST, PGPORT, PGUSER, PGPASSFILE, PGSSLROOTCERT …). FILE must not be there yet. It holds
# patients' data: keep it as the database itself is kept. Exit codes: 0 done, 1 it failed, 2 usage.
set -euo pipefail
[ $# = 1 ] || { sed -n '2,7s/^# \{0,1\}//p' "$0" >&2; exit 2; }
file=$1
[ ! -e "$file" ] || { echo "$file is there already: a backup never overwrites another" >&2; exit 2; }
command -v pg_dump > /dev/null || { echo "pg_dump is needed, of the server's version or newer (Debian: postgresql-client)" >&2; exit 2; }
umask 077
part=$file.part
trap 'rm -f "$part"' EXIT
# Waits for an instant at which a reader sees no anomaly, so that facts, decisions and outbox fit together.
pg_dump --format=custom --serializable-deferrable --no-owner --no-privileges --file="$part"
# What cannot be read back is no backup.
tables=$(pg_restore --list "$part" | grep -c ' TABLE DATA ')
sync "$part"
mv "$part" "$file"
trap - EXIT
echo "wrote $file: $tables tables, $(stat -c %s "$file") bytes, SHA-256 $(sha256sum "$file" | cut -d ' ' -f 1)"
