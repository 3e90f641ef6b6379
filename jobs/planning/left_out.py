"""Orders that a plan leaves out, in the words of the shop: why, what would give them a place, and every fact of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

from jobs.planning.wording import said

Json = Mapping[str, Any]
TOLD_IN_THE_SENTENCE = 3  # facts of one kind; when there are more, the list of all of them unfolds


@dataclass(frozen=True)
class LeftOut:
    """`why` is a sentence, `ways_out` are changes each of which would do, `facts` are all of them, or none.

    Orders of which the same is to be said stand together: `orders` are their numbers, `names` what they are called.
    """

    orders: tuple[str, ...]
    names: tuple[str, ...]
    why: str
    ways_out: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()


def left_out(plan: Json, names: Mapping[str, str], zone: ZoneInfo) -> list[LeftOut]:
    """The orders of a plan's JSON that have no place in it, those together of which the same is said."""
    conflicts = {one["sentence"]: one for one in plan["conflicts"]}
    return together(_left_out(entry, conflicts, names, zone) for entry in plan["unscheduled"])


def together(found: Iterable[LeftOut]) -> list[LeftOut]:
    """One for all of which the same is said, where the first of them stands."""
    groups: dict[tuple[object, ...], LeftOut] = {}
    for one in found:
        key = (one.why, one.ways_out, one.facts)
        other = groups.get(key)
        if other is not None:
            one = replace(other, orders=other.orders + one.orders, names=other.names + one.names)
        groups[key] = one
    return list(groups.values())


def _left_out(entry: Json, conflicts: Mapping[str, Json], names: Mapping[str, str], zone: ZoneInfo) -> LeftOut:
    named = conflicts.get(entry["reason"], {}).get("named", [])
    kinds = [one["kind"] for one in named]
    every = any(kinds.count(kind) > TOLD_IN_THE_SENTENCE for kind in kinds)
    name, own = names.get(entry["order"], entry["order"]), f"{entry['order']}/"
    # The order is named already: its operations need not bear its name each time.
    short = {key: words.removesuffix(f" of {name}") if key.startswith(own) else words for key, words in names.items()}
    return LeftOut(
        (entry["order"],),
        (name,),
        said(entry["reason"], short, zone),
        tuple(said(one["sentence"], short, zone) for one in entry.get("remedies", ())),
        tuple(said(one["sentence"], short, zone) for one in named) if every else (),
    )


def clashes(plan: Json, names: Mapping[str, str], zone: ZoneInfo) -> list[str]:
    """The facts that clash and leave no order out."""
    reasons = {one["reason"] for one in plan["unscheduled"]}
    return [said(one["sentence"], names, zone) for one in plan["conflicts"] if one["sentence"] not in reasons]
