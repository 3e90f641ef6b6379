"""Compiled: what a step of the search does with the jobs that it has taken off, and how it takes that back."""

from __future__ import annotations

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Floats, Ints, Words
from analysis.schedule.kernel_choose import draw, ends_by, further, later_start
from analysis.schedule.kernel_cost import place_job, remove_job, settle, total
from analysis.schedule.kernel_job import back_to_base, enter, enter_holds, hold_for
from analysis.schedule.kernel_operation import worked_until
from analysis.schedule.kernel_time import blocked_until

FEW_TRIES = 12  # placings of one job before it is put after all others, fewer than elsewhere: there are other places
PUSHED = 32  # jobs in all that those pushed aside take off in turn
AT_ONCE = 3  # the most that one of them does


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
    for field in (f.JOB_PLACED, f.JOB_START, f.JOB_END):
        kept[kept[field] + job] = board[board[field] + job]


@compiled
def put_on(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, kept: Ints, state: Words, chosen: Ints, number: int,
    limit: float, heat: Floats, keep_share: float, eject: bool, members: Ints, bounds: Ints,
) -> tuple[float, int]:
    """Place the chosen jobs; the cost of the plan then, infinite as soon as it is sure to be above `limit`.

    To `eject` is to place the first, to leave the others as they stood where it is not in their way, and to place what
    is left after that. In a share of cases what is left takes others off in turn, and so on: the second figure is how
    many are chosen then. Each one that is taken off is noted in `kept` first.
    """
    cost, index = total(shop, board, rates, costs), 0
    if eject and number > 0:
        if not put_one(shop, board, rates, costs, state, chosen[0], limit - cost, heat, keep_share, bounds):
            return np.inf, number
        cost, index = cost + costs[chosen[0]] + leave(shop, board, rates, costs, chosen, 1, number, kept), 1
    while index < number:
        job, before = chosen[index], number
        index += 1
        if board[board[f.JOB_PLACED] + job]:
            continue
        if cost > limit:
            return np.inf, number
        if eject and number + AT_ONCE <= len(chosen) and draw(state) < heat[6]:
            start, end = kept[kept[f.JOB_START] + job], kept[kept[f.JOB_END] + job]
            most = 1 + int(draw(state) * AT_ONCE)
            number = further(shop, board, members, state, chosen, number, start, end, most)
            for other in range(before, number):
                note_job(shop, board, chosen[other], kept)
                remove_job(shop, board, chosen[other])
            cost = total(shop, board, rates, costs)
        if not put_one(shop, board, rates, costs, state, job, limit - cost, heat, keep_share, bounds):
            return np.inf, number
        cost += costs[job] + leave(shop, board, rates, costs, chosen, before, number, kept)
    return total(shop, board, rates, costs), number


@compiled
def leave(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, chosen: Ints, low: int, high: int, kept: Ints
) -> float:
    """Put the chosen from number `low` to `high` back as they stood, those in whose way nobody is; their costs."""
    cost = 0.0
    for index in range(low, high):
        if put_back(shop, board, rates, costs, chosen[index], kept, True):
            cost += costs[chosen[index]]
    return cost


@compiled
def ask_nothing(board: Ints) -> None:
    """Have a job placed as it comes: no end to keep to, no other candidates first."""
    notes = board[f.NOTES]
    board[notes + f.NOTE_BY], board[notes + f.NOTE_TURN], board[notes + f.NOTE_LOOSE] = FAR, 0, 0


@compiled
def put_one(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, state: Words, job: int, room: float, heat: Floats,
    keep_share: float, bounds: Ints,
) -> bool:
    """Place one job that may not cost more than `room`: mostly at its earliest, now and then later or with others."""
    delay, notes = bounds[0], board[f.NOTES]
    ask_nothing(board)
    board[notes + f.NOTE_BY] = min(bounds[1], ends_by(shop, rates, job, room))
    if draw(state) < heat[3]:
        delay = max(delay, later_start(shop, board, state, job))
    if draw(state) < heat[4]:
        board[notes + f.NOTE_TURN] = int(draw(state) * 6)
    if heat[7] > 0 and draw(state) < heat[7]:
        board[notes + f.NOTE_LOOSE] = 1
    keep, tight = draw(state) < keep_share, draw(state) < 0.8
    if not place_job(shop, board, rates, costs, job, keep, tight, delay, FEW_TRIES):
        return False
    if board[board[f.JOB_START] + job] < bounds[0] or board[board[f.JOB_END] + job] > bounds[1]:
        remove_job(shop, board, job)
        return False
    return True
