# Read by the other scripts: words to the person, the Python to use, Debian packages.
# shellcheck shell=bash

ROOT=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$ROOT" || exit 1

say() { printf '%s\n' "$*"; }

fail() {
    printf '%s\n' "$*" >&2
    exit 1
}

# Midflank's own interpreter inside the private environment.
VENV=${MIDFLANK_VENV:-.venv}
VENV_PYTHON=$VENV/bin/python

# Prints the first Python that is new enough; PYTHON= names another one.
find_python() {
    local candidate
    for candidate in ${PYTHON:-python3 python3.14 python3.13 python3.12 python3.11}; do
        if command -v "$candidate" >/dev/null && "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
            printf '%s\n' "$candidate"
            return
        fi
    done
    fail "Midflank needs Python 3.11 or newer; found $(${PYTHON:-python3} --version 2>&1 || true)." \
        "Install one and name it, for example: make demo PYTHON=/usr/local/bin/python3.12"
}

is_installed() {
    [ "$(dpkg-query -W -f='${db:Status-Status}' "$1" 2>/dev/null)" = installed ]
}

# need_packages WHY NAME... installs the Debian packages that are missing, as root or with sudo.
need_packages() {
    local why=$1 name missing=()
    shift
    if ! command -v dpkg-query >/dev/null || ! command -v apt-get >/dev/null; then
        say "This is not Debian or Ubuntu, so nothing is installed for it; $why need: $*" >&2
        return
    fi
    for name in "$@"; do
        is_installed "$name" || missing+=("$name")
    done
    [ ${#missing[@]} -eq 0 ] && return
    local command="apt-get update && apt-get install -y --no-install-recommends ${missing[*]}"
    local as_root=()
    if [ "$(id -u)" -ne 0 ]; then
        if ! command -v sudo >/dev/null; then
            fail "Some Debian packages are missing ($why). Run this as root, then try again: $command"
        fi
        as_root=(sudo)
        # Without a terminal sudo cannot ask for a password: let it fail at once.
        [ -t 0 ] || as_root=(sudo -n)
    fi
    say "Installing Debian packages ($why): ${missing[*]}"
    # One unreachable source should not stop an install from the others, so only the install decides.
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get -q update >/dev/null || true
    if ! "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive \
        apt-get -q -y --no-install-recommends -o Dpkg::Use-Pty=0 install "${missing[@]}" >"$ROOT/.apt.log" 2>&1; then
        tail -n 5 "$ROOT/.apt.log" >&2
        rm -f "$ROOT/.apt.log"
        fail "The Debian packages were not installed. Run this as root, then try again: $command"
    fi
    rm -f "$ROOT/.apt.log"
}

# A port of 127.0.0.1 that nothing listens on.
free_port() {
    "${1:-$VENV_PYTHON}" -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}

# end_group PID ends the process group that PID leads, and waits until none of it is left.
end_group() {
    local pid=$1 tries
    kill -TERM -- "-$pid" 2>/dev/null || return 0
    for tries in $(seq 100); do
        kill -0 -- "-$pid" 2>/dev/null || return 0
        sleep 0.1
    done
    say "Something did not stop within $((tries / 10)) s and was ended." >&2
    kill -KILL -- "-$pid" 2>/dev/null || true
}
