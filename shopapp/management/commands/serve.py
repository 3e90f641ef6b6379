"""The embedded default in one process tree: web server and worker, ended together."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from argparse import ArgumentParser
from dataclasses import dataclass, field
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

LOOK_EVERY_S = 0.2
CALM_S = 60.0
LONGEST_PAUSE_S = 30.0
GRACE_S = 25.0


@dataclass
class Child:
    """A process that is started again when it ends by itself, after a pause that doubles while it keeps ending."""

    name: str
    command: list[str]
    env: dict[str, str]
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0.0
    start_after: float = 0.0
    pause_s: float = field(default=0.5)

    def start(self) -> None:
        self.process = subprocess.Popen(self.command, env=self.env, stdin=subprocess.DEVNULL)
        self.started_at = time.monotonic()

    def has_ended(self) -> bool:
        return self.process is not None and self.process.poll() is not None

    def lie_down(self) -> None:
        """Note the end, and when to start it again."""
        now = time.monotonic()
        calm = now - self.started_at > CALM_S
        self.pause_s = 0.5 if calm else min(self.pause_s * 2, LONGEST_PAUSE_S)
        self.start_after, self.process = now + self.pause_s, None

    def end(self, until: float) -> None:
        """SIGTERM, then SIGKILL when the time is over."""
        if self.process is None:
            return
        try:
            self.process.wait(timeout=max(0.1, until - time.monotonic()))
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


class Command(BaseCommand):
    help = "Serve the pages with gunicorn, and do errands in one worker beside it, until told to stop."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--worker",
            choices=["auto", "yes", "no"],
            default="auto",
            help="start the worker beside the web server; auto: unless REDIS_URL names a broker for Celery workers",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        wanted = options["worker"]
        self.stopping = False
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._stop)
        env = {**os.environ, "MIDFLANK_SERVED_BY": str(os.getpid())}
        python = [sys.executable, "-u"]
        web = Child("web", [*python, "-m", "gunicorn", "--config", "python:shopapp.gunicorn_conf"], env)
        # Django's checks were made for this command already; the worker needs none of what they load.
        does_errands = ["manage.py", "errands_worker", "--skip-checks", "--with-parent", str(os.getpid())]
        worker = Child("worker", [*python, *does_errands], env)
        with_worker = wanted == "yes" or (wanted == "auto" and not settings.REDIS_URL)
        os.chdir(settings.BASE_DIR)
        web.start()
        if with_worker:
            worker.start()
        try:
            self._watch(web, worker if with_worker else None)
        finally:
            self._end(web, worker)

    def _watch(self, web: Child, worker: Child | None) -> None:
        """Until told to stop: a worker that died is started again; without the web server there is no use."""
        while not self.stopping:
            if web.has_ended():
                assert web.process is not None
                raise CommandError(f"The web server ended with status {web.process.returncode}.")
            if worker is not None:
                self._revive(worker)
            time.sleep(LOOK_EVERY_S)

    def _revive(self, child: Child) -> None:
        if child.has_ended():
            assert child.process is not None
            self.stderr.write(f"The {child.name} ended with status {child.process.returncode}; it is started again.")
            child.lie_down()
        elif child.process is None and time.monotonic() >= child.start_after:
            child.start()

    def _end(self, *children: Child) -> None:
        for child in children:
            if child.process is not None and child.process.poll() is None:
                child.process.terminate()
        until = time.monotonic() + GRACE_S
        for child in children:
            child.end(until)

    def _stop(self, number: int, frame: FrameType | None) -> None:
        self.stopping = True
