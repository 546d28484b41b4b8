#!/usr/bin/env bash
# Writes the passwords docker-compose.yml mounts, new and random, into deploy/secrets; what is there already stays.
set -euo pipefail
cd "$(dirname "$0")"
# The folder keeps others out; the files in it are readable because the containers' users differ and none is this one.
mkdir -p -m 700 secrets
umask 022
random() { head -c 24 /dev/urandom | base64 | tr -dc 'A-Za-z0-9'; }
if [ -e secrets/postgres-password ]; then echo "deploy/secrets holds secrets already; nothing changed"; exit; fi

broker=$(random) database=$(random)
printf 'default_user = titration\ndefault_pass = %s\n' "$broker" > secrets/rabbitmq.conf
printf 'amqp://titration:%s@rabbitmq:5672' "$broker" > secrets/Titration__Broker__Uri
printf 'Host=postgres;Username=titration;Password=%s;Database=titration' "$database" > secrets/Titration__Database__ConnectionString
printf '%s' "$database" > secrets/postgres-password
echo "wrote deploy/secrets"
