#!/usr/bin/env bash
# Writes the list of every component of the service, CycloneDX in JSON, with versions, hashes and licences.
#
#   bash deploy/sbom.sh [FILE]      default: artifacts/sbom/titration.cdx.json
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
export DOTNET_CLI_UI_LANGUAGE=en DOTNET_NOLOGO=1 DOTNET_CLI_TELEMETRY_OPTOUT=1
file=${1:-artifacts/sbom/titration.cdx.json}
mkdir -p "$(dirname "$file")"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
version=${VERSION:-$(sed -n 's/.*<Version>\(.*\)<\/Version>.*/\1/p' Directory.Build.props)}
dotnet tool restore > /dev/null
dotnet restore src/Titration.Worker > /dev/null
# From what was restored, which the lock file decides.
dotnet tool run dotnet-CycloneDX src/Titration.Worker/Titration.Worker.csproj --output "$(dirname "$file")" --filename "$(basename "$file")" \
  --output-format Json --set-name titration --set-version "$version" --set-type Application --exclude-dev --disable-package-restore > "$log" 2>&1 || { cat "$log" >&2; exit 1; }

# Beyond the tool's own word: every package of the lock file has to be in it, but for the analyzers, which are no part of the service.
locked=$(sed -n 's/^      "\([A-Za-z][A-Za-z0-9._-]*\)": {$/\1/p' src/Titration.Worker/packages.lock.json | grep -vi '^titration\.' | sort -fu)
missing=$(comm -23 <(printf '%s\n' "$locked" | tr 'A-Z' 'a-z' | sort -u) \
  <(grep -oE '"purl": *"pkg:nuget/[^@]*' "$file" | sed 's/.*nuget\///' | tr 'A-Z' 'a-z' | sort -u) | grep -vxE 'meziantou\.analyzer|microsoft\.codeanalysis\.bannedapianalyzers' || true)
if [ -n "$missing" ]; then printf 'not in the list, though in the lock file:\n%s\n' "$missing" >&2; exit 1; fi
echo "wrote $file: $(grep -c '"purl"' "$file") packages"
