"""The board as its page draws it: rows, bars and orders, with instants as minutes since 1970 (UTC)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

from jobs.planning.board import Board
from jobs.planning.clashes import Judge
from jobs.planning.gathering import ShopFacts
from jobs.planning.left_out import LeftOut, clashes, left_out, together

Json = dict[str, Any]
NEW = "Requested since the plan in force was made."
ROWS = ("bay", "crane", "person", "instrument")


def minutes(at: datetime | str) -> int:
    """Minutes since 1970-01-01 UTC."""
    instant = datetime.fromisoformat(at) if isinstance(at, str) else at
    return int(instant.timestamp() // 60)


def instant(value: int) -> datetime:
    """The instant of so many minutes since 1970; raises ValueError beyond what a calendar has."""
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(minutes=value)
    except OverflowError as error:
        raise ValueError("no such instant") from error


def drawn(board: Board, facts: ShopFacts) -> Json:
    """Everything the page of the board needs; `shown` is the stretch of time that it spans."""
    begin, end = _stretch(board)
    judge = Judge(board, board.stands)
    version = facts.in_force
    pks = {one.number: one.pk for one in facts.orders}
    return {
        "mark": facts.board,
        "version": version.version if version is not None else None,
        "now": minutes(board.now),
        "grid": int(board.grid.total_seconds() // 60),
        "zone": facts.shop.time_zone,
        "from": begin,
        "to": end,
        "rows": [_row(board, one, begin, end) for kind in ROWS for one in board.resources.values()
                 if one["kind"] == kind],
        "bars": [_bar(board, judge, key) for key in board.stands],
        "orders": {key: _order(board, judge, key, pks[key]) for key in board.orders},
        "conflicts": clashes(version.plan, board.names, board.zone) if version is not None else [],
        "left_out": [_linked(one, pks) for one in (*_left_out(board, version), *_held(facts))],
    }  # fmt: skip


def _stretch(board: Board) -> tuple[int, int]:
    """From the midnight before the earliest to the one after the last, at least two weeks."""
    starts = [one.start for one in board.stands.values()] + [board.now]
    ends = [one.end for one in board.stands.values()] + [board.now + timedelta(days=14)]
    first = min(starts).astimezone(board.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    last = max(ends).astimezone(board.zone).replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=2)
    return minutes(first), minutes(last)


def _row(board: Board, resource: Json, begin: int, end: int) -> Json:
    """A line of the board, with the stretches in which nobody is there."""
    closed: list[tuple[int, int]] = []
    if "calendar" in resource:
        at = begin
        for since, until in board.calendars[resource["calendar"]]:
            low, high = minutes(since), minutes(until)
            if high <= begin or end <= low:
                continue
            if at < low:
                closed.append((at, low))
            at = max(at, high)
        if at < end:
            closed.append((at, end))
    usable = resource.get("usable_until")
    if usable is not None and minutes(usable) < end:
        closed.append((max(begin, minutes(usable)), end))
    return {
        "id": resource["id"],
        "kind": resource["kind"],
        "name": board.called(resource["id"]),
        "skills": [board.called(one) for one in resource.get("skills") or ()],
        "closed": closed,
    }


def _bar(board: Board, judge: Judge, key: str) -> Json:
    work, stands = board.work[key], board.stands[key]
    return {
        "id": key,
        "order": work.order,
        "name": board.called(key).rpartition(" of ")[0],
        "start": minutes(stands.start),
        "end": minutes(stands.end),
        "minutes": work.minutes,
        "resources": list(stands.resources),
        "state": work.state,
        "pinned": bool(work.pin),
        "keeps": [one for one in stands.resources if board.keeps(work, one)],
        "clashes": judge.clashes(key),
        "seen": stands.to_json(),
    }


def _order(board: Board, judge: Judge, key: str, pk: int) -> Json:
    order = board.orders[key]
    end = judge.order_end(key, board.stands)
    limits = {name: minutes(order[name]) for name in ("due", "promise") if order.get(name)}
    late = end is not None and any(minutes(end) > limit for limit in limits.values())
    return {
        "name": board.called(key),
        "number": key,
        "pk": pk,
        "end": minutes(end) if end is not None else None,
        "late": late,
        "placed": end is not None,
        **limits,
    }


def _linked(one: LeftOut, pks: Mapping[str, int]) -> Json:
    """With what each order is called and its key, for the ways on from its name."""
    ways_on = [(name, pks[key]) for name, key in zip(one.names, one.orders, strict=True)]
    return {**asdict(one), "new": one.why == NEW, "ways_on": ways_on}


def _left_out(board: Board, version: Any) -> list[LeftOut]:
    """Open orders without a place on the board, with why and what would give them one, where the plan knows."""
    placed = {board.work[key].order for key in board.stands}
    open_orders = [key for key in board.orders if key not in placed]
    plan = version.plan if version is not None else {"unscheduled": [], "conflicts": []}
    unscheduled = [one for one in plan["unscheduled"] if one["order"] in open_orders]
    told = left_out({**plan, "unscheduled": unscheduled}, board.names, board.zone)
    known = {number for one in told for number in one.orders}
    new = [LeftOut((key,), (board.called(key),), NEW)
           for key in open_orders if key not in known]  # fmt: skip
    return [*told, *together(new)]


def _held(facts: ShopFacts) -> list[LeftOut]:
    """Orders that nobody plans while they are held; one in work keeps its bay, which else seems closed for nothing."""
    return [
        LeftOut(
            (one.number,),
            (f"{one.unit} ({one.number})",),
            f"Held: {one.held_reason.rstrip('.')}."
            + (f" It keeps {one.bay} until it goes on." if one.started_at and one.bay else ""),
        )
        for one in facts.orders
        if one.held
    ]
