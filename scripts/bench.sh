#!/usr/bin/env bash
# Runs every benchmark: the modules of tests/bench that are programs; each prints its own table.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

mapfile -t modules < <(grep -lF '__name__ == "__main__"' tests/bench/*.py | sed 's/\.py$//; s#/#.#g' | sort)
[ ${#modules[@]} -gt 0 ] || fail "There is no benchmark in tests/bench."
say "$(grep -c ^processor /proc/cpuinfo) cores, $("$VENV_PYTHON" --version), commit $(git rev-parse --short HEAD 2>/dev/null || say unknown)"
for module in "${modules[@]}"; do
    say
    say "== $module"
    "$VENV_PYTHON" -m "$module"
done
