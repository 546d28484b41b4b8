#!/usr/bin/env bash
# Ends what up.sh started in DIR and gives the ports back. Data and logs stay: remove DIR when they are no longer wanted.
#
#   down.sh DIR
set -euo pipefail
. "$(dirname "$0")/lib.sh"

if [ $# != 1 ] || [ ! -d "$1" ]; then misuse "usage: down.sh DIR"; fi
DIR=$(cd "$1" && pwd)
rm -f "$DIR/env"
ending=() failed=0
for service in rabbitmq postgres peer; do
  if [ -d "$DIR/$service" ]; then "$HERE/$service.sh" remove "$DIR/$service" & ending+=($!); fi
done
for pid in "${ending[@]}"; do wait "$pid" || failed=1; done
exit "$failed"
