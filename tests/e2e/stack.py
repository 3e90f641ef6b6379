"""The whole of Midflank as processes of its own, as a shop runs it: web, worker, and what the environment adds.

With `DATABASE_URL` and `REDIS_URL` set it is the production set (a database made for this run, Celery worker and
beat); without, the embedded default.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import dj_database_url

ROOT = Path(__file__).resolve().parents[2]


def collected() -> Path:
    """Where the static files lie once they are collected and compressed, named by all that goes into them."""
    sources = sorted(
        path for top in ("shopapp", "jobs") for path in (ROOT / top).rglob("static/**/*") if path.is_file()
    )
    found = hashlib.sha256()
    for path in (*sources, ROOT / "requirements.txt", ROOT / "shopapp" / "settings.py"):
        found.update(f"{path.relative_to(ROOT)}\0".encode() + hashlib.sha256(path.read_bytes()).digest())
    return ROOT / ".pytest_cache" / f"static-{found.hexdigest()[:16]}"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _with_children(pid: int) -> list[int]:
    """A process and everything it started that still runs (proc_pid_task(5))."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except FileNotFoundError:
        return []
    return [pid, *(found for child in children.split() for found in _with_children(int(child)))]


def _end_with_parent() -> None:
    """Be told to end when the run is killed before it can say so itself: PR_SET_PDEATHSIG of prctl(2)."""
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)


def _command_line(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text(errors="replace")
    except (FileNotFoundError, ProcessLookupError):
        return ""


class Stack:
    """Migrated, loaded with the invented railway, and serving on `url` until `stop`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.processes: list[subprocess.Popen[bytes]] = []
        self.database = ""
        self.env = {
            **os.environ,
            "MIDFLANK_DATA": str(folder / "data"),
            "MIDFLANK_STATIC": str(collected()),
            "MIDFLANK_LEASE_S": "6",
            "MIDFLANK_BEAT_S": "2",
            "MIDFLANK_POLL_S": "0.2",
            "MIDFLANK_PUBLIC_URL": self.url,
            "MIDFLANK_QUEUE": f"e2e-{self.port}",
            "PORT": str(self.port),
        }
        if os.environ.get("DATABASE_URL"):
            self._make_database()

    def _make_database(self) -> None:
        import psycopg

        given = dj_database_url.parse(os.environ["DATABASE_URL"])
        self.database = f"midflank_e2e_{os.getpid()}_{self.port}"
        self._admin = {
            "host": given["HOST"],
            "port": given["PORT"] or 5432,
            "user": given["USER"],
            "password": given["PASSWORD"],
            "dbname": "postgres",
        }
        with psycopg.connect(**self._admin, autocommit=True) as connection:
            connection.execute(f'CREATE DATABASE "{self.database}"')
        base, _, _ = os.environ["DATABASE_URL"].rpartition("/")
        self.env["DATABASE_URL"] = f"{base}/{self.database}"

    def manage(self, *arguments: str, timeout: float = 240) -> str:
        """Run a management command to its end and give its output; a failure tells what it printed."""
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=ROOT,
            env=self.env,
            capture_output=True,
            text=True,
            timeout=timeout,
            check=False,
        )
        assert done.returncode == 0, f"{arguments} ended with {done.returncode}:\n{done.stdout}\n{done.stderr}"
        return done.stdout

    def start(self) -> Stack:
        with self._static_files():
            self.manage("migrate", "-v0", "--skip-checks")  # `make lint` makes them once
            self.manage("load_demo", "--skip-checks")
        self.spawn(sys.executable, "manage.py", "serve")
        if self.env.get("REDIS_URL"):
            self.spawn(sys.executable, "-m", "celery", "-A", "shopapp", "worker", "-c", "1", "-l", "WARNING")
            schedule = str(self.folder / "beat-schedule")
            self.spawn(sys.executable, "-m", "celery", "-A", "shopapp", "beat", "-s", schedule, "-l", "WARNING")
        self._wait_until_it_answers()
        return self

    @contextmanager
    def _static_files(self) -> Iterator[None]:
        """Compressing them takes as long as all the rest and needs none of it; the next run finds them."""
        kept, incoming = collected(), self.folder / "static"
        if kept.exists():
            yield
            return
        collecting = self.spawn(
            sys.executable, "manage.py", "collectstatic", "--noinput", "-v0", MIDFLANK_STATIC=str(incoming)
        )
        yield
        assert collecting.wait(timeout=240) == 0, f"collectstatic ended with {collecting.returncode}:\n{self.logs()}"
        for other in kept.parent.glob("static-*"):
            shutil.rmtree(other, ignore_errors=True)
        kept.parent.mkdir(exist_ok=True)
        shutil.copytree(incoming, kept.with_suffix(".incoming"), dirs_exist_ok=True)
        kept.with_suffix(".incoming").rename(kept)

    def spawn(self, *command: str, **environ: str) -> subprocess.Popen[bytes]:
        with (self.folder / f"process-{len(self.processes)}.log").open("wb") as log:
            process = subprocess.Popen(
                command,
                cwd=ROOT,
                env={**self.env, **environ},
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                preexec_fn=_end_with_parent,
            )
        self.processes.append(process)
        return process

    def _wait_until_it_answers(self) -> None:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            try:
                with urllib.request.urlopen(f"{self.url}/sign-in/", timeout=5):
                    return
            except (urllib.error.URLError, ConnectionError, TimeoutError):
                time.sleep(0.2)
        raise AssertionError(f"nothing answered on {self.url}:\n{self.logs()}")

    @contextmanager
    def worker_frozen(self) -> Iterator[None]:
        """The processes that do errands stand still inside this block, wherever they are."""
        frozen = self._workers()
        assert frozen, f"no worker process was found:\n{self.logs()}"
        for _ in range(200):
            for pid in frozen:
                os.kill(pid, signal.SIGSTOP)
            if self._others_can_write():
                break
            for pid in frozen:
                os.kill(pid, signal.SIGCONT)
            time.sleep(0.002)
        try:
            yield
        finally:
            for pid in frozen:
                os.kill(pid, signal.SIGCONT)

    def _others_can_write(self) -> bool:
        """Whether what stands still does not hold SQLite's one write lock, which everybody else would wait for."""
        if self.database:
            return True
        with closing(sqlite3.connect(self.folder / "data" / "midflank.sqlite3", timeout=0.2)) as connection:
            try:
                connection.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError:
                return False
            connection.rollback()
        return True

    def _workers(self) -> list[int]:
        own = [process.pid for process in self.processes if process.poll() is None]
        named = ("errands_worker", "celery\0-A\0shopapp\0worker")
        return [
            pid
            for pid in (found for one in own for found in _with_children(one))
            if any(name in _command_line(pid) for name in named)
        ]

    def logs(self) -> str:
        return "\n".join(
            f"--- {path.name}\n{path.read_text(errors='replace')[-4000:]}" for path in self.folder.glob("*.log")
        )

    def stop(self) -> None:
        """End every process, gently for a moment: nothing here outlives the run."""
        for process in self.processes:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGTERM)
        for process in self.processes:
            try:
                process.wait(timeout=4)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait(timeout=10)
        if self.database:
            import psycopg

            with psycopg.connect(**self._admin, autocommit=True) as connection:
                connection.execute(f'DROP DATABASE IF EXISTS "{self.database}" WITH (FORCE)')
