#!/usr/bin/env bash
# Writes the passwords and certificates docker-compose.yml mounts, new and random, into deploy/secrets; what is there already stays.
set -euo pipefail
cd "$(dirname "$0")"
# The folder keeps others out; the files in it are readable because the containers' users differ and none is this one.
mkdir -p -m 700 secrets
umask 022
random() { head -c 24 /dev/urandom | base64 | tr -dc 'A-Za-z0-9'; }
# Never made anew: the marks of erased patients mean nothing under another key.
if [ ! -e secrets/Titration__Privacy__Key ]; then printf '%s%s' "$(random)" "$(random)" > secrets/Titration__Privacy__Key; fi
# The key that signs the ledger's checkpoints outlives everything else here: keep a copy of it, and its public half, where this machine cannot reach.
if [ ! -e secrets/ledger-key.pem ]; then
  command -v openssl > /dev/null || { echo "openssl is needed to make the ledger's key" >&2; exit 2; }
  openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out secrets/ledger-key.new 2> /dev/null
  chmod 644 secrets/ledger-key.new
  openssl pkey -in secrets/ledger-key.new -pubout -out secrets/ledger-public-key.pem
  mv secrets/ledger-key.new secrets/ledger-key.pem
  echo "ledger key $(openssl pkey -pubin -in secrets/ledger-public-key.pem -outform DER | sha256sum | cut -d ' ' -f 1): write it down"
fi
if [ -e secrets/postgres.pem ]; then echo "deploy/secrets holds secrets already; nothing else changed"; exit; fi
if [ -e secrets/postgres-password ]; then echo "deploy/secrets holds passwords without certificates: remove it, and the volumes made with it, first" >&2; exit 1; fi
command -v openssl > /dev/null || { echo "openssl is needed to make the certificates" >&2; exit 2; }

# An authority for these two servers only: its key goes once they have their certificates. In two years: remove deploy/secrets but for
# Titration__Privacy__Key and the two ledger keys, and run this again.
days=730
openssl req -x509 -newkey rsa:2048 -nodes -days "$days" -subj "/CN=titration compose" -keyout secrets/ca.key -out secrets/ca.pem 2> /dev/null
certify() {
  openssl req -newkey rsa:2048 -nodes -subj "/CN=$1" -keyout "secrets/$1.key" -out "secrets/$1.csr" 2> /dev/null
  chmod 644 "secrets/$1.key"
  openssl x509 -req -days "$days" -in "secrets/$1.csr" -CA secrets/ca.pem -CAkey secrets/ca.key -CAcreateserial \
    -extfile <(printf 'subjectAltName = DNS:%s\nextendedKeyUsage = serverAuth\n' "$1") -out "secrets/$1.pem" 2> /dev/null
  rm "secrets/$1.csr"
}
broker=$(random) database=$(random)
cat > secrets/rabbitmq.conf <<CONF
default_user = titration
default_pass = $broker
listeners.ssl.default = 5671
ssl_options.cacertfile = /run/secrets/ca.pem
ssl_options.certfile = /run/secrets/rabbitmq.pem
ssl_options.keyfile = /run/secrets/rabbitmq.key
max_message_size = 16777216
CONF
printf 'amqps://titration:%s@rabbitmq:5671' "$broker" > secrets/Titration__Broker__Uri
printf 'Host=postgres;Username=titration;Password=%s;Database=titration;Root Certificate=/run/secrets/ca.pem' "$database" > secrets/Titration__Database__ConnectionString
printf '%s' "$database" > secrets/postgres-password
certify rabbitmq
certify postgres # last: its certificate says that all of it is there
rm -f secrets/ca.key secrets/ca.srl
echo "wrote deploy/secrets"
