#!/usr/bin/env bash
# Sets everything up, carries one timing job through a running server, then keeps serving.
# PORT= names the port, SERVE=no stops after the job.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

# The demo is the embedded default and must never fill a database that happens to be named around it.
unset DATABASE_URL REDIS_URL
export PORT=${PORT:-8000}
export MIDFLANK_DATA=${MIDFLANK_DATA:-data}
server=
ready=

stop() {
    trap - EXIT INT TERM HUP
    if [ -n "$ready" ]; then
        kill "$ready" 2>/dev/null || true
    fi
    if [ -n "$server" ]; then
        end_group "$server"
        wait "$server" 2>/dev/null || true
    fi
}
trap stop EXIT
trap 'stop; say; say "Stopped."; exit 0' INT TERM HUP

# port_is_free PYTHON: binds as the server will, so it says the same.
port_is_free() {
    "$1" - <<'PY'
import os
import socket
import sys

with socket.socket() as listener:
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", int(os.environ["PORT"])))
    except (OSError, ValueError, OverflowError):
        sys.exit(1)
PY
}

# Compressing the static files takes many seconds, so it is done again only for other files, packages or settings.
collect_static() {
    local stamp=$VENV/collected-static folder=${MIDFLANK_STATIC:-staticfiles} wanted
    wanted=$(
        printf '%s\n' "$folder"
        find shopapp jobs -path '*/static/*' -type f -print0 | LC_ALL=C sort -z | xargs -0 sha256sum
        sha256sum requirements.txt shopapp/settings.py
    )
    [ -f "$folder/staticfiles.json" ] && [ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ] && return
    "$VENV_PYTHON" manage.py collectstatic --no-input --verbosity 0
    printf '%s\n' "$wanted" >"$stamp"
}

# Any answer will do: it shows that the server takes requests.
wait_for_server() {
    "$VENV_PYTHON" - "$server" <<'PY'
import os
import sys
import time
import urllib.error
import urllib.request

for _ in range(240):
    try:
        urllib.request.build_opener(urllib.request.ProxyHandler({})).open(
            f"http://127.0.0.1:{os.environ['PORT']}/sign-in/", timeout=10
        )
    except urllib.error.HTTPError as answer:
        sys.exit(f"The server answered {answer.code} on its sign-in page.")
    except OSError:
        try:
            os.kill(int(sys.argv[1]), 0)
        except ProcessLookupError:
            sys.exit("The server ended before it answered.")
        time.sleep(0.25)
    else:
        sys.exit(0)
sys.exit("The server did not answer within a minute.")
PY
}

python=$(find_python)
port_is_free "$python" ||
    fail "Port $PORT of 127.0.0.1 is not to be had: something else listens there. Choose another: make demo PORT=8001"
scripts/setup.sh run
mkdir -p "$MIDFLANK_DATA"
# The planner's loops are compiled once, about a minute of one core: beside all the rest, and for who goes on using it.
if [ "${SERVE:-yes}" != no ]; then
    "$VENV_PYTHON" -m analysis ready >>"$MIDFLANK_DATA/ready.log" 2>&1 </dev/null &
    ready=$!
fi
"$VENV_PYTHON" manage.py migrate --no-input --verbosity 0
collect_static
accounts=$("$VENV_PYTHON" manage.py load_demo)

# A session of its own: Ctrl-C reaches this script first, which then ends the server and its worker together.
setsid "$VENV_PYTHON" manage.py serve >>"$MIDFLANK_DATA/serve.log" 2>&1 </dev/null &
server=$!
wait_for_server || fail "See the end of $MIDFLANK_DATA/serve.log:"$'\n'"$(tail -n 15 "$MIDFLANK_DATA/serve.log")"
"$VENV_PYTHON" manage.py carry_demo
say "$accounts"

if [ "${SERVE:-yes}" = no ]; then
    exit 0
fi
wait "$ready" || say "The planner could not be compiled beforehand; see $MIDFLANK_DATA/ready.log."
say "Midflank serves on http://127.0.0.1:$PORT (its log: $MIDFLANK_DATA/serve.log). Ctrl-C stops it."
wait "$server" || fail "The server ended; see $MIDFLANK_DATA/serve.log."
