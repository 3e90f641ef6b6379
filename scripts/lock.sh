#!/usr/bin/env bash
# Renews the hashed lock files from the .in files. UPGRADE=yes takes newer versions; otherwise pins stay where they can.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
"$(find_python)" -m venv "$scratch/venv"
"$scratch/venv/bin/pip" install --quiet --disable-pip-version-check uv

options=(--universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --quiet)
[ "${UPGRADE:-no}" = yes ] && options+=(--upgrade)
for name in requirements requirements-dev; do
    # Written beside and moved over, so that an interrupted run leaves the old lock file whole.
    cp "$name.txt" "$scratch/$name.txt" 2>/dev/null || true
    "$scratch/venv/bin/uv" pip compile "${options[@]}" "$name.in" -o "$scratch/$name.txt"
    mv "$scratch/$name.txt" "$name.txt"
done
say "requirements.txt and requirements-dev.txt are renewed."
