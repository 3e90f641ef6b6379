"""Moves by hand: what can be taken as a move at all. What a move clashes with hinders nobody, it is said."""

from __future__ import annotations

from datetime import datetime, timedelta

from jobs.errors import Reason

LONGEST_MINUTES = 20 * 24 * 60
EARLIEST, LATEST = timedelta(days=31), timedelta(days=3 * 365)


def why_not_change(*, known: bool, state: str, stale: bool, called: str) -> list[Reason]:
    """`stale`: somebody else has changed the board since this person saw it, at the same operation."""
    if not known:
        return [Reason("not-on-board", f"{called} has no place on the board any longer. Load the board again.")]
    reasons = []
    if state == "started":
        reasons.append(Reason("in-hand", f"{called} is in hand and stays where it is. State what is left of it."))
    if stale:
        sentence = f"Somebody has moved {called} meanwhile. See where it stands now, then move it again."
        reasons.append(Reason("moved-meanwhile", sentence))
    return reasons


def why_not_minutes(minutes: int, *, moment: bool = False) -> list[Reason]:
    """`moment`: it may take no time at all, as a look at a hold point may; work does not."""
    least = 0 if moment else 1
    if least <= minutes <= LONGEST_MINUTES:
        return []
    what = f"{minutes} minutes is no length for an operation: {least} to {LONGEST_MINUTES}."
    return [Reason("minutes", what, "minutes")]


def why_not_crane(called: str, *, wanted: bool, has_one: bool) -> list[Reason]:
    """Work that needs a crane where there is none could never be planned."""
    if not wanted or has_one:
        return []
    return [Reason("no-crane", f"{called} cannot be planned with a crane: this shop has none. Add it first.", "crane")]


def why_not_start(start: datetime, *, now: datetime) -> list[Reason]:
    """A start that is over is a clash like others; one that nobody can mean is none to lay anything to."""
    if now - EARLIEST <= start <= now + LATEST:
        return []
    sentence = f"{start:%Y-%m-%d} is no day to plan for: at most a month back and three years ahead."
    return [Reason("start", sentence, "start")]


def why_not_swap(unknown: list[str]) -> list[Reason]:
    return [Reason("unknown-resource", f"{one} is nobody and nothing to plan with.", "resource") for one in unknown]


def why_not_begin_now(*, overdue: int, begun: int) -> list[Reason]:
    """`begun`: how many of what is overdue would begin now; what is pinned to its start would not."""
    if begun:
        return []
    if overdue:
        return [Reason("pinned", "What should have begun is pinned to its start. Let it go on the board first.")]
    return [Reason("nothing-overdue", "Nothing on the board should have begun by now. Load the page again.")]


def why_not_undo(*, any_standing: bool, others: str = "", called: str = "") -> list[Reason]:
    """`others`: the name of who made the last move, where that is not who would take it back unasked."""
    if not any_standing:
        return [Reason("nothing-to-undo", "No move by hand stands on the board since the plan was accepted.")]
    if others:
        sentence = f"The last move on the board is {others}'s: {called}. Undo once more to take it back all the same."
        return [Reason("not-yours", sentence)]
    return []


def why_not_publish(*, moves: int) -> list[Reason]:
    if moves:
        return []
    return [Reason("no-moves", "The board stands as the plan in force has it. Move something first.")]
