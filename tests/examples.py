"""How many examples hypothesis tries, and that the same ones are tried each time.

`MIDFLANK_EXAMPLES=thorough` looks for new ones, twenty times as many; the usual run is the same on every machine.
`few` is for the second of two runs, on another database: what numerics make of many the first one has shown.
"""

from __future__ import annotations

import os

from hypothesis import settings

USUAL = 100
TIMES_WHEN_THOROUGH = 20
SHARE_WHEN_FEW = 0.25

settings.register_profile("usual", max_examples=USUAL, derandomize=True, deadline=None, print_blob=True)
settings.register_profile("thorough", max_examples=TIMES_WHEN_THOROUGH * USUAL, deadline=None, print_blob=True)
settings.register_profile("few", max_examples=round(SHARE_WHEN_FEW * USUAL), derandomize=True, deadline=None,
                          print_blob=True)
PROFILE = os.environ.get("MIDFLANK_EXAMPLES", "usual")


def examples(usual: int) -> int:
    """The number of examples of a test whose every example costs more, or less, than most."""
    return round(usual * {"thorough": TIMES_WHEN_THOROUGH, "few": SHARE_WHEN_FEW}.get(PROFILE, 1))
