"""The operations of a work order: its procedure's steps, put together as far as one person does them in one go.

Steps that follow each other in one phase and ask for the same skill are one operation; a hold point is one of its
own, since another person does it. An operation's code is its phase (`as-found`), with a number where a phase comes
again after a hold point (`as-found-2`), and `-hold` for a hold point.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby

HOLD_POINT, TRACE = "hold-point", "trace"
LONGEST_IN_ONE_GO = 240  # minutes; what takes longer may stretch over the end of a shift


@dataclass(frozen=True)
class StepFacts:
    """One step as the procedure defines it and, once the order is released, how far it is."""

    position: int
    phase: str
    phase_title: str
    kind: str
    title: str
    skill: str
    minutes: int
    instrument_kinds: tuple[str, ...] = ()
    done: bool = False
    done_at: datetime | None = None


@dataclass(frozen=True)
class Operation:
    """What is planned in one piece. `state` is planned, started or done, from the steps it is made of.

    `crane` says that it needs one from its start to its end, as the shop has entered for the operation.
    """

    code: str
    title: str
    skill: str
    minutes: int
    second_person: bool
    instrument_kinds: tuple[str, ...]
    may_pause: bool
    positions: tuple[int, ...]
    state: str = "planned"
    started_at: datetime | None = None
    ended_at: datetime | None = None
    crane: bool = False


def of_steps(steps: Sequence[StepFacts], *, begun_at: datetime | None = None) -> list[Operation]:
    """The operations in their order; each waits for the one before.

    `begun_at` is when work on the order started, None before. An operation begins when the one before it ends. Only
    minutes of the steps count; a group that takes no time at all (a caution by itself) goes with the next.
    """
    found: list[Operation] = []
    used: dict[str, int] = {}
    waiting: list[StepFacts] = []
    for _, group in groupby(sorted(steps, key=lambda one: one.position), key=_kin):
        members = [*waiting, *group]
        waiting = []
        last = members[-1]
        if last.kind != HOLD_POINT and not any(one.minutes for one in members):
            waiting = members
            continue
        found.append(_operation(members, last, used))
    if waiting and found:
        found[-1] = replace(found[-1], positions=(*found[-1].positions, *(one.position for one in waiting)))
    return _timed(found, {one.position: one for one in steps}, begun_at)


def _kin(step: StepFacts) -> tuple[str, str, int]:
    return step.phase, step.skill, step.position if step.kind == HOLD_POINT else -1


def _operation(members: list[StepFacts], last: StepFacts, used: dict[str, int]) -> Operation:
    hold = last.kind == HOLD_POINT
    base = f"{last.phase}-hold" if hold else last.phase
    used[base] = used.get(base, 0) + 1
    code = base if used[base] == 1 else f"{base}-{used[base]}"
    minutes = sum(one.minutes for one in members)
    kinds = tuple(dict.fromkeys(kind for one in members for kind in one.instrument_kinds))
    records = any(one.kind == TRACE for one in members)
    title = last.title if hold else last.phase_title + (f", part {used[base]}" if used[base] > 1 else "")
    return Operation(code, title, last.skill, minutes, hold, kinds,
                     may_pause=minutes > LONGEST_IN_ONE_GO and not records,
                     positions=tuple(one.position for one in members))  # fmt: skip


def _timed(found: list[Operation], steps: dict[int, StepFacts], begun_at: datetime | None) -> list[Operation]:
    """Which are done and which is in hand. The first that is not done is in hand once a step of it is."""
    if begun_at is None:
        return found
    timed: list[Operation] = []
    before: datetime = begun_at
    for number, operation in enumerate(found):
        own = [steps[position] for position in operation.positions]
        ends = [one.done_at for one in own if one.done_at is not None]
        if all(one.done for one in own):
            end = max(ends, default=before)
            timed.append(replace(operation, state="done", started_at=min(before, end), ended_at=end))
            before = max(before, end)
        elif any(one.done for one in own) or number == 0:
            timed.append(replace(operation, state="started", started_at=before))
        else:
            timed.append(operation)
    return _in_turn(timed)


def _in_turn(operations: Iterable[Operation]) -> list[Operation]:
    """Only one is in hand: a step opened again in an earlier one takes the later ones back to planned.

    What was done after it is done again in the eyes of the plan only when its own steps are open again, so it stays.
    """
    found: list[Operation] = []
    in_hand = False
    for operation in operations:
        if operation.state == "started" and in_hand:
            operation = replace(operation, state="planned", started_at=None)
        in_hand = in_hand or operation.state == "started"
        found.append(operation)
    return found


def as_entered(
    found: Iterable[Operation], *, minutes: Mapping[str, int], cranes: Collection[str]
) -> tuple[Operation, ...]:
    """The operations as the shop plans with them: with its own minutes where it has some, and with the crane."""
    return tuple(
        replace(one, minutes=minutes.get(one.code, one.minutes), crane=one.code in cranes) for one in found
    )


def fitted_kinds(operations: Iterable[Operation]) -> frozenset[str]:
    """Kinds of instrument that more than one operation asks for: they stay on the engine from the first to the last."""
    seen: dict[str, int] = {}
    for operation in operations:
        for kind in operation.instrument_kinds:
            seen[kind] = seen.get(kind, 0) + 1
    return frozenset(kind for kind, times in seen.items() if times > 1)
