#!/usr/bin/env bash
# Makes a release of what is checked out: one program for each machine that needs nothing installed, the list of its components, checksums.
#
#   bash deploy/release.sh [--only RUNTIME] [FOLDER]      default: linux-x64 and linux-arm64, into artifacts/release
#
# The version is that of the tag on this commit (v1.2.3); CHANGELOG.md must have a section for it. Exit codes: 0 done, 1 it failed, 2 usage.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
runtimes=(linux-x64 linux-arm64)
if [ "${1:-}" = --only ]; then runtimes=("${2:?a runtime, such as linux-x64}"); shift 2; fi
folder=${1:-artifacts/release}

tag=$(git describe --tags --exact-match --match 'v[0-9]*' 2> /dev/null) || { echo "no tag like v1.2.3 is on this commit: git tag v1.2.3" >&2; exit 2; }
version=${tag#v}
[[ $version =~ ^[0-9]+\.[0-9]+\.[0-9]+(-[0-9A-Za-z.-]+)?$ ]] || { echo "the tag $tag is no version: v1.2.3 or v1.2.3-rc.1" >&2; exit 2; }
[ -z "$(git status --porcelain)" ] || { echo "there are changes that the tag does not hold: git status" >&2; exit 2; }
notes=$(awk -v title="## $version" 'index($0, "## ") == 1 { on = (index($0 " ", title " ") == 1); next } on' CHANGELOG.md)
[ -n "${notes//[[:space:]]/}" ] || { echo "CHANGELOG.md has no section \"## $version\": say there what changed for whoever runs it" >&2; exit 2; }

export DOTNET_CLI_UI_LANGUAGE=en DOTNET_NOLOGO=1 DOTNET_CLI_TELEMETRY_OPTOUT=1
rm -rf "$folder"
mkdir -p "$folder"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
stamp=$(git log -1 --format=%ct)
for runtime in "${runtimes[@]}"; do
  name=titration-$version-$runtime
  echo "==> $name"
  dotnet publish src/Titration.Worker --configuration Release --runtime "$runtime" --self-contained --output "$work/$name" --verbosity quiet \
    -p:Version="$version" -p:PublishSingleFile=true -p:IncludeNativeLibrariesForSelfExtract=false \
    -p:PublishDocumentationFiles=false -p:PublishReferencesDocumentationFiles=false -p:StaticWebAssetsEnabled=false -p:ContinuousIntegrationBuild=true
  chmod 755 "$work/$name/titration"
  mkdir "$work/$name/deploy"
  cp README.md CHANGELOG.md SECURITY.md LICENSE "$work/$name/"
  cp deploy/titration.service deploy/grants.sql deploy/backup.sh deploy/restore.sh deploy/alerts.yaml deploy/dashboard.json "$work/$name/deploy/"
  cp -R contracts docs "$work/$name/"
  # The same commit gives the same archive: names in order, no owner, the commit's time.
  tar --sort=name --owner=0 --group=0 --numeric-owner --mtime="@$stamp" --directory "$work" -cf - "$name" | gzip -9n > "$folder/$name.tar.gz"
  # What this machine can run must say its own version.
  if [ "$runtime" = "linux-$(uname -m | sed 's/x86_64/x64/; s/aarch64/arm64/')" ]; then
    said=$("$work/$name/titration" --version)
    [ "${said%%+*}" = "$version" ] || { echo "the program says it is $said and not $version" >&2; exit 1; }
  fi
done
VERSION=$version bash deploy/sbom.sh "$folder/titration-$version.cdx.json"
printf '%s\n' "$notes" > "$folder/titration-$version.notes.md"
(cd "$folder" && sha256sum -- titration-* > SHA256SUMS)
echo "wrote $folder:"
ls -l "$folder" | tail -n +2
