#!/usr/bin/env bash
# Fetches axe-core, a checker of accessibility, from npm into a temporary folder outside the
# repository, and prints the path of its file for the variable FORMKIN_AXE. Needs npm.
# Run as: export FORMKIN_AXE="$(tests/browser/get_axe.sh)"
set -euo pipefail

folder="$(mktemp -d)"
cd "$folder"
# the version that the tests are written for; npm checks what it fetches against its sum
npm pack --silent axe-core@4.14.1 > /dev/null
tar -xzf axe-core-4.14.1.tgz package/axe.min.js
echo "$folder/package/axe.min.js"
