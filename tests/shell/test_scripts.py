"""The scripts are sound, and refuse with one sentence where they cannot go on."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shell.paths import ROOT, SCRIPTS, SHELL_FILES

BASH = shutil.which("bash") or "/bin/bash"


def run(*command: str | Path, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(part) for part in command],
        cwd=ROOT,
        env=env,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def put_tool(folder: Path, name: str, body: str) -> None:
    tool = folder / name
    tool.write_text(f"#!{BASH}\n{body}\n", encoding="utf-8")
    tool.chmod(0o755)


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """Tools as on a machine with no package installed, a user who is not root, and no sudo."""
    for name in ("dirname", "tail", "rm", "env", "cat", "mkdir"):
        (tmp_path / name).symlink_to(str(shutil.which(name)))
    put_tool(tmp_path, "id", "echo 1000")
    put_tool(tmp_path, "dpkg-query", "exit 1")
    put_tool(tmp_path, "apt-get", 'echo "apt-get $*" >>"${0%/*}/asked"')
    return tmp_path


def need(tools: Path, *packages: str) -> subprocess.CompletedProcess[str]:
    words = " ".join(packages)
    return run(
        BASH,
        "-c",
        f'set -euo pipefail; . "{SCRIPTS}/common.sh"; need_packages "the job card" {words}; echo went on',
        env={"PATH": str(tools)},
    )


@pytest.mark.parametrize("path", SHELL_FILES, ids=lambda path: path.name)
def test_bash_can_read_it(path: Path) -> None:
    answer = run(BASH, "-n", path)
    assert (answer.returncode, answer.stderr) == (0, "")


@pytest.mark.parametrize("path", SHELL_FILES, ids=lambda path: path.name)
def test_shellcheck_finds_nothing(path: Path) -> None:
    answer = run(Path(sys.executable).with_name("shellcheck"), "--external-sources", path)
    assert (answer.returncode, answer.stdout) == (0, "")


@pytest.mark.parametrize(
    "path", [path for path in SHELL_FILES if path.name != "common.sh"], ids=lambda path: path.name
)
def test_it_stops_at_the_first_thing_that_fails(path: Path) -> None:
    assert "set -euo pipefail" in path.read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("path", SHELL_FILES, ids=lambda path: path.name)
def test_it_names_no_place_of_one_machine_only(path: Path) -> None:
    found = re.findall(r"(?<![\w.$}\"])/(?:work|root|home|opt)/\S*", path.read_text(encoding="utf-8"))
    assert found == []


def test_without_root_and_sudo_the_command_to_run_is_named(bare: Path) -> None:
    answer = need(bare, "libpango-1.0-0", "poppler-utils")
    assert answer.returncode == 1
    assert "went on" not in answer.stdout
    assert answer.stderr.splitlines() == [
        "Some Debian packages are missing (the job card). Run this as root, then try again: "
        "apt-get update && apt-get install -y --no-install-recommends libpango-1.0-0 poppler-utils"
    ]
    assert not (bare / "asked").exists()


def test_what_is_installed_already_is_not_asked_for(bare: Path) -> None:
    put_tool(bare, "dpkg-query", "printf installed")
    answer = need(bare, "libpango-1.0-0")
    assert (answer.returncode, answer.stdout, answer.stderr) == (0, "went on\n", "")


def test_with_sudo_only_what_is_missing_is_installed(bare: Path) -> None:
    put_tool(bare, "sudo", '[ "$1" = -n ] && shift; exec "$@"')
    put_tool(bare, "dpkg-query", 'case "$*" in *libpango*) printf installed ;; *) exit 1 ;; esac')
    answer = need(bare, "libpango-1.0-0", "poppler-utils")
    assert answer.returncode == 0, answer.stderr
    asked = (bare / "asked").read_text(encoding="utf-8").splitlines()
    assert asked[0].endswith("update")
    assert asked[1].endswith("install poppler-utils")


def test_root_needs_no_sudo(bare: Path) -> None:
    put_tool(bare, "id", "echo 0")
    answer = need(bare, "poppler-utils")
    assert answer.returncode == 0, answer.stderr
    assert (bare / "asked").read_text(encoding="utf-8").count("install poppler-utils") == 1


def test_a_refused_install_names_the_command_and_the_reason(bare: Path) -> None:
    put_tool(bare, "id", "echo 0")
    put_tool(bare, "apt-get", '[[ $* == *update* ]] || { echo "E: Unable to locate package"; exit 100; }')
    answer = need(bare, "poppler-utils")
    assert answer.returncode == 1
    assert "E: Unable to locate package" in answer.stderr
    assert "apt-get install -y --no-install-recommends poppler-utils" in answer.stderr.splitlines()[-1]
    assert not (ROOT / ".apt.log").exists()


def test_an_old_python_is_refused_in_one_sentence(bare: Path) -> None:
    put_tool(bare, "python3", '[ "$1" = --version ] && echo "Python 3.9.2"; [ "$1" = --version ]')
    answer = run(BASH, SCRIPTS / "demo.sh", env={"PATH": str(bare)})
    assert answer.returncode == 1
    assert answer.stdout == ""
    assert answer.stderr.splitlines() == [
        "Midflank needs Python 3.11 or newer; found Python 3.9.2. "
        "Install one and name it, for example: make demo PYTHON=/usr/local/bin/python3.12"
    ]


def test_a_port_in_use_is_told_before_anything_is_set_up(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        data, venv = tmp_path / "data", tmp_path / "venv"
        names = {"PORT": str(port), "MIDFLANK_DATA": str(data), "MIDFLANK_VENV": str(venv)}
        answer = run(BASH, SCRIPTS / "demo.sh", env={**os.environ, **names})
    assert answer.returncode == 1
    assert answer.stderr.splitlines() == [
        f"Port {port} of 127.0.0.1 is not to be had: something else listens there. "
        "Choose another: make demo PORT=8001"
    ]
    assert not data.exists()
    assert not venv.exists()


def test_ending_a_group_ends_the_children_too(tmp_path: Path) -> None:
    note = tmp_path / "child"
    script = (
        f'set -euo pipefail; . "{SCRIPTS}/common.sh"; '
        f"setsid bash -c 'sleep 300 & echo $! >{note}; wait' & leader=$!; "
        f"until [ -s {note} ]; do sleep 0.05; done; end_group $leader; echo ended"
    )
    answer = run(BASH, "-c", script)
    assert answer.stdout == "ended\n", answer.stderr
    child = int(note.read_text(encoding="ascii"))
    status = Path(f"/proc/{child}/stat")
    assert not status.exists() or status.read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] == "Z"
