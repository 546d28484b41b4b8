#!/usr/bin/env bash
# Looks at the deployment files with the programs that will read them: systemd, compose, the shell. The Kubernetes manifests are read by
# tests/Titration.Worker.Tests, with the Kubernetes project's own client.
#
# Exit codes: 0 all in order; 1 something is wrong; 3 a program is missing here, and what it would read was not looked at.
set -uo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 1
work=$(mktemp -d) || exit 1
trap 'rm -rf "$work"' EXIT
wrong=0 missing=()

for script in deploy/*.sh tests/services/*.sh test.sh; do
  bash -n "$script" || { echo "$script: the shell cannot read it"; wrong=1; }
done

if command -v systemd-analyze > /dev/null; then
  # It insists that the program is there; any will do.
  sed "s|^ExecStart=/opt/titration/titration |ExecStart=$(command -v env) |" deploy/titration.service > "$work/titration.service"
  said=$(systemd-analyze verify "$work/titration.service" 2>&1)
  code=$?
  if [ "$code" != 0 ] || [ -n "$said" ]; then printf 'deploy/titration.service: %s\n' "$said"; wrong=1; fi
  # 0 is closed in on all sides, 10 is open.
  systemd-analyze security --offline=true --threshold=20 "$work/titration.service" > "$work/security.log" 2>&1 \
    || { echo "deploy/titration.service: open to more than it needs"; grep -E '^✗|Overall' "$work/security.log"; wrong=1; }
else
  missing+=(systemd-analyze)
fi

compose() { if docker compose version > /dev/null 2>&1; then docker compose "$@"; else docker-compose "$@"; fi; }
if docker compose version > /dev/null 2>&1 || command -v docker-compose > /dev/null; then
  compose --file docker-compose.yml config > "$work/compose.yml" 2> "$work/compose.log" || { echo "docker-compose.yml:"; cat "$work/compose.log"; wrong=1; }
else
  missing+=("docker compose")
fi

[ "$wrong" = 0 ] || exit 1
if [ ${#missing[@]} -gt 0 ]; then echo "The deployment files were not all looked at; missing here: ${missing[*]} (Debian: systemd, docker-compose)"; exit 3; fi
echo "systemd unit, compose file and scripts are in order"
