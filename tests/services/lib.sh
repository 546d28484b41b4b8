# shellcheck shell=bash
# What the service scripts share. Sourced, never run.
#
# A service has a directory of its own (DIR) that holds everything it needs to be stopped, killed and started again on the same
# ports: its data, its logs, its process ids and the ports it was given. Nothing is kept anywhere else but the port reservations.

# shellcheck disable=SC2034 # for the scripts that source this
HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
# User and password of broker and database: they listen on 127.0.0.1 only.
# shellcheck disable=SC2034 # likewise
ACCOUNT=titration

say() { printf '%s\n' "$*" >&2; }
die() { say "error: $*"; exit 1; }
misuse() { say "$*"; exit 2; }

# ---- processes -----------------------------------------------------------------------------------------------------------------

# A killed process whose parent does not reap it stays as a zombie, which `kill -0` takes for alive: ask for the state instead.
alive() {
  [ -n "${1:-}" ] || return 1
  if [ -r "/proc/$1/stat" ]; then
    local stat
    stat=$(cat "/proc/$1/stat" 2>/dev/null) || return 1
    stat=${stat##*) } # the name in parentheses may hold blanks
    [ "${stat%% *}" != Z ]
  else
    kill -0 "$1" 2>/dev/null
  fi
}

gone() { ! alive "$1"; }

pid_in() { [ -s "$1" ] && head -n 1 "$1" | tr -d '[:space:]'; }

# await SECONDS WHAT COMMAND...: asks COMMAND until it says yes. Returns 1 with a message when time is up.
await() {
  local seconds=$1 what=$2 end
  shift 2
  end=$((SECONDS + seconds))
  until "$@" 2>/dev/null; do
    [ "$SECONDS" -lt "$end" ] || { say "waited $seconds s for $what"; return 1; }
    sleep 0.05
  done
}

# ---- ports ---------------------------------------------------------------------------------------------------------------------

# Taken from below the range the kernel hands out for outgoing connections, so that nothing grabs a port between choosing and
# listening; a directory per port, made atomically, keeps two runs that choose at the same moment apart.
PORTS=${TMPDIR:-/tmp}/titration-test-ports

listening() { (exec 3<>"/dev/tcp/127.0.0.1/$1") 2>/dev/null; }

reserve_port() {
  local port holder attempt
  mkdir -p "$PORTS"
  chmod 1777 "$PORTS" 2>/dev/null || true # another user's runs reserve here too
  for attempt in $(seq 200); do
    port=$((20000 + (RANDOM + attempt) % 12000))
    holder=$(cat "$PORTS/$port/dir" 2>/dev/null || true)
    # A reservation whose run was thrown away without being taken down is free again.
    if [ -n "$holder" ] && [ ! -d "$holder" ]; then rm -rf "${PORTS:?}/$port"; fi
    mkdir "$PORTS/$port" 2>/dev/null || continue
    if listening "$port"; then rmdir "$PORTS/$port"; continue; fi
    printf '%s\n' "$1" > "$PORTS/$port/dir"
    printf '%s\n' "$port"
    return
  done
  die "found no free port between 20000 and 32000"
}

# port_of DIR NAME [WISH]: the port DIR has for NAME; chosen (or taken from WISH) the first time, the same ever after.
port_of() {
  local file=$1/ports/$2
  if [ ! -s "$file" ]; then
    mkdir -p "$1/ports"
    if [ -n "${3:-}" ]; then
      if listening "$3"; then die "port $3 was asked for by environment but something listens on it"; fi
      printf '%s\n' "$3" > "$file"
    else
      reserve_port "$1" > "$file"
    fi
  fi
  cat "$file"
}

release_ports() {
  local file port
  for file in "$1"/ports/*; do
    [ -s "$file" ] || continue
    port=$(cat "$file")
    if [ "$(cat "$PORTS/$port/dir" 2>/dev/null)" = "$1" ]; then rm -rf "${PORTS:?}/$port"; fi
  done
  rm -rf "$1/ports"
}

# http_ok PORT PATH [BASIC]: a 200 over plain sockets, so that no HTTP client has to be installed first.
http_ok() {
  local status
  exec 3<>"/dev/tcp/127.0.0.1/$1" || return 1
  printf 'GET %s HTTP/1.0\r\nHost: 127.0.0.1\r\nAuthorization: Basic %s\r\n\r\n' "$2" "${3:-}" >&3
  IFS= read -r -t 2 status <&3 || status=
  exec 3<&- 3>&-
  [[ $status == HTTP/1.?\ 200* ]]
}

# ---- where services come from --------------------------------------------------------------------------------------------------

docker_works() { command -v docker >/dev/null && timeout 20 docker info >/dev/null 2>&1; }

is_debian() { command -v apt-get >/dev/null && [ -f /etc/debian_version ]; }
can_install() { is_debian && [ "$(id -u)" = 0 ]; }

# docker or native, decided once per DIR: what was started as a container must be stopped as one.
# TITRATION_TEST_ENGINE overrules.
engine_of() {
  local file=$1/engine
  if [ ! -s "$file" ]; then
    local engine=${TITRATION_TEST_ENGINE:-}
    if [ -z "$engine" ]; then if docker_works; then engine=docker; else engine=native; fi; fi
    case $engine in docker | native) ;; *) misuse "TITRATION_TEST_ENGINE is '$engine'; it can be docker or native" ;; esac
    mkdir -p "$1"
    printf '%s\n' "$engine" > "$file"
  fi
  cat "$file"
}

# cannot_install WHAT PACKAGES: the way out when there is neither an engine nor the right to install.
cannot_install() {
  say "The tests need $1, and this machine has neither a working Docker engine nor a root shell on Debian to install it."
  say "Do one of these, then run the same command again:"
  say "  - start Docker, so that 'docker info' works for $(id -un)"
  if is_debian; then say "  - sudo apt-get install -y --no-install-recommends $2"; else say "  - install $2 (names of the Debian packages)"; fi
  exit 2
}

# Debian starts a service as soon as its package is installed. policy-rc.d is Debian's way to say no; one that was there comes
# back afterwards. Units that this call brought in are disabled too, or the next boot would start them.
install_packages() (
  can_install || cannot_install "$1" "${*:2}"
  shift
  policy=/usr/sbin/policy-rc.d
  say "installing $* with apt-get (takes a minute, once)"
  saved=$(mktemp)
  had_policy=0
  if [ -e "$policy" ]; then had_policy=1; cp -p "$policy" "$saved"; fi
  # shellcheck disable=SC2317 # called by the trap
  put_back() { if [ "$had_policy" = 1 ]; then cp -p "$saved" "$policy"; else rm -f "$policy"; fi; rm -f "$saved"; }
  trap put_back EXIT
  printf '#!/bin/sh\nexit 101\n' > "$policy"
  chmod 755 "$policy"
  export DEBIAN_FRONTEND=noninteractive
  log=${TMPDIR:-/tmp}/titration-apt.$$.log
  {
    apt-get update -o DPkg::Lock::Timeout=300
    apt-get install -y --no-install-recommends -o DPkg::Lock::Timeout=300 "$@"
  } > "$log" 2>&1 || { tail -n 20 "$log" >&2; die "apt-get could not install $*; the whole log is $log"; }
  rm -f "$log"
  if command -v systemctl >/dev/null; then
    for unit in "$@"; do systemctl disable "$unit" >/dev/null 2>&1 || true; done
  fi
)

# ---- Node ----------------------------------------------------------------------------------------------------------------------

# The peer's and validators' libraries ask for ^20.19.0 || >=22.12.0.
node_version_fits() {
  local major minor
  IFS=. read -r major minor _ <<< "${1#v}"
  [[ $major =~ ^[0-9]+$ && $minor =~ ^[0-9]+$ ]] || return 1
  [ "$major" -gt 22 ] || { [ "$major" = 22 ] && [ "$minor" -ge 12 ]; } || { [ "$major" = 20 ] && [ "$minor" -ge 19 ]; }
}

node_fits() { [ -x "$1" ] && node_version_fits "$("$1" --version 2>/dev/null)"; }

# Prints the path of a Node that is new enough, installing one where there is none.
find_node() {
  local cache=${XDG_CACHE_HOME:-${HOME:-/root}/.cache}/titration/node candidate
  local cached=$cache/node_modules/node/bin/node
  for candidate in "$(command -v node || true)" "$cached"; do
    if node_fits "$candidate"; then printf '%s\n' "$candidate"; return; fi
  done
  if can_install; then
    candidate=$(apt-cache policy nodejs 2>/dev/null | sed -n 's/^ *Candidate: *\([0-9.]*\).*/\1/p')
    if node_version_fits "$candidate"; then
      install_packages "Node" nodejs >&2
      if node_fits /usr/bin/node; then printf '/usr/bin/node\n'; return; fi
    fi
  fi
  # Debian 12 has Node 18 only. The npm package `node` carries the official binaries, and an old Node can run npm to fetch it.
  command -v npm >/dev/null || install_packages "Node 20.19 or later" npm >&2
  say "no Node 20.19 or later here: fetching one into $cache"
  mkdir -p "$cache"
  npm install --prefix "$cache" --no-audit --no-fund --ignore-scripts=false node@22 >&2 || die "npm could not fetch node@22"
  node_fits "$cached" || die "$cached does not run; install Node 20.19 or later by hand"
  printf '%s\n' "$cached"
}

# find_chromium: prints the browser that the tests of pages use: TITRATION_TEST_CHROMIUM, what is on the path, or Debian's.
find_chromium() {
  local candidate
  for candidate in "${TITRATION_TEST_CHROMIUM:-}" chromium chromium-browser google-chrome; do
    if [ -n "$candidate" ] && command -v "$candidate"; then return; fi
  done
  if ! can_install; then
    say "The tests of pages need Chromium. Install it (on Debian: sudo apt-get install -y --no-install-recommends chromium fonts-liberation),"
    say "or name one in TITRATION_TEST_CHROMIUM, then run the same command again."
    exit 2
  fi
  install_packages "Chromium" chromium fonts-liberation >&2
  command -v chromium || die "chromium was installed and is not on the path"
}

# npm_ci NODE FOLDER: node_modules exactly as the lock file says; nothing to do when it already is. Two runs take turns. No package
# needs its install script, and one of them would report the installation to its makers.
npm_ci() {
  local node=$1 folder=$2 stamp=$2/node_modules/.titration-lock
  cmp -s "$folder/package-lock.json" "$stamp" && return
  command -v npm >/dev/null || install_packages npm npm >&2
  (
    if command -v flock >/dev/null; then exec 9< "$folder/package.json"; flock 9; fi
    cmp -s "$folder/package-lock.json" "$stamp" && exit
    PATH=$(dirname "$node"):$PATH npm ci --prefix "$folder" --ignore-scripts --no-audit --no-fund --loglevel=error >&2
    cp "$folder/package-lock.json" "$stamp"
  ) || die "npm ci failed in $folder"
}

# ---- containers ----------------------------------------------------------------------------------------------------------------

# The container of a DIR keeps its data through stop and kill, as the data folder of a native service does.
container_of() { cat "$1/container" 2>/dev/null || true; }

# container_start DIR [docker run arguments]: the first start makes the container, later ones start it again.
container_start() {
  local dir=$1 id
  shift
  id=$(container_of "$dir")
  if [ -n "$id" ]; then docker start "$id" >/dev/null; return; fi
  docker run --detach --label titration-test="$dir" "$@" > "$dir/container.new" || die "docker run failed: $*"
  mv "$dir/container.new" "$dir/container"
}

container_stop() { local id; id=$(container_of "$1"); if [ -n "$id" ]; then docker stop "$id" >/dev/null; fi; }
container_kill() { local id; id=$(container_of "$1"); if [ -n "$id" ]; then docker kill "$id" >/dev/null; fi; }
container_remove() {
  local id
  id=$(container_of "$1")
  if [ -n "$id" ]; then docker rm --force --volumes "$id" >/dev/null; rm -f "$1/container"; fi
}

# ---- the shape of every service script -----------------------------------------------------------------------------------------

# dispatch SCRIPT VERB DIR: calls start_*, stop_*, kill_* of the engine. `remove` also forgets container and ports.
dispatch() {
  local script=$1 verb=${2:-} dir=${3:-} engine
  case $verb in start | stop | kill | restart | remove) ;; *) misuse "usage: $script start|stop|kill|restart|remove DIR" ;; esac
  [ -n "$dir" ] || misuse "usage: $script $verb DIR"
  [ "$verb" = start ] || [ -d "$dir" ] || misuse "$script $verb: there is no $dir"
  mkdir -p "$dir"
  dir=$(cd "$dir" && pwd)
  engine=$(engine_of "$dir") || exit
  case $verb in
    start) "start_$engine" "$dir" ;;
    stop) "stop_$engine" "$dir" ;;
    kill) "kill_$engine" "$dir" ;;
    restart) "stop_$engine" "$dir"; "start_$engine" "$dir" ;;
    remove)
      if [ "$engine" = docker ]; then container_remove "$dir"; else "stop_$engine" "$dir"; fi
      release_ports "$dir"
      ;;
  esac
}

start_docker() { container "$1"; ready "$1"; }
stop_docker() { container_stop "$1"; }
kill_docker() { container_kill "$1"; }
