"""What comes of work that should have begun and has not: everything keeps its turn and moves later by what it must."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from jobs.planning import clashes
from jobs.planning.board import MOST_CLASHES, Board, Effect, Stands
from jobs.planning.rules.plans import SLACK

if TYPE_CHECKING:
    from jobs.planning.board import Work


def carried_on(board: Board) -> Effect:
    """Where all work stands when what should have begun begins as soon as its people can from now on.

    People, instruments and turns stay as they are (right-shift repair): an operation starts no sooner than it stood,
    after what comes before it in its order, after all that those it needs had to do before it, in working time. What
    is pinned to a start stays there; that may clash, as may a qualification that ends before the later start.
    """
    carried = _Carried(board)
    for key in sorted(board.stands, key=lambda key: (board.stands[key].start, board.stands[key].end, key)):
        carried.lay(board.work[key])
    moved = {key: one for key, one in carried.stands.items() if one != board.stands[key]}
    judge = clashes.Judge(board, {**board.stands, **moved})
    found = dict.fromkeys(text for key in moved for text in judge.clashes(key))
    notes, late = [], False
    for order in dict.fromkeys(board.work[key].order for key in moved):
        told, over = judge.outcome(order)
        notes.append(" ".join(told))
        late = late or over
    return Effect(moved, tuple(found)[:MOST_CLASHES], tuple(notes), late)


class _Carried:
    """Lays operations in the order of their starts; `free` is when each resource has done what it had before."""

    def __init__(self, board: Board) -> None:
        self.board, self.stands = board, dict[str, Stands]()
        self.soonest = board.soonest()
        self.free: dict[str, tuple[datetime, str]] = {}
        self.ends: dict[str, datetime] = {}

    def lay(self, work: Work) -> None:
        stands = self.board.stands[work.id]
        self.stands[work.id] = stands = self._laid(work, stands)
        end = stands.end
        if work.state == "started":
            end = max(end, self.board.now + timedelta(minutes=work.left))
        self.ends[work.id] = end
        for key in self._turns(stands):
            until, _ = self.free.get(key, (end, ""))
            self.free[key] = max(end, until), work.order

    def _laid(self, work: Work, stands: Stands) -> Stands:
        if work.state != "planned" or work.pin.get("start"):
            return stands
        start = stands.start if stands.start >= self.board.now - SLACK else self.soonest
        if work.before in self.ends:
            start = max(start, self.ends[work.before])
        for key in self._turns(stands):
            until, order = self.free.get(key, (start, ""))
            if order != work.order or not self.board.keeps(work, key):
                start = max(start, until)
        if start == stands.start:
            return stands
        start = self.board.next_open(work, start, stands.resources)
        return Stands(start, self.board.end(work, start, stands.resources), stands.resources)

    def _turns(self, stands: Stands) -> list[str]:
        """The resources that serve one at a time."""
        return [key for key in stands.resources if self.board.resources.get(key, {}).get("capacity", 1) == 1]
