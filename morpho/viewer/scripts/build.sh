#!/usr/bin/env bash
# Makes three.iife.min.js and three.LICENSE from the versions in package-lock.json.
# Needs node and npm, and a network; the results are kept, so only a new version needs it.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
cp "$here/package.json" "$here/package-lock.json" "$here/three.entry.js" "$work/"
cd "$work"
npm ci --ignore-scripts --no-audit --no-fund
npx --no-install esbuild three.entry.js --bundle --minify --format=iife \
  --global-name=formkinThree --target=es2020 --charset=ascii --legal-comments=inline \
  --outfile=three.iife.min.js
# an inline script ends at the first of these, wherever it stands
if grep -qiE '</script|<!--' three.iife.min.js; then
  echo "The bundle holds a mark that would end an inline script." >&2
  exit 1
fi
cp node_modules/three/LICENSE "$here/three.LICENSE"
cp three.iife.min.js "$here/"
