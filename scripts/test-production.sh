#!/usr/bin/env bash
# The whole suite on the production set: a PostgreSQL and a Redis of its own, on free ports, thrown away at the end.
# Arguments go to pytest.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

mapfile -t packages <scripts/debian-production.txt
need_packages "the production set" "${packages[@]}"
# In memory where a gigabyte of it is free: nothing here outlives the run.
room=/tmp
if [ "$(df --output=avail -k /dev/shm 2>/dev/null | tail -n 1)" -gt 1048576 ] 2>/dev/null && [ -w /dev/shm ]; then
    room=/dev/shm
fi
scratch=$(mktemp -d "$room/midflank-production.XXXXXX")
cluster=$scratch/postgres
redis=

# PostgreSQL refuses to run as root; its package makes an account for it.
as_postgres() {
    if [ "$(id -u)" -eq 0 ]; then
        (cd / && runuser -u postgres -- "$@")
    else
        "$@"
    fi
}

stop() {
    if [ -n "$redis" ]; then
        kill "$redis" 2>/dev/null || true
        wait "$redis" 2>/dev/null || true
    fi
    if [ -f "$cluster/postmaster.pid" ]; then
        as_postgres "$pg_bin/pg_ctl" -D "$cluster" -m immediate -w stop >/dev/null || true
    fi
    rm -rf "$scratch"
}
trap stop EXIT

pg_bin=$(printf '%s\n' /usr/lib/postgresql/*/bin | sort -V | tail -n 1)
[ -x "$pg_bin/initdb" ] || fail "PostgreSQL's server programs are not under /usr/lib/postgresql; install the package postgresql."
command -v redis-server >/dev/null || fail "redis-server is not installed; install the package redis-server."

mkdir "$cluster"
chmod 711 "$scratch"
[ "$(id -u)" -ne 0 ] || chown postgres "$cluster"
pg_port=$(free_port)
as_postgres "$pg_bin/initdb" -D "$cluster" -U midflank --auth=trust --encoding=UTF8 --locale=C.UTF-8 >"$scratch/initdb.log" ||
    fail "initdb failed: $(tail -n 3 "$scratch/initdb.log")"
# Nothing needs to survive a power cut either. The planner's own compiler costs more than it saves on small tables.
options=(-p "$pg_port" -c listen_addresses=127.0.0.1 -c "unix_socket_directories=''" -c fsync=off)
options+=(-c synchronous_commit=off -c full_page_writes=off -c wal_level=minimal -c max_wal_senders=0 -c jit=off)
as_postgres "$pg_bin/pg_ctl" -D "$cluster" -w -l "$cluster/log" -o "${options[*]}" start >/dev/null ||
    fail "PostgreSQL did not start: $(tail -n 5 "$cluster/log")"

redis_port=$(free_port)
redis-server --bind 127.0.0.1 --port "$redis_port" --dir "$scratch" --appendonly yes --save "" >"$scratch/redis.log" &
redis=$!
for _ in $(seq 50); do
    redis-cli -p "$redis_port" ping >/dev/null 2>&1 && break
    sleep 0.1
done
redis-cli -p "$redis_port" ping >/dev/null || fail "Redis did not start: $(tail -n 5 "$scratch/redis.log")"

export DATABASE_URL=postgres://midflank@127.0.0.1:$pg_port/postgres
export REDIS_URL=redis://127.0.0.1:$redis_port/0
say "The suite on PostgreSQL ($("$pg_bin/postgres" --version | cut -d' ' -f3)) and Redis ($(redis-server --version | cut -d' ' -f3 | cut -d= -f2))"
"$VENV_PYTHON" -m pytest "$@"
