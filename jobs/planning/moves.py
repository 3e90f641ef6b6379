"""What a plan moves and why, order by order: operations that move for the same reason stand together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from jobs.planning.wording import moment, said

Json = Mapping[str, Any]
# Of several operations, where the sentence of each names nothing but itself or the one before it.
TOGETHER = {
    "waits": "Each waits for what comes before it in its order.",
    "better": "Nothing by itself kept any of them from staying as they were; the plan as a whole is better so.",
    "awaited": "Each is waited for by what comes after it in its order, which starts sooner now.",
    "needs": "What they need is not what the plan in force has for them.",
    "pin": "They are pinned.",
}
SAME_AFTER = {"taken": ": ", "absent": ": ", "unfit": ": ", "follows": " follows "}  # behind it the reasons are alike


@dataclass
class Reason:
    """`why` operations of an order move, and what of them moves: `lines` are operations with one and the same move."""

    why: str
    lines: list[tuple[str, str]] = field(default_factory=list)


@dataclass
class OrderMoves:
    """What moves of one order, reason by reason."""

    name: str
    reasons: list[Reason] = field(default_factory=list)


def moves(made: Json, previous: Json, names: Mapping[str, str], zone: ZoneInfo) -> list[OrderMoves]:
    """The moves of a plan's JSON against the plan before it, in the order in which they stand there."""
    orders: dict[str, dict[tuple[str, str], list[Json]]] = {}
    for one in made["moved"]:
        order = one["operation"].partition("/")[0]
        orders.setdefault(order, {}).setdefault(_kind(one), []).append(one)
    found = []
    for order, reasons in orders.items():
        name, own = names.get(order, order), f"{order}/"
        # The order is named already: its operations need not bear its name each time.
        short = {
            key: words.removesuffix(f" of {name}") if key.startswith(own) else words for key, words in names.items()
        }
        told = OrderMoves(name)
        for alike in reasons.values():
            told.reasons.append(Reason(said(_why(alike), short, zone), _lines(alike, made, previous, short, zone)))
        found.append(told)
    return found


def _kind(one: Json) -> tuple[str, str]:
    """What operations that move for the same reason have in common: its class, and what the sentence says of it."""
    cause = str(one.get("class", ""))
    if cause in TOGETHER:
        return cause, ""
    _, _, rest = one["reason"].partition(SAME_AFTER.get(cause, "\n"))
    return cause, rest or one["reason"]


def _why(alike: list[Json]) -> str:
    """One sentence for all of them."""
    cause, same = _kind(alike[0])
    if len(alike) == 1:
        return str(alike[0]["reason"])
    return TOGETHER.get(cause) or (f"They follow {same}" if cause == "follows" else same)


def _lines(
    alike: list[Json], made: Json, previous: Json, names: Mapping[str, str], zone: ZoneInfo
) -> list[tuple[str, str]]:
    """Each move with the operations that make it."""
    found: dict[str, list[str]] = {}
    for one in alike:
        key = one["operation"]
        move = _move(previous[key], made["bookings"][key], names, zone)
        found.setdefault(move, []).append(names.get(key, key))
    return [(_first(", ".join(operations)), move) for move, operations in found.items()]


def _move(before: Json, after: Json, names: Mapping[str, str], zone: ZoneInfo) -> str:
    """From where to where, leaving out what stays."""
    parts = []
    start, then = datetime.fromisoformat(before["start"]), datetime.fromisoformat(after["start"])
    if start != then:
        parts.append(f"from {moment(start, zone)} to {moment(then, zone)}")
    gone = [one for one in before["resources"] if one not in after["resources"]]
    come = [one for one in after["resources"] if one not in before["resources"]]
    if gone or come:
        old, new = (", ".join(names.get(one, one) for one in some) for some in (gone, come))
        parts.append(f"{old} → {new}")
    return "; ".join(parts)


def _first(name: str) -> str:
    return name[:1].upper() + name[1:]
