#!/usr/bin/env bash
# Runs every benchmark: each module of tests/bench is a program that prints its own table.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

mapfile -t modules < <(find tests/bench -maxdepth 1 -name '*.py' ! -name '_*' -printf 'tests.bench.%f\n' | sed 's/\.py$//' | sort)
[ ${#modules[@]} -gt 0 ] || fail "There is no benchmark in tests/bench."
say "$(grep -c ^processor /proc/cpuinfo) cores, $("$VENV_PYTHON" --version), commit $(git rev-parse --short HEAD 2>/dev/null || say unknown)"
for module in "${modules[@]}"; do
    say
    say "== $module"
    "$VENV_PYTHON" -m "$module"
done
