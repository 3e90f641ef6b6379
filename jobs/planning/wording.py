"""Sentences of the planner, which name ids and UTC instants, in the words and the time of the shop."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:\d\d)")
_IN_UTC = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d:\d\d) UTC")  # so the checker writes them
_SAME_DAY = re.compile(r"(\w{3} \d{4}-\d\d-\d\d) (\d\d:\d\d) to \1 (\d\d:\d\d)")
_OWN_ORDER = re.compile(r"( of ([^.,;:]+?)) of order \2(?!\w)")  # an operation's words name its unit already
_TOKEN = re.compile(r"[A-Za-z0-9][\w:/-]*[\w]|\w")


def said(sentence: str, names: Mapping[str, str], zone: ZoneInfo) -> str:
    """The sentence with each id of `names` replaced by its words and each instant by the shop's own day and time.

    An operation's words begin small; a sentence that begins with them does not.
    """
    timed = _IN_UTC.sub(r"\1T\2Z", sentence)
    timed = _INSTANT.sub(lambda found: moment(datetime.fromisoformat(found[0]), zone), timed)
    timed = _SAME_DAY.sub(r"\1 \2 to \3", timed)
    worded = _TOKEN.sub(lambda found: names.get(found[0], found[0]), timed)
    worded = _OWN_ORDER.sub(r"\1", worded)
    return worded[:1].upper() + worded[1:]


def moment(at: datetime, zone: ZoneInfo) -> str:
    """An instant on the shop's clock, such as Thu 2026-12-03 14:00."""
    local = at.astimezone(zone)
    return f"{local:%a %Y-%m-%d %H:%M}"


def length(minutes: float) -> str:
    """A length of time in hours and minutes, such as 1 h 20 min."""
    whole = round(abs(minutes))
    hours, rest = divmod(whole, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"
