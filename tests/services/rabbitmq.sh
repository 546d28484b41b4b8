#!/usr/bin/env bash
# A private RabbitMQ with the management plugin.
#
#   rabbitmq.sh start|stop|kill|restart|remove DIR
#
# start   waits until AMQP and the management API answer; started again, it has its queues and its ports back
# kill    SIGKILL, as a crash would; follow with start
# remove  stop, and give the ports back
# TITRATION_TEST_RABBITMQ_PORT and TITRATION_TEST_RABBITMQ_MGMT_PORT choose the ports; else free ones are found.
set -euo pipefail
. "$(dirname "$0")/lib.sh"

amqp_port() { port_of "$1" amqp "${TITRATION_TEST_RABBITMQ_PORT:-}"; }
mgmt_port() { port_of "$1" mgmt "${TITRATION_TEST_RABBITMQ_MGMT_PORT:-}"; }

# The broker opens the AMQP port last of all, but a container's proxy accepts at once: only the broker's own first bytes count.
# There is no AMQP version 1-0-0, and the broker's answer to one it does not know is the one it speaks.
speaks_amqp() {
  local answer
  exec 3<>"/dev/tcp/127.0.0.1/$1" || return 1
  printf 'AMQP\1\1\0\0' >&3
  IFS= read -r -t 2 -N 4 answer <&3 || answer=
  exec 3<&- 3>&-
  [ "$answer" = AMQP ]
}

ready() {
  local amqp mgmt hint
  amqp=$(amqp_port "$1") mgmt=$(mgmt_port "$1")
  hint="RabbitMQ did not become ready; see $1/log, or 'docker logs' for the container named in $1/container"
  await 180 "RabbitMQ on port $amqp" speaks_amqp "$amqp" || die "$hint"
  await 60 "the management API on port $mgmt" http_ok "$mgmt" /api/overview "$(printf '%s:%s' "$ACCOUNT" "$ACCOUNT" | base64)" || die "$hint"
}

container() {
  # A fixed host name: the node's data is filed under it.
  container_start "$1" --hostname broker \
    --publish "127.0.0.1:$(amqp_port "$1"):5672" --publish "127.0.0.1:$(mgmt_port "$1"):15672" \
    --env "RABBITMQ_DEFAULT_USER=$ACCOUNT" --env "RABBITMQ_DEFAULT_PASS=$ACCOUNT" rabbitmq:4-management
}

# Debian's wrapper in /usr/sbin changes to the user rabbitmq; the scripts behind it run as whoever calls them.
BIN=/usr/lib/rabbitmq/bin

start_native() {
  local dir=$1 amqp mgmt dist epmd
  if alive "$(pid_in "$dir/rabbitmq.pid")"; then ready "$dir"; return; fi
  [ -x "$BIN/rabbitmq-server" ] || install_packages RabbitMQ rabbitmq-server
  amqp=$(amqp_port "$dir") mgmt=$(mgmt_port "$dir") dist=$(port_of "$dir" dist) epmd=$(port_of "$dir" epmd)
  mkdir -p "$dir"/{home,data,log}
  if [ ! -s "$dir/home/.erlang.cookie" ]; then
    (umask 077 && head -c 24 /dev/urandom | base64 | tr -dc 'A-Za-z0-9' > "$dir/home/.erlang.cookie")
    chmod 400 "$dir/home/.erlang.cookie"
  fi
  printf '[rabbitmq_management].\n' > "$dir/enabled_plugins"
  cat > "$dir/rabbitmq.conf" <<CONF
listeners.tcp.default = 127.0.0.1:$amqp
management.tcp.ip = 127.0.0.1
management.tcp.port = $mgmt
default_user = $ACCOUNT
default_pass = $ACCOUNT
log.console = false
vm_memory_high_watermark.absolute = 1GB
disk_free_limit.absolute = 100MB
CONF
  # The node would start a port mapper that outlives it and belongs to nobody. Started here, it has an owner and a pid.
  if ! alive "$(pid_in "$dir/epmd.pid")"; then
    setsid epmd -port "$epmd" -address 127.0.0.1 > "$dir/log/epmd.log" 2>&1 < /dev/null &
    echo $! > "$dir/epmd.pid"
    await 10 "the port mapper on port $epmd" listening "$epmd" || die "epmd did not start: $dir/log/epmd.log"
  fi
  rm -f "$dir/rabbitmq.pid"
  # A session of its own: an interrupt typed at the test script must reach the script's trap, not kill the broker under it.
  env HOME="$dir/home" ERL_EPMD_PORT="$epmd" ERL_EPMD_ADDRESS=127.0.0.1 \
    RABBITMQ_NODENAME="titration$amqp@localhost" RABBITMQ_DIST_PORT="$dist" RABBITMQ_NODE_IP_ADDRESS=127.0.0.1 RABBITMQ_NODE_PORT="$amqp" \
    RABBITMQ_MNESIA_BASE="$dir/data" RABBITMQ_LOG_BASE="$dir/log" RABBITMQ_PID_FILE="$dir/rabbitmq.pid" \
    RABBITMQ_CONFIG_FILE="$dir/rabbitmq.conf" RABBITMQ_ENABLED_PLUGINS_FILE="$dir/enabled_plugins" \
    RABBITMQ_CONF_ENV_FILE="$dir/no-such-file" \
    setsid "$BIN/rabbitmq-server" > "$dir/log/stdout.log" 2>&1 < /dev/null &
  echo $! > "$dir/launcher.pid"
  ready "$dir"
}

# The launcher leads the session: its group is the node with its helpers, and nothing else.
end_group() {
  local launcher
  launcher=$(pid_in "$1/launcher.pid") || return 0
  kill -KILL -- "-$launcher" 2>/dev/null || true
}

end_epmd() {
  local pid
  pid=$(pid_in "$1/epmd.pid") || return 0
  kill "$pid" 2>/dev/null || true
  await 10 "the port mapper to end" gone "$pid" || true
  rm -f "$1/epmd.pid"
}

stop_native() {
  local dir=$1 pid
  pid=$(pid_in "$dir/rabbitmq.pid") || pid=
  if alive "$pid"; then
    kill -TERM "$pid"
    await 30 "RabbitMQ to stop" gone "$pid" || say "killing it"
  fi
  end_group "$dir"
  end_epmd "$dir"
  rm -f "$dir/rabbitmq.pid" "$dir/launcher.pid"
}

kill_native() {
  local dir=$1 pid
  pid=$(pid_in "$dir/rabbitmq.pid") || misuse "RabbitMQ of $dir is not running"
  end_group "$dir"
  await 10 "RabbitMQ to die" gone "$pid" || die "process $pid survived SIGKILL"
  end_epmd "$dir" # it would still hold the dead node's name
  rm -f "$dir/rabbitmq.pid" "$dir/launcher.pid"
}

dispatch rabbitmq.sh "$@"
