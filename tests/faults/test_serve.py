"""`manage.py serve`: one tree of processes that mends itself and leaves nothing behind."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from jobs.errands.models import Errand
from jobs.orders.models import Analysis, Trace
from tests.faults.processes import Processes, children_of, is_alive, kill

pytestmark = [pytest.mark.faults, pytest.mark.slow]


@pytest.fixture
def port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        opener.open(f"http://127.0.0.1:{port}/no-such-page/", timeout=5)
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True


def listens(port: int) -> bool:
    with socket.socket() as caller:
        return caller.connect_ex(("127.0.0.1", port)) == 0


Served = tuple[subprocess.Popen[bytes], int, int]


@pytest.fixture
def served(processes: Processes, port: int) -> Served:
    """A running `serve` with its worker: the process, the web server's id, the worker's id."""
    static = processes.floor.folder / "static"
    static.mkdir()
    serve = processes.start(
        "manage.py", "serve", "--worker", "yes", PORT=str(port), MIDFLANK_STATIC=str(static), MIDFLANK_WEB_WORKERS="1"
    )
    processes.wait_for(lambda: answers(port), "the web server answers")
    web, worker = sorted(children_of(serve.pid), key=lambda pid: "errands_worker" in command_of(pid))
    return serve, web, worker


def command_of(pid: int) -> str:
    return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")


def test_it_does_errands_and_starts_a_worker_that_died_again(
    processes: Processes, served: Served, hand_in: Callable[[int], Trace]
) -> None:
    serve, _, worker = served
    hand_in(1)
    processes.wait_for(lambda: Analysis.objects.count() == 1, "the first trace is analysed")
    kill(worker)
    hand_in(2)
    processes.wait_for(lambda: Analysis.objects.count() == 2, "a new worker analyses the second")
    assert worker not in children_of(serve.pid)
    assert len(children_of(serve.pid)) == 2
    assert not Errand.objects.exclude(state="done").exists()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_told_to_stop_it_ends_everything_and_well(
    processes: Processes, served: Served, port: int, number: signal.Signals
) -> None:
    serve, web, worker = served
    below = [*children_of(web), web, worker]
    serve.send_signal(number)
    assert serve.wait(timeout=40) == 0
    assert [pid for pid in below if is_alive(pid)] == []
    assert not listens(port)


def test_killed_it_leaves_no_orphan_and_frees_its_port(processes: Processes, served: Served, port: int) -> None:
    serve, web, worker = served
    below = [*children_of(web), web, worker]
    kill(serve.pid)
    processes.wait_for(lambda: not any(is_alive(pid) for pid in below), "its children end too", patience_s=40)
    assert not listens(port)


def test_without_its_web_server_it_ends_with_an_error(processes: Processes, served: Served) -> None:
    serve, web, worker = served
    os.kill(web, signal.SIGTERM)
    assert serve.wait(timeout=40) == 1
    assert not is_alive(worker)
    assert "The web server ended" in processes.log.read_text()


def test_on_a_taken_port_it_says_so_and_ends(processes: Processes, port: int) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        serve = processes.start("manage.py", "serve", PORT=str(port))
        assert serve.wait(timeout=60) == 1
    assert f"127.0.0.1:{port}" in processes.log.read_text().replace("('127.0.0.1', ", "127.0.0.1:").replace(")", "")
