"""No orphans: a process that was started by another ends when that other is gone, however it went."""

from __future__ import annotations

import os
import signal
import threading

LOOK_EVERY_S = 0.5


def end_with_parent(parent: int) -> None:
    """Watch, from a thread of this process, and send it SIGTERM once `parent` is no longer its parent.

    A signal would do on Linux alone (PR_SET_PDEATHSIG); this works wherever there are parents.
    """

    def watch() -> None:
        wait = threading.Event()
        while os.getppid() == parent:
            wait.wait(LOOK_EVERY_S)
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, name=f"parent {parent}", daemon=True).start()
