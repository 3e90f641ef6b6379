"""Real worker processes on a test's floor: embedded, or Celery when REDIS_URL names a broker."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.floor import Floor

ROOT = Path(__file__).resolve().parents[2]
PAUSING = Path(__file__).with_name("pausing_worker.py")
# Short, so that what a dead worker left behind is found within a test's patience.
SHORT = {"MIDFLANK_LEASE_S": "3", "MIDFLANK_BEAT_S": "1", "MIDFLANK_POLL_S": "0.1", "MIDFLANK_LOG": "WARNING"}
# For a worker to be killed whole: the shorter its lease, the sooner what it left is found. Nobody else runs meanwhile.
DOOMED = {"MIDFLANK_LEASE_S": "1"}
# Django's checks load every address and take a quarter of a start; `make lint` makes them once.
UNCHECKED = {"CELERY_SKIP_CHECKS": "yes"}
CELERY_WORKER = ["--concurrency", "1", "--loglevel", "WARNING", "--without-gossip", "--without-mingle"]


class TookTooLong(AssertionError):
    """What a test waits for did not come about; carries what the processes wrote."""


@dataclass
class Processes:
    """Starts processes in sessions of their own and leaves none behind."""

    floor: Floor
    log: Path
    started: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def mode(self) -> str:
        return "celery" if os.environ.get("REDIS_URL") else "embedded"

    def start(self, *command: str | Path, **environ: str) -> subprocess.Popen[bytes]:
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, *command],
                env={**self.floor.environ, **SHORT, **UNCHECKED, **environ},
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self.started.append(process)
        return process

    def workers(self, number: int = 1) -> None:
        """What does errands in this mode: an embedded worker, or so many of Celery's, the first with the beat in it.

        The load of a start is what these tests take longest for, so a beat of its own is only where it has to be.
        """
        if self.mode == "embedded":
            self.start("manage.py", "errands_worker", "--skip-checks")
            return
        for one in range(number):
            name = f"plain{one}-{os.getpid()}@%h"
            beat = [] if one else ["--beat", "--schedule", self._beat_schedule()]
            self.start("-m", "celery", "-A", "shopapp", "worker", "--hostname", name, *CELERY_WORKER, *beat)

    def beat(self) -> None:
        """What wakes workers for work that was dropped; an embedded worker looks for itself."""
        if self.mode == "celery":
            schedule = self._beat_schedule()
            self.start("-m", "celery", "-A", "shopapp", "beat", "--schedule", schedule, "--loglevel", "WARNING")

    def _beat_schedule(self) -> str:
        return str(self.floor.folder / f"beat-{len(self.started)}")

    def pausing_worker(self, point: str, **environ: str) -> subprocess.Popen[bytes]:
        """One worker that stands still at the point; see `pausing_worker.py`."""
        arguments = [] if self.mode == "embedded" else ["--hostname", f"pausing-{os.getpid()}@%h", *CELERY_WORKER]
        return self.start(PAUSING, point, self.floor.folder, self.mode, *arguments, **environ)

    def wait_until_paused(self) -> int:
        """The id of the process that stands still."""
        marker = self.floor.folder / "paused"
        self.wait_for(marker.exists, "a worker stands at its point")
        return int(marker.read_text())

    def wait_for(self, condition: Callable[[], bool], what: str, *, patience_s: float = 90) -> None:
        until = time.monotonic() + patience_s
        while not condition():
            if time.monotonic() > until:
                written = self.log.read_text(errors="replace")[-3000:] if self.log.exists() else ""
                raise TookTooLong(f"Not within {patience_s:g} s: {what}. The processes wrote:\n{written}")
            time.sleep(0.1)

    def stop(self) -> None:
        for process in self.started:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


@contextlib.contextmanager
def processes_on(floor: Floor) -> Iterator[Processes]:
    running = Processes(floor, floor.folder / "processes.log")
    try:
        yield running
    finally:
        running.stop()


def kill(pid: int) -> None:
    os.kill(pid, signal.SIGKILL)


def is_alive(pid: int) -> bool:
    """Whether a process runs; a zombie, which nobody has waited for yet, does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def children_of(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(child) for child in found]
