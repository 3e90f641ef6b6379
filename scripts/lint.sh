#!/usr/bin/env bash
# Every check that runs nothing of Midflank but its model declarations. Fails after the last, so that all are seen.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

failed=()

check() {
    local name=$1
    shift
    say "lint: $name"
    "$@" || failed+=("$name")
}

# Docker's own check of the compose file: as a plug-in, or as the command of its own that Debian packages.
compose_config() {
    if docker compose version >/dev/null 2>&1; then
        docker compose config --quiet
    elif command -v docker-compose >/dev/null; then
        docker-compose config --quiet
    elif [ -n "${CI:-}" ]; then
        need_packages "docker-compose.yml" docker-compose
        docker-compose config --quiet
    else
        say "      docker compose is not installed here, so docker-compose.yml was left to CI"
    fi
}

# Scratch data: reading the settings makes the data folder.
MIDFLANK_DATA=$(mktemp -d)
export MIDFLANK_DATA
trap 'rm -rf "$MIDFLANK_DATA"' EXIT
unset DATABASE_URL REDIS_URL

bin=$VENV/bin
mapfile -t shell_files < <(printf '%s\n' scripts/*.sh .ci/run)
check "ruff" "$bin/ruff" check --quiet .
check "mypy" "$bin/mypy"
check "import-linter" "$bin/lint-imports" --no-cache
check "migrations" "$VENV_PYTHON" manage.py makemigrations --check --dry-run
check "deployment" "$VENV_PYTHON" manage.py check
check "shellcheck" "$bin/shellcheck" --external-sources "${shell_files[@]}"
check "compose" compose_config

[ ${#failed[@]} -eq 0 ] || fail "lint failed: ${failed[*]}"
say "lint: all clean"
