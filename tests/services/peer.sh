#!/usr/bin/env bash
# The independent FHIR R4 endpoint of tests/peer. It validates what it is sent and keeps everything in memory.
#
#   peer.sh start|stop|kill|restart|remove DIR
#
# start   waits until GET /fhir/metadata answers; a restart keeps the port but starts empty
# TITRATION_TEST_FHIR_PORT chooses the port, TITRATION_TEST_FHIR_TOKEN makes it ask for that bearer token.
set -euo pipefail
. "$(dirname "$0")/lib.sh"

PEER=$(cd "$HERE/../peer" && pwd)
fhir_port() { port_of "$1" fhir "${TITRATION_TEST_FHIR_PORT:-}"; }

ready() { await 60 "the FHIR endpoint on port $(fhir_port "$1")" http_ok "$(fhir_port "$1")" /fhir/metadata || die "the FHIR endpoint did not start: $1/peer.log"; }

options() { if [ -n "${TITRATION_TEST_FHIR_TOKEN:-}" ]; then printf -- '--token\n%s\n' "$TITRATION_TEST_FHIR_TOKEN"; fi; }

# A container only where no Node can be had here: it has to fetch the packages each time.
container() {
  local extra
  mapfile -t extra < <(options)
  container_start "$1" --publish "127.0.0.1:$(fhir_port "$1"):8090" --volume "$PEER:/source:ro" --workdir /peer node:22-slim \
    sh -c 'cp /source/*.json /source/*.mjs . && npm ci --no-audit --no-fund && exec node fhir-peer.mjs --host 0.0.0.0 --port 8090 --validate "$@"' peer "${extra[@]}"
}

start_native() {
  local dir=$1 node port extra
  if alive "$(pid_in "$dir/peer.pid")"; then ready "$dir"; return; fi
  node=$(find_node)
  npm_ci "$node" "$PEER"
  port=$(fhir_port "$dir")
  mapfile -t extra < <(options)
  setsid "$node" "$PEER/fhir-peer.mjs" --port "$port" --validate "${extra[@]}" > "$dir/peer.log" 2>&1 < /dev/null &
  echo $! > "$dir/peer.pid"
  ready "$dir"
}

end_with() {
  local pid
  pid=$(pid_in "$2/peer.pid") || return 0
  kill "-$1" "$pid" 2>/dev/null || true
  await 10 "the FHIR endpoint to end" gone "$pid" || kill -KILL "$pid" 2>/dev/null || true
  rm -f "$2/peer.pid"
}

stop_native() { end_with TERM "$1"; }
kill_native() { end_with KILL "$1"; }

# Node of this machine is preferred even beside a container engine: it starts in a second and needs no image.
engine_of() {
  if [ ! -s "$1/engine" ]; then
    if node_fits "$(command -v node || true)" || can_install || ! docker_works; then echo native; else echo docker; fi > "$1/engine"
  fi
  cat "$1/engine"
}

dispatch peer.sh "$@"
