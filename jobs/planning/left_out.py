"""Orders that a plan leaves out, in the words of the shop: why, what would give them a place, and every fact of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from jobs.planning.wording import said

Json = Mapping[str, Any]
TOLD_IN_THE_SENTENCE = 3  # facts of one kind; when there are more, the list of all of them unfolds


@dataclass(frozen=True)
class LeftOut:
    """`why` is a sentence, `ways_out` are changes each of which would do, `facts` are all of them, or none."""

    order: str
    name: str
    why: str
    ways_out: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()


def left_out(plan: Json, names: Mapping[str, str], zone: ZoneInfo) -> Iterator[LeftOut]:
    """Each order of a plan's JSON that has no place in it."""
    conflicts = {one["sentence"]: one for one in plan["conflicts"]}
    for entry in plan["unscheduled"]:
        named = conflicts.get(entry["reason"], {}).get("named", [])
        kinds = [one["kind"] for one in named]
        every = any(kinds.count(kind) > TOLD_IN_THE_SENTENCE for kind in kinds)
        yield LeftOut(
            entry["order"],
            names.get(entry["order"], entry["order"]),
            said(entry["reason"], names, zone),
            tuple(said(one["sentence"], names, zone) for one in entry.get("remedies", ())),
            tuple(said(one["sentence"], names, zone) for one in named) if every else (),
        )


def clashes(plan: Json, names: Mapping[str, str], zone: ZoneInfo) -> list[str]:
    """The facts that clash and leave no order out."""
    reasons = {one["reason"] for one in plan["unscheduled"]}
    return [said(one["sentence"], names, zone) for one in plan["conflicts"] if one["sentence"] not in reasons]
