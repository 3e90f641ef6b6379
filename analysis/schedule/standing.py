"""A plan from bookings that somebody else made: a planner's hand on the board."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.schedule.fixed import fix
from analysis.schedule.model import Booking, Fact, LeftOut
from analysis.schedule.outcome import Json, Outcome, to_json
from analysis.schedule.problem import read
from analysis.schedule.values import Axis, ProblemRefused


def standing(problem: object, bookings: Mapping[str, Mapping[str, Any]]) -> Json:
    """The plan of the contract that these bookings are, with its figures, what it moves and why orders are late.

    Parameters
    ----------
    problem : dict
        The planning problem, as parsed. It is not changed.
    bookings : mapping
        Operation id → `start`, `end` (RFC 3339) and `resources` (ids in the order of the needs). Work that is done or
        in hand stands where the problem has it, whatever is given here; operations the problem does not have are
        passed over. An order of which an operation has no booking is left out, with the reason.

    Returns
    -------
    dict
        The plan, status `feasible`. Nothing is checked here: `analysis.schedule.check.check` does that.

    Raises
    ------
    ProblemRefused
        When the problem cannot be read, or a booking names a resource that it does not have.
    """
    known = read(problem)
    fixed = fix(known)
    axis = Axis(known.base)
    places = {resource.id: resource.index for resource in known.resources}
    found: dict[int, Booking] = {}
    for operation in known.operations:
        if operation.state != "planned":
            found[operation.index] = fixed.bookings[operation.index]
            continue
        given = bookings.get(operation.id)
        if given is None:
            continue
        where = f"bookings.{operation.id}"
        missing = [one for one in given["resources"] if one not in places]
        if missing:
            raise ProblemRefused(f"{operation.id} is booked with {missing[0]}, which does not exist.", where)
        resources = tuple(places[one] for one in given["resources"])
        found[operation.index] = Booking(axis.at(given["start"], where), axis.at(given["end"], where), resources)
    out = {entry.order for entry in known.left_out}
    for order in known.orders:
        lacking = [known.operations[index].id for index in order.operations if index not in found]
        if lacking and order.id not in out:
            facts = (Fact("order", order.id), Fact("operation", lacking[0]))
            known.left_out.append(LeftOut(order.id, f"{lacking[0]} has no place on the board.", facts))
            out.add(order.id)
        if order.id in out:
            for index in order.operations:
                found.pop(index, None)
    return to_json(Outcome(known, found, fixed.conflicts), bound=0.0, proven=False, seconds=0.0, seed=0,
                   solver="placed by hand")
