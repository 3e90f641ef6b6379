"""The embedded worker: claims errands straight from the database, without a broker."""

from __future__ import annotations

import signal
import time
from argparse import ArgumentParser
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import OperationalError, close_old_connections

from jobs.errands import work
from jobs.errands.parent import end_with_parent


class Command(BaseCommand):
    help = "Do errands one after another until told to stop."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--until-idle", action="store_true", help="stop when nothing is left to do")
        parser.add_argument("--with-parent", type=int, metavar="PID", help="stop once this parent process is gone")

    def handle(self, *args: Any, **options: Any) -> None:
        self.stopping = False
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._stop)
        if options["with_parent"]:
            end_with_parent(options["with_parent"])
        while not self.stopping:
            if not self._do_one():
                if options["until_idle"]:
                    return
                time.sleep(settings.ERRAND_POLL_S)

    def _do_one(self) -> bool:
        close_old_connections()
        try:
            held = work.claim_next()
        except OperationalError as error:
            self.stderr.write(f"the database did not answer: {error}")
            return False
        if held is None:
            return False
        work.run(held)
        return True

    def _stop(self, number: int, frame: FrameType | None) -> None:
        self.stopping = True
