"""What several rules say in the same words."""

from __future__ import annotations

from collections.abc import Iterable

from jobs.errors import Reason
from jobs.orders.models import WorkOrder

State = WorkOrder.State
LONGEST_TEXT = 2000


def state_label(state: str) -> str:
    return State(state).label


def listed(things: Iterable[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    names = list(things)
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def why_not_state(
    number: str, state: str, allowed: Iterable[str], doing: str, *, held_reason: str = ""
) -> list[Reason]:
    """The one reason when an order is in the wrong state for what is being done."""
    wanted = list(allowed)
    if state in wanted:
        return []
    if state == State.HELD and held_reason:
        sentence = f"{number} is held ({held_reason}). Let it go on before you {doing}."
        return [Reason("held", sentence)]
    alternatives = " or ".join(state_label(one) for one in wanted)
    sentence = f"{number} is {state_label(state)}. You can {doing} only while it is {alternatives}."
    return [Reason("wrong-state", sentence)]


def why_not_text(text: str, field: str, sentence: str, *, longest: int = LONGEST_TEXT) -> list[Reason]:
    """Why a reason or note that must be given cannot be taken."""
    if not text.strip():
        return [Reason("missing", sentence, field)]
    if len(text) > longest:
        return [Reason("too-long", f"This is longer than {longest} characters.", field)]
    return []


def why_not_stale(number: str, revision: int, seen: int | None) -> list[Reason]:
    """Somebody changed the order after the page was read: nobody overwrites what they have not seen."""
    if seen is None or seen == revision:
        return []
    return [Reason("changed-meanwhile", f"{number} was changed meanwhile. Look at it again before you go on.")]
