#!/usr/bin/env bash
# What a newcomer does: clone, `make demo SERVE=no`, and again. The second run must not double anything.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
unset MIDFLANK_DATA MIDFLANK_VENV MIDFLANK_STATIC DATABASE_URL REDIS_URL
git clone --quiet --no-hardlinks "$ROOT" "$scratch/clone"
cd "$scratch/clone"
PORT=$(free_port "$(find_python)")
export PORT

rows() {
    .venv/bin/python - <<'PY'
import sqlite3

with sqlite3.connect("file:data/midflank.sqlite3?mode=ro", uri=True) as database:
    tables = ("people_person", "fleet_unit", "orders_workorder", "orders_trace", "orders_analysis", "signoffs_jobcard")
    print({table: database.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0] for table in tables})
PY
}

demo() {
    local started=$SECONDS
    make --no-print-directory demo SERVE=no
    say "make demo took $((SECONDS - started)) s"
}

demo
first=$(rows)
say "$first"
demo
second=$(rows)
[ "$first" = "$second" ] || fail "The second make demo changed the number of rows: $second"
.venv/bin/python manage.py verify_ledger
pdf=$(find data/job-cards -type f | head -n 1)
[ -n "$pdf" ] || fail "make demo left no job card."
signature=$(pdfsig -nocert "$pdf" 2>&1 || true)
grep -q 'Signature is Valid' <<<"$signature" || fail "pdfsig does not call the job card's signature valid: $signature"

cd "$ROOT"
left=$(readlink /proc/[0-9]*/cwd 2>/dev/null | grep -c "^$scratch/clone" || true)
[ "$left" = 0 ] || fail "make demo SERVE=no left $left processes behind."
say "A fresh clone carried its job twice over, doubled nothing and left no process."
