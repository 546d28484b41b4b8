#!/usr/bin/env bash
# A private PostgreSQL: user, password and database "titration".
#
#   postgres.sh start|stop|kill|restart|remove DIR
#
# start   waits until it takes connections; started again, it has its data and its port back
# kill    SIGKILL to the server and all its backends, as a power cut would; follow with start
# remove  stop, and give the port back
# POSTGRES_DURABLE=1 at the first start keeps fsync, synchronous_commit and full_page_writes on. Off by default, for speed:
# a test of what survives a crash needs 1.
# TITRATION_TEST_POSTGRES_PORT chooses the port; else a free one is found.
set -euo pipefail
. "$(dirname "$0")/lib.sh"

pg_port() { port_of "$1" postgres "${TITRATION_TEST_POSTGRES_PORT:-}"; }

# The same server settings for container and native, written down at the first start so that a restart cannot change them.
settings() {
  local dir=$1
  if [ ! -s "$dir/settings" ]; then
    {
      printf '%s\n' -c max_connections=200
      if [ "${POSTGRES_DURABLE:-0}" != 1 ]; then printf '%s\n' -c fsync=off -c synchronous_commit=off -c full_page_writes=off; fi
    } > "$dir/settings"
  fi
  tr '\n' ' ' < "$dir/settings"
}

# Over TCP only: the image's first start runs a second, socket-only server that is not the one to wait for.
container_answers() { docker exec "$(container_of "$1")" pg_isready --quiet --host 127.0.0.1 --username "$ACCOUNT"; }

ready() { await 60 "PostgreSQL on port $(pg_port "$1")" container_answers "$1" || die "PostgreSQL did not become ready: docker logs $(container_of "$1")"; }

container() {
  local options
  read -r -a options <<< "$(settings "$1")"
  container_start "$1" --publish "127.0.0.1:$(pg_port "$1"):5432" --shm-size 256m \
    --env "POSTGRES_USER=$ACCOUNT" --env "POSTGRES_PASSWORD=$ACCOUNT" --env "POSTGRES_DB=$ACCOUNT" postgres:17 "${options[@]}"
}

# Debian keeps several major versions side by side; the newest is used.
find_bin() { local found; found=$(printf '%s\n' /usr/lib/postgresql/*/bin/postgres | sort -V | tail -n 1); [ -x "$found" ] && dirname "$found"; }

# PostgreSQL refuses to run as root: root becomes the user postgres that the package made. The environment starts empty, because
# PG* variables of the caller would change what the server and initdb do.
as_owner() {
  local drop=()
  if [ "$(id -u)" = 0 ]; then drop=(setpriv --reuid=postgres --regid=postgres --init-groups); fi
  (cd "$DIR" && "${drop[@]}" env -i PATH="$BIN:/usr/bin:/bin" LC_ALL=C.UTF-8 HOME="$DIR" "$@")
}

own() { if [ "$(id -u)" = 0 ]; then chown postgres: "$@"; fi; }

start_native() {
  local port
  DIR=$1
  BIN=$(find_bin) || { install_packages PostgreSQL postgresql; BIN=$(find_bin); }
  port=$(pg_port "$DIR")
  own "$DIR"
  as_owner test -w "$DIR" || die "the user postgres cannot reach $DIR; choose a folder whose parents others may enter"
  if [ ! -f "$DIR/data/PG_VERSION" ]; then
    printf '%s\n' "$ACCOUNT" > "$DIR/password"
    own "$DIR/password"
    as_owner initdb --pgdata "$DIR/data" --username "$ACCOUNT" --pwfile "$DIR/password" --auth scram-sha-256 --encoding UTF8 --no-sync \
      > "$DIR/initdb.log" || die "initdb failed: $DIR/initdb.log"
    rm -f "$DIR/password"
  fi
  # No Unix socket: its path may not be longer than 107 bytes, and DIR may well be.
  if ! as_owner pg_ctl --pgdata "$DIR/data" status > /dev/null; then
    as_owner pg_ctl --pgdata "$DIR/data" --wait --timeout 60 --log "$DIR/postgres.log" \
      --options "-p $port -c listen_addresses=127.0.0.1 -c unix_socket_directories= $(settings "$DIR")" start > /dev/null ||
      die "PostgreSQL did not start: $DIR/postgres.log"
  fi
  if [ ! -f "$DIR/created" ]; then
    as_owner env PGPASSWORD="$ACCOUNT" createdb --host 127.0.0.1 --port "$port" --username "$ACCOUNT" "$ACCOUNT"
    touch "$DIR/created"
  fi
}

stop_native() {
  DIR=$1
  BIN=$(find_bin) || return 0
  if [ -f "$DIR/data/postmaster.pid" ]; then as_owner pg_ctl --pgdata "$DIR/data" --mode fast --wait stop > /dev/null || true; fi
}

# Backends have sessions of their own, so the server's group is not enough: collect its children before it dies.
kill_native() {
  local server victims victim
  server=$(pid_in "$1/data/postmaster.pid") || misuse "PostgreSQL of $1 is not running"
  victims="$server $(cat "/proc/$server"/task/*/children 2>/dev/null || true)"
  # shellcheck disable=SC2086 # a list of numbers
  kill -KILL $victims 2>/dev/null || true
  for victim in $victims; do await 10 "process $victim to die" gone "$victim" || die "process $victim survived SIGKILL"; done
  # Where nobody reaps them the dead stay as zombies, which PostgreSQL takes for a running server. All of them are dead: see above.
  rm -f "$1/data/postmaster.pid"
}

dispatch postgres.sh "$@"
