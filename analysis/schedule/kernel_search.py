"""Compiled search: take a few jobs off the board, put them back in another order, keep what is better.

Simulated annealing over such steps; the temperature follows the number of the step, never a clock.
"""

from __future__ import annotations

from math import exp, log

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled, compiled_outer
from analysis.schedule.fields import FAR, Flags, Floats, Ints, Words
from analysis.schedule.kernel_choose import EJECTED, around, arrange, choose, draw, ends_by, later_start
from analysis.schedule.kernel_cost import place_as_before, place_job, remove_job, settle, total
from analysis.schedule.kernel_job import back_to_base, enter, enter_holds, hold_for
from analysis.schedule.kernel_operation import worked_until
from analysis.schedule.kernel_time import blocked_until

TRIES = 200  # placings of one job before it is put after all others
FEW_TRIES = 12  # the same in a search, which has other places to try


@compiled_outer
def decode(shop: Ints, board: Ints, rates: Floats, costs: Floats, sequence: Ints, keep: bool) -> int:
    """Place the jobs of a sequence one after the other; how many have no place."""
    lost = 0
    for job in sequence:
        if not place_job(shop, board, rates, costs, job, keep, True, -FAR, TRIES):
            lost += 1
    return lost


@compiled_outer
def dispatch(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, facts: Floats, scale: float, lanes: int, stretch: float
) -> int:
    """Place the waiting job with the highest apparent tardiness cost when the first lane is free; how many are lost.

    `facts` holds for each job its release, due date, weight, length of work, and whether it goes before all others.
    """
    jobs = shop[f.JOBS]
    waiting, lost = np.ones(jobs, np.bool_), 0
    for job in range(jobs):
        if facts[job, 4] > 0:
            waiting[job] = False
            lost += 0 if place_job(shop, board, rates, costs, job, False, True, -FAR, TRIES) else 1
    free = np.full(lanes, -1e18)
    for _ in range(jobs):
        soonest = 1e300
        for job in range(jobs):
            if waiting[job]:
                soonest = min(soonest, facts[job, 0])
        if soonest == 1e300:
            break
        lane = free.argmin()
        at, chosen, best, due = max(free[lane], soonest), -1, -1.0, 0.0
        for job in range(jobs):
            if waiting[job] and facts[job, 0] <= at:
                length = facts[job, 3] * stretch
                slack = max(0.0, facts[job, 1] - length - at)
                urgency = facts[job, 2] / length * exp(-slack / scale)
                # All urgencies may be zero (no weight, no due date in sight): then the earlier due date goes first.
                if urgency > best or (urgency == best and facts[job, 1] < due):
                    chosen, best, due = job, urgency, facts[job, 1]
        waiting[chosen] = False
        if place_job(shop, board, rates, costs, chosen, False, True, -FAR, TRIES):
            free[lane] = max(at, board[board[f.JOB_END] + chosen] * 1.0)
        else:
            lost += 1
    return lost


@compiled_outer
def decode_kept(shop: Ints, board: Ints, rates: Floats, costs: Floats, sequence: Ints, first: int) -> int:
    """Place the `first` jobs, then those that can stand as the plan in force has them, then the others.

    How many have no place.
    """
    for job in sequence[:first]:
        if not place_job(shop, board, rates, costs, job, True, False, -FAR, TRIES):
            place_job(shop, board, rates, costs, job, False, True, -FAR, TRIES)
    for job in sequence[first:]:
        place_as_before(shop, board, rates, costs, job)
    lost = 0
    for job in sequence:
        if not board[board[f.JOB_PLACED] + job]:
            lost += 0 if place_job(shop, board, rates, costs, job, True, False, -FAR, TRIES) else 1
    return lost


@compiled
def put_back(shop: Ints, board: Ints, rates: Floats, costs: Floats, job: int, kept: Ints, asking: bool) -> bool:
    """Place a job exactly as `kept` has it; if `asking`, only where nobody is in the way, else False."""
    first = shop[shop[f.JOB_PTR] + job]
    enter_holds(shop, board, job, True)
    for index in range(first, shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        if shop[shop[f.OP_FIXED] + operation]:
            continue
        copy_place(shop, kept, board, operation)
        free = not asking or is_free(shop, board, operation)
        if free:
            enter(shop, board, operation, False)
            hold_for(shop, board, operation)
        if not free or (asking and not holds_free(shop, board, operation)):
            for done in range(first, index + (1 if free else 0)):
                if not shop[shop[f.OP_FIXED] + shop[shop[f.JOB_OP] + done]]:
                    enter(shop, board, shop[shop[f.JOB_OP] + done], True)
            back_to_base(shop, board, job)
            enter_holds(shop, board, job, False)
            return False
    enter_holds(shop, board, job, False)
    settle(shop, board, rates, costs, job)
    return True


@compiled
def is_free(shop: Ints, board: Ints, operation: int) -> bool:
    """Whether nobody has what the operation takes for itself at the place it is to have."""
    start, end, mix = (
        board[board[f.OP_START] + operation],
        board[board[f.OP_END] + operation],
        board[board[f.OP_MIX] + operation],
    )
    calendar = shop[shop[f.MIX_CAL] + mix] if mix >= 0 and shop[shop[f.OP_RELEASE] + operation] else 0
    for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
        if shop[shop[f.SLOT_GROUP] + slot] < 0:
            resource, amount = board[board[f.PICK] + slot], shop[shop[f.SLOT_AMOUNT] + slot]
            if calendar > 0:
                if worked_until(shop, board, resource, calendar, start, end, amount) >= 0:
                    return False
            elif blocked_until(shop, board, resource, start, end, amount, 0) >= 0:
                return False
    return True


@compiled
def holds_free(shop: Ints, board: Ints, operation: int) -> bool:
    """Whether nobody has what the order keeps for this operation, as far as it goes now."""
    for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
        group = shop[shop[f.SLOT_GROUP] + slot]
        if group >= 0 and blocked_until(
            shop, board, board[board[f.PICK] + slot], board[board[f.GROUP_START] + group],
            board[board[f.GROUP_END] + group], shop[shop[f.GROUP_AMOUNT] + group], 0,
        ) >= 0:
            return False
    return True


@compiled
def copy_place(shop: Ints, source: Ints, target: Ints, operation: int) -> None:
    """Start, end, mix and picks of an operation from one board to another."""
    target[target[f.OP_START] + operation] = source[source[f.OP_START] + operation]
    target[target[f.OP_END] + operation] = source[source[f.OP_END] + operation]
    target[target[f.OP_MIX] + operation] = source[source[f.OP_MIX] + operation]
    for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
        target[target[f.PICK] + slot] = source[source[f.PICK] + slot]


@compiled
def note_job(shop: Ints, board: Ints, job: int, kept: Ints) -> None:
    """Copy the places of a job to `kept`."""
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        copy_place(shop, board, kept, shop[shop[f.JOB_OP] + index])
    kept[kept[f.JOB_PLACED] + job] = board[board[f.JOB_PLACED] + job]


@compiled_outer
def anneal(
    shop: Ints,
    board: Ints,
    rates: Floats,
    costs: Floats,
    kept: Ints,
    best: Ints,
    state: Words,
    steps: Ints,
    heat: Floats,
    most: int,
    keep_share: float,
    levels: Floats,
    changed: Flags,
    members: Ints,
    bounds: Ints,
) -> None:
    """Steps number steps[0] to steps[1] of steps[2]. `levels` holds the cost now and the best so far.

    `heat` is the temperature at the first and at the last step. `kept` is scratch, `best` the best plan so far and
    `changed` tells which jobs the plan now may have elsewhere. Only `members` are moved; they stand, and stay, between
    the two `bounds`.
    """
    room = max(most, EJECTED) + 1
    chosen, keys = np.empty(room, np.int64), np.empty(room, np.float64)
    for step in range(steps[0], steps[1]):
        temperature = heat[0] * (heat[1] / heat[0]) ** (step / steps[2])
        limit = levels[0] - temperature * log(draw(state) + 1e-300)
        eject = draw(state) < heat[5]
        if eject:
            number = around(shop, board, costs, members, state, chosen, keep_share > 0)
        else:
            number = choose(shop, board, costs, members, state, most, keep_share > 0, chosen, heat[2])
        arrange(shop, board, rates, state, chosen, number, keys, eject)
        for index in range(number):
            note_job(shop, board, chosen[index], kept)
            remove_job(shop, board, chosen[index])
        cost = put_on(shop, board, rates, costs, kept, state, chosen, number, limit, heat, keep_share, eject, bounds)
        board[board[f.NOTES] + f.NOTE_BY], board[board[f.NOTES] + f.NOTE_TURN] = FAR, 0
        if cost <= limit:
            levels[0] = cost
            for index in range(number):
                changed[chosen[index]] = True
            if cost < levels[1] - 1e-9:
                levels[1] = cost
                for job in range(shop[f.JOBS]):
                    if changed[job]:
                        note_job(shop, board, job, best)
                        changed[job] = False
        else:
            for index in range(number):
                if board[board[f.JOB_PLACED] + chosen[index]]:
                    remove_job(shop, board, chosen[index])
            for index in range(number):
                put_back(shop, board, rates, costs, chosen[index], kept, False)


@compiled
def put_on(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, kept: Ints, state: Words, chosen: Ints, number: int,
    limit: float, heat: Floats, keep_share: float, eject: bool, bounds: Ints,
) -> float:
    """Place the chosen jobs; the cost of the plan then, infinite as soon as it is sure to be above `limit`.

    To `eject` is to place the first, to leave the others as they stood where it is not in their way, and to place what
    is left after that.
    """
    cost, first = total(shop, board, rates, costs), 0
    if eject and number > 0:
        if not put_one(shop, board, rates, costs, state, chosen[0], limit - cost, heat, keep_share, bounds):
            return np.inf
        cost, first = cost + costs[chosen[0]], 1
        for index in range(1, number):
            job = chosen[index]
            if put_back(shop, board, rates, costs, job, kept, True):
                cost += costs[job]
    for index in range(first, number):
        if board[board[f.JOB_PLACED] + chosen[index]]:
            continue
        if cost > limit or not put_one(
            shop, board, rates, costs, state, chosen[index], limit - cost, heat, keep_share, bounds
        ):
            return np.inf
        cost += costs[chosen[index]]
    return total(shop, board, rates, costs)


@compiled
def put_one(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, state: Words, job: int, room: float, heat: Floats,
    keep_share: float, bounds: Ints,
) -> bool:
    """Place one job that may not cost more than `room`: mostly at its earliest, now and then later or with others."""
    delay, notes = bounds[0], board[f.NOTES]
    board[notes + f.NOTE_BY], board[notes + f.NOTE_TURN] = min(bounds[1], ends_by(shop, rates, job, room)), 0
    if draw(state) < heat[3]:
        delay = max(delay, later_start(shop, board, state, job))
    if draw(state) < heat[4]:
        board[notes + f.NOTE_TURN] = int(draw(state) * 6)
    keep, tight = draw(state) < keep_share, draw(state) < 0.8
    if not place_job(shop, board, rates, costs, job, keep, tight, delay, FEW_TRIES):
        return False
    if board[board[f.JOB_START] + job] < bounds[0] or board[board[f.JOB_END] + job] > bounds[1]:
        remove_job(shop, board, job)
        return False
    return True


@compiled
def adopt(shop: Ints, board: Ints, rates: Floats, costs: Floats, members: Ints, source: Ints) -> None:
    """Have the members stand as they do on another board, which differs from this one in nothing that they need."""
    for job in members:
        if board[board[f.JOB_PLACED] + job]:
            remove_job(shop, board, job)
    for job in members:
        if source[source[f.JOB_PLACED] + job]:
            put_back(shop, board, rates, costs, job, source, False)


@compiled
def take_over(shop: Ints, source: Ints, members: Ints, target: Ints) -> None:
    """Copy the places of the members from one plan to another, in which nothing is booked."""
    for job in members:
        note_job(shop, source, job, target)
