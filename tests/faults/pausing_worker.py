"""A worker that stands still at a named point of its work, so that a test can kill it exactly there.

    python tests/faults/pausing_worker.py POINT FOLDER embedded
    python tests/faults/pausing_worker.py POINT FOLDER celery …arguments of `celery worker`…

The worker is the real one, with one function of it wrapped: on reaching the point the process leaves its id in
FOLDER/paused and waits until it is killed.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

# What is wrapped, and whether the pause comes before it or after it.
POINTS = {
    "analysing": ("analysis", "analyse", "before"),
    "analysis written, not committed": ("jobs.orders.tasks", "_write", "after"),
    "drawing": ("jobs.signoffs.card.rendering", "render", "before"),
    "signed, not filed": ("jobs.signoffs.filing", "file_card", "before"),
    "filed, not recorded": ("jobs.signoffs.filing", "file_card", "after"),
    "card recorded, not committed": ("jobs.signoffs.tasks", "_record", "after"),
    "planning": ("jobs.planning.making", "alternatives", "before"),
    "plans written, not committed": ("jobs.planning.tasks", "_write", "after"),
    "committed": ("jobs.errands.work", "run", "after"),
}


def pause(folder: Path) -> None:
    marker = folder / "paused"
    if marker.exists():
        return  # the child that Celery starts in place of the one that was killed works on
    incoming = folder / "paused.incoming"
    incoming.write_text(str(os.getpid()))
    incoming.rename(marker)
    while True:
        time.sleep(60)


def install(point: str, folder: Path) -> None:
    module_name, name, when = POINTS[point]
    module = import_module(module_name)
    original: Callable[..., Any] = getattr(module, name)

    def wrapped(*args: Any, **kwargs: Any) -> Any:
        if when == "before":
            pause(folder)
        result = original(*args, **kwargs)
        pause(folder)
        return result

    setattr(module, name, wrapped)


def main() -> None:
    point, folder, kind, *arguments = sys.argv[1:]
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    import django

    django.setup()
    install(point, Path(folder))
    if kind == "embedded":
        from django.core.management import call_command

        call_command("errands_worker")
    else:
        from shopapp.celery import app

        app.worker_main(["worker", *arguments])


if __name__ == "__main__":
    main()
