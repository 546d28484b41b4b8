#!/usr/bin/env bash
# The test command. `bash test.sh --help` says what it does and what it can be told.
set -uo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")" || exit 1

usage() {
  cat <<'HELP'
usage: bash test.sh [--only NAME] [--faults N] [--fault-seed N] [--keep] [-- ARGUMENTS OF THE TEST RUNNER]

Builds everything and runs all tests against a real RabbitMQ, PostgreSQL and FHIR endpoint, which it starts on free ports and
ends again. They come as containers where Docker works, else from Debian's packages, which it installs when run as root on Debian; the pages are looked at in Chromium, which it installs the same way.
It also checks the formatting, looks for known weaknesses in dependencies, lists the service's components, shows that the validators
and the FHIR endpoint used by the tests do what the tests rely on, and that the rules stated in CQL come to the same outcomes.

--only NAME   one test project, without the other checks: Protocol, Fhir, Storage, Sandbox, Worker, Integration
--faults N    random faults for the two workers of the fault campaign, 300 where it is not said; about a minute for each 200
--fault-seed N  draws the same faults again; else the seed is random, and printed
--keep        leave services and logs there afterwards, and say how to use and how to end them
--help        this

  bash test.sh --only Integration -- --filter-method '*quorum*'
  bash test.sh --only Integration --faults 5000 -- --filter-class '*FaultCampaignTests'
  POSTGRES_DURABLE=1 bash test.sh      PostgreSQL with fsync; other settings: tests/services/*.sh

The last line is always "N passed, N failed, N skipped". Exit codes: 0 all passed; 1 something failed or nothing ran; 2 usage, or
something is missing that the script may not install.
HELP
}

misuse() { printf '%s\n\n' "$1" >&2; usage >&2; exit 2; }

# number OPTION VALUE
number() { [[ ${2:-} =~ ^[1-9][0-9]{0,5}$ ]] || misuse "$1 needs a number from 1 to 999999"; printf '%s' "$2"; }

only='' keep=0 runner=() faults=${TITRATION_FAULTS:-300} seed=${TITRATION_FAULT_SEED:-$((RANDOM * 30 + 1))}
while [ $# -gt 0 ]; do
  case $1 in
    --help | -h) usage; exit 0 ;;
    --keep) keep=1 ;;
    --only)
      [ -n "${2:-}" ] || misuse "--only needs the name of a test project"
      only=${2#Titration.}
      only=tests/Titration.${only%.Tests}.Tests
      [ -d "$only" ] || misuse "there is no test project $2"
      shift
      ;;
    --faults) faults=$(number "$1" "${2:-}") || exit 2; shift ;;
    --fault-seed) seed=$(number "$1" "${2:-}") || exit 2; shift ;;
    --) shift; runner=("$@"); break ;;
    *) misuse "unknown option $1" ;;
  esac
  shift
done

# The output that is read here and by whoever reads the log is English on every machine; build servers must not outlive the run.
export DOTNET_CLI_UI_LANGUAGE=en DOTNET_NOLOGO=1 DOTNET_CLI_TELEMETRY_OPTOUT=1 MSBUILDDISABLENODEREUSE=1 DOTNET_CLI_USE_MSBUILD_SERVER=0

outcome=1 up=0

DIR=$(mktemp -d "${TMPDIR:-/tmp}/titration-test.XXXXXX") || exit 1
chmod go+x "$DIR" # the database server runs as a user of its own
: > "$DIR/counts" # a line for each check: passed, failed, skipped, name

# Runs whatever happened, an interrupt included: services end before the closing line, which is the last thing printed.
finish() {
  trap - EXIT
  trap '' INT TERM
  if [ "$up" = 1 ] && [ "$keep" = 0 ]; then tests/services/down.sh "$DIR/services" >> "$DIR/down.log" 2>&1 || echo "could not end every service: $DIR/down.log" >&2; fi
  local passed failed skipped
  passed=$(sum 1) failed=$(sum 2) skipped=$(sum 3)
  [ "$failed" -gt 0 ] && outcome=$((outcome == 0 ? 1 : outcome))
  [ $((passed + failed)) = 0 ] && outcome=$((outcome == 0 ? 1 : outcome))
  if [ -s "$DIR/counts" ]; then
    printf '\n%8s %8s %8s\n' passed failed skipped
    awk -F '\t' '{ printf "%8d %8d %8d  %s\n", $1, $2, $3, $4 }' "$DIR/counts"
  fi
  failures
  echo
  if [ "$keep" = 1 ] && [ -f "$DIR/services/env" ]; then
    printf 'The services are up. Use them:  set -a; . %s; set +a\nEnd them:  tests/services/down.sh %s && rm -r %s\n' "$DIR/services/env" "$DIR/services" "$DIR"
  elif [ "$outcome" != 0 ] || [ "$keep" = 1 ]; then
    echo "The logs are in $DIR"
  else
    rm -rf "$DIR"
  fi
  echo "$passed passed, $failed failed, $skipped skipped"
  exit "$outcome"
}
trap finish EXIT
trap 'exit 130' INT TERM

# count NAME PASSED FAILED SKIPPED
count() { printf '%d\t%d\t%d\t%s\n' "$2" "$3" "$4" "$1" >> "$DIR/counts"; }

# sum COLUMN: of all that was counted so far.
sum() { awk -F '\t' -v column="$1" '{ total += $column } END { print total + 0 }' "$DIR/counts"; }

# Which tests failed and with what, once more at the end: above it may stand thousands of lines.
failures() {
  local log
  for log in "$DIR/tests.log" "$DIR/faults.log"; do
    [ ! -f "$log" ] || awk '/^failed / { print ""; left = 80 } /^(passed|skipped) / { left = 0 } left-- > 0' "$log"
  done
  # Their names alone: what is told of a run may be no more than its last lines.
  grep -hs '^failed ' "$DIR/tests.log" "$DIR/faults.log"
}

# quietly TITLE LOG COMMAND...: only its title and time, and the end of its log when it fails. Who watches also sees what has begun.
quietly() {
  local title=$1 log=$DIR/$2.log start=$SECONDS
  shift 2
  [ ! -t 1 ] || printf '    %s ...\n' "$title"
  if "$@" > "$log" 2>&1; then
    printf '==> %s (%d s)\n' "$title" $((SECONDS - start))
  else
    local code=$?
    printf '==> %s failed after %d s; the end of %s:\n%s\n' "$title" $((SECONDS - start)) "$log" "$(tail -n 40 "$log")"
    return "$code"
  fi
}

# stop CODE NAME: a step nothing else can do without has failed.
stop() { count "$2" 0 1 0; outcome=$1; exit "$1"; }

command -v dotnet > /dev/null || { echo "The .NET SDK that global.json names is needed: https://dotnet.microsoft.com/download" >&2; stop 2 "the .NET SDK"; }
dotnet --version > "$DIR/sdk.log" 2>&1 || { cat "$DIR/sdk.log" >&2; stop 2 "the .NET SDK"; }

echo "==> services"
start=$SECONDS
up=1 # from here on there may be something to end
tests/services/up.sh "$DIR/services" || stop "$(($? == 2 ? 2 : 1))" "services"
set -a
# shellcheck disable=SC1091 # written a moment ago
. "$DIR/services/env"
set +a
printf '    %s on %s, up in %d s\n' "RabbitMQ, PostgreSQL and the FHIR endpoint" "$(cat "$DIR/services/engine")" $((SECONDS - start))

quietly "build" build dotnet build "${only:-Integration.sln}" || stop 1 "build"

# ---- the checks beside the test projects ---------------------------------------------------------------------------------------

# The source, its dependencies and what is deployed.
check_source() {
  # Style and analyzers are the build's: its warnings are errors.
  if quietly "formatting" format dotnet format whitespace Integration.sln --no-restore --verify-no-changes; then count "formatting" 1 0 0; else count "formatting" 0 1 0; fi

  # What could not be looked for is not "nothing found": it counts as skipped, and says so.
  quietly "known weaknesses in dependencies" audit deploy/audit.sh
  case $? in
    0) count "dependency audit" 1 0 0 ;;
    3) tail -n 1 "$DIR/audit.log"; count "dependency audit: it could not be done" 0 0 1 ;;
    *) count "dependency audit" 0 1 0 ;;
  esac
  if quietly "list of components" sbom deploy/sbom.sh "$DIR/titration.cdx.json"; then count "list of components" 1 0 0; else count "list of components" 0 1 0; fi

  # shellcheck source=tests/services/lib.sh
  deployment() (
    . tests/services/lib.sh
    docker compose version > /dev/null 2>&1 || command -v docker-compose > /dev/null || ! can_install || install_packages "Docker Compose" docker-compose
    deploy/check.sh
  )
  quietly "deployment files" deployment deployment
  case $? in
    0) count "deployment files" 1 0 0 ;;
    3) tail -n 1 "$DIR/deployment.log"; count "deployment files: not all of them could be checked" 0 0 1 ;;
    *) count "deployment files" 0 1 0 ;;
  esac
}

# What runs on Node: the validators and the endpoint that the tests rely on, and the rules in CQL.
check_on_node() {
  local node code good bad
  # shellcheck source=tests/services/lib.sh
  node=$(. tests/services/lib.sh && find_node && for folder in validators cql; do npm_ci "$(find_node)" "tests/$folder" >> "$DIR/npm.log" 2>&1 || exit 1; done) || {
    echo "==> the packages of tests/validators or tests/cql could not be installed: $DIR/npm.log"
    count "Node and its packages" 0 1 0
    return
  }

  quietly "validators refuse what is broken" validators "$node" tests/validators/validate.mjs --self-test
  code=$?
  read -r good bad < <(sed -n 's/^\([0-9]*\) passed, \([0-9]*\) failed$/\1 \2/p' "$DIR/validators.log" | tail -n 1)
  [ "$code" = 0 ] || [ "${bad:-0}" -gt 0 ] || bad=1 # it broke before it could count
  count "tests/validators" "${good:-0}" "${bad:-0}" 0

  tapped "$node" "the FHIR endpoint is one" tests/peer
  tapped "$node" "the same rules in CQL come to the same outcomes" tests/cql
}

# tapped NODE TITLE FOLDER: the tests of one Node folder, counted from what its reporter says.
tapped() {
  local log=${3##*/} code good bad dropped ignored
  quietly "$2" "$log" "$1" --test --test-reporter=tap "$3/"
  code=$?
  tap() { sed -n "s/^# $1 \([0-9]*\)$/\1/p" "$DIR/$log.log" | tail -n 1; }
  good=$(tap pass) bad=$(tap fail) dropped=$(tap cancelled) ignored=$(tap skipped)
  bad=$((${bad:-0} + ${dropped:-0}))
  [ "$code" = 0 ] || [ "$bad" -gt 0 ] || bad=1
  count "$3" "${good:-0}" "$bad" "${ignored:-0}"
}

if [ -z "$only" ]; then
  # Each for the most part a single thread: side by side.
  check_on_node &
  check_source
  wait $!
fi

# ---- the test projects ---------------------------------------------------------------------------------------------------------

export TITRATION_FAULTS=$faults TITRATION_FAULT_SEED=$seed
echo "==> tests ($faults random faults; the same again: --faults $faults --fault-seed $seed)"
if [ -n "$only" ]; then target=(--project "$only"); else target=(--solution Integration.sln); fi

# The fault campaign has a broker, a database and an endpoint of its own and waits much: it runs beside the others.
campaign=''
if [ ${#runner[@]} = 0 ] && { [ -z "$only" ] || [ "$only" = tests/Titration.Integration.Tests ]; }; then
  dotnet test --project tests/Titration.Integration.Tests --no-build --results-directory "$DIR/results/faults" --report-xunit-trx --filter-class '*FaultCampaignTests' \
    > "$DIR/faults.log" 2>&1 &
  campaign=$!
  runner=(--filter-not-class '*FaultCampaignTests')
fi

# A project without tests is no failure (8 is "no test ran"); a run without tests is, and finish() sees to that.
dotnet test "${target[@]}" --no-build --results-directory "$DIR/results" --report-xunit-trx --ignore-exit-code 8 "${runner[@]}" 2>&1 | tee "$DIR/tests.log"
code=${PIPESTATUS[0]}
if [ -n "$campaign" ]; then
  wait "$campaign"
  faulty=$?
  code=$((code == 0 ? faulty : code))
  grep -E "faults have struck|without faults" "$DIR/faults.log"
fi

# One result file per project: its counters are the truth; what the console prints is for people.
counter() { sed -n "s/.*<Counters [^>]*\b$1=\"\([0-9]*\)\".*/\1/p" "$2" | head -n 1; }
results=0 counted=0 before=$(sum 2)
shopt -s nullglob
for file in "$DIR"/results/*.trx "$DIR"/results/faults/*.trx; do
  results=$((results + 1))
  good=$(counter passed "$file") bad=0 ignored=$(counter notExecuted "$file")
  for kind in failed error timeout aborted; do bad=$((bad + $(counter "$kind" "$file"))); done
  counted=$((counted + good + bad + ignored))
  name=$(sed -n 's/.*storage="[^"]*\/\([^"/]*\)\.dll".*/\1/p' "$file" | head -n 1)
  [ $((good + bad + ignored)) = 0 ] || count "${name:-?}" "$good" "$bad" "$ignored"
done

projects=(tests/*.Tests)
[ -n "$only" ] && projects=("$only")
if [ "$results" -lt ${#projects[@]} ]; then count "test projects that left no result; see the output above" 0 $((${#projects[@]} - results)) 0; fi
total=0
for log in "$DIR/tests.log" ${campaign:+"$DIR/faults.log"}; do
  total=$((total + $(sed -n 's/^ *total: \([0-9]*\)$/\1/p' "$log" | tail -n 1 | grep . || echo 0)))
done
if [ "$total" != "$counted" ]; then count "tests: the runner speaks of $total tests, the result files of $counted" 0 1 0; fi
# A crash after the last test, say: the runner is not content, and nothing counted so far says why.
if [ "$code" != 0 ] && [ "$(sum 2)" = "$before" ]; then count "the test runner ended with code $code" 0 1 0; fi
if [ "$counted" = 0 ] && [ "$(sum 2)" = "$before" ]; then count "no test ran" 0 1 0; fi
outcome=0
