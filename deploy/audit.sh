#!/usr/bin/env bash
# Looks for known weaknesses in every package that is used, directly or through another one.
#
# Exit codes: 0 none that is high or critical; 1 there is one; 3 it could not be looked for, which is no "none".
set -uo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 3
export DOTNET_CLI_UI_LANGUAGE=en DOTNET_NOLOGO=1 DOTNET_CLI_TELEMETRY_OPTOUT=1

probe=$(mktemp -d) || exit 3
trap 'rm -rf "$probe"' EXIT

# A source without a list of weaknesses is silent, and so is one that has it and finds nothing. This version has a high one
# (GHSA-5crp-9r3c-p9vr): where that is not told, nothing would be.
cat > "$probe/probe.csproj" <<'PROJECT'
<Project Sdk="Microsoft.NET.Sdk">
  <PropertyGroup><TargetFramework>net10.0</TargetFramework><NuGetAudit>true</NuGetAudit></PropertyGroup>
  <ItemGroup><PackageReference Include="Newtonsoft.Json" Version="12.0.1" /></ItemGroup>
</Project>
PROJECT
dotnet restore "$probe/probe.csproj" > "$probe/probe.log" 2>&1
if ! grep -q 'NU1903.*GHSA-5crp-9r3c-p9vr' "$probe/probe.log"; then
  grep -E 'NU1900|error' "$probe/probe.log" | head -n 3
  echo "The audit could not be done: the package source does not tell of known weaknesses, or cannot be reached."
  exit 3
fi

dotnet restore Integration.sln --force -p:NuGetAudit=true -p:NuGetAuditMode=all > "$probe/restore.log" 2>&1
code=$?
found=$(grep -oE "(error|warning) NU190[1-4]: .*" "$probe/restore.log" | sed 's/ \[.*//' | sort -u)
[ -z "$found" ] || printf '%s\n' "$found"
if grep -q NU1900 "$probe/restore.log"; then echo "The audit could not be done: the list of known weaknesses could not be read."; exit 3; fi
if grep -qE 'NU190[34]' <<< "$found"; then echo "There are weaknesses that are high or critical: update what is named, or what brings it in."; exit 1; fi
if [ "$code" != 0 ]; then tail -n 20 "$probe/restore.log"; echo "The packages could not be restored."; exit 3; fi
echo "No known weakness that is high or critical."
