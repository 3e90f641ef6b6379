#!/usr/bin/env bash
# Makes the private environment. `setup.sh run` is what Midflank runs on, `setup.sh test` adds what its tests need;
# `setup.sh debian` installs only the Debian packages of both.
# What is there already is left alone: the checksum of the lock file says whether anything changed.
set -euo pipefail
# shellcheck source=scripts/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

# install_locked LOCKFILE... installs exactly these pins unless the environment holds them already.
install_locked() {
    local stamp=$VENV/installed-${*: -1} wanted
    wanted=$(cat "$@" | sha256sum)
    [ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ] && return
    say "Installing the Python packages of $* (a minute or two, the first time)"
    local name arguments=()
    for name in "$@"; do
        arguments+=(-r "$name")
    done
    # Wheels only: a fresh machine has no compiler, and a missing wheel is told in one line. Python compiles what is used
    # when it is used; all of it beforehand is half of the work.
    "$VENV_PYTHON" -m pip install --quiet --disable-pip-version-check --no-input --only-binary=:all: --require-hashes \
        --no-compile "${arguments[@]}" || fail "The Python packages were not installed; what is above says why."
    printf '%s\n' "$wanted" >"$stamp"
}

need_venv() {
    local python=$1 version
    if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
        version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
        need_packages "to make the private environment" "python$version-venv"
    fi
}

make_venv() {
    local python
    python=$(find_python)
    need_venv "$python"
    say "Making the private environment in $VENV"
    "$python" -m venv --clear "$VENV" || fail "Python could not make the environment in $VENV; what is above says why."
}

# need_debian run|test: what the one or the other needs of Debian.
need_debian() {
    local packages
    mapfile -t packages <scripts/debian-run.txt
    need_packages "the job card" "${packages[@]}"
    [ "$1" = test ] && [ -z "${MIDFLANK_CHROMIUM:-}" ] || return 0
    mapfile -t packages <scripts/debian-test.txt
    need_packages "the browser tests" "${packages[@]}"
}

# One that lost its interpreter (Python upgraded), was copied from elsewhere (its programs name the old place in their
# first lines) or was cut off while being made is made anew.
is_whole() {
    "$VENV_PYTHON" -c 'import pip' 2>/dev/null && grep -qF "$(cd "$VENV" && pwd)/bin/" "$VENV/bin/pip"
}
case ${1:-run} in
    debian)
        need_venv "$(find_python)"
        need_debian test
        ;;
    run)
        is_whole || make_venv
        need_debian run
        install_locked requirements.txt
        ;;
    test)
        is_whole || make_venv
        need_debian test
        install_locked requirements.txt
        install_locked requirements.txt requirements-dev.txt
        ;;
    *) fail "setup.sh knows 'run', 'test' and 'debian'." ;;
esac
