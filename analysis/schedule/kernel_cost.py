"""Compiled: a job on the board from first try to last, taking it off, and what its plan costs."""

from __future__ import annotations

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Floats, Ints
from analysis.schedule.kernel_job import back_to_base, enter, enter_holds, tighten, try_as_before, try_job

TRIES = 200  # placings of one job before it is put after all others


@compiled
def try_often(shop: Ints, board: Ints, job: int, keep: bool, delay: int, tries: int) -> bool:
    """Try to place the job; where a hold runs into another booking, its resource is tried from the end of that on."""
    first = shop[shop[f.GROUP_MEMBER_PTR] + shop[shop[f.JOB_GROUP_PTR] + job]]
    members = shop[shop[f.GROUP_MEMBER_PTR] + shop[shop[f.JOB_GROUP_PTR] + job + 1]] - first
    for index in range(members * shop[f.RESOURCES]):
        board[board[f.HOLD_FROM] + index] = -FAR
    notes = board[f.NOTES]
    for _ in range(tries):
        if try_job(shop, board, job, keep, delay):
            return True
        if board[notes] < 0:
            return False
        board[board[f.HOLD_FROM] + board[notes] * shop[f.RESOURCES] + board[notes + 1]] = board[notes + 2]
    return False


@compiled
def place_job(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, job: int, keep: bool, tight: bool, delay: int, tries: int
) -> bool:
    """Place the job at its earliest; False (and nothing changed) when it has no place.

    Where so many tries do not find room for what the job keeps, it starts after all others have ended.
    """
    enter_holds(shop, board, job, True)
    placed = try_often(shop, board, job, keep, delay, tries)
    if not placed and board[board[f.NOTES]] >= 0:
        last = delay
        for other in range(shop[f.JOBS]):
            if board[board[f.JOB_PLACED] + other]:
                last = max(last, board[board[f.JOB_END] + other])
        placed = try_often(shop, board, job, False, last, tries)
    if placed and tight:
        tighten(shop, board, job)
    enter_holds(shop, board, job, False)
    if placed:
        settle(shop, board, rates, costs, job)
    return placed


@compiled
def place_as_before(shop: Ints, board: Ints, rates: Floats, costs: Floats, job: int) -> bool:
    """Place the job as the plan in force has it; False (and nothing changed) when it cannot stand there any longer."""
    enter_holds(shop, board, job, True)
    for index in range(board[f.TRIAL] - board[f.HOLD_FROM]):
        board[board[f.HOLD_FROM] + index] = -FAR
    placed = try_as_before(shop, board, job)
    enter_holds(shop, board, job, False)
    if placed:
        settle(shop, board, rates, costs, job)
    return placed


@compiled
def remove_job(shop: Ints, board: Ints, job: int) -> None:
    """Take the job off the board; fixed operations stay."""
    enter_holds(shop, board, job, True)
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        if not shop[shop[f.OP_FIXED] + shop[shop[f.JOB_OP] + index]]:
            enter(shop, board, shop[shop[f.JOB_OP] + index], True)
    back_to_base(shop, board, job)
    enter_holds(shop, board, job, False)
    board[board[f.JOB_PLACED] + job] = 0


@compiled
def settle(shop: Ints, board: Ints, rates: Floats, costs: Floats, job: int) -> None:
    """Work out when the job and its orders start and end, and what that costs."""
    start, end = FAR, -FAR
    for index in range(shop[shop[f.JOB_ORDER_PTR] + job], shop[shop[f.JOB_ORDER_PTR] + job + 1]):
        board[board[f.ORDER_END] + shop[shop[f.JOB_ORDER] + index]] = shop[
            shop[f.FIXED_END] + shop[shop[f.JOB_ORDER] + index]
        ]
    cost = 0.0
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        order = shop[shop[f.OP_ORDER] + operation]
        board[board[f.ORDER_END] + order] = max(board[board[f.ORDER_END] + order], board[board[f.OP_END] + operation])
        start, end = min(start, board[board[f.OP_START] + operation]), max(end, board[board[f.OP_END] + operation])
        if shop[shop[f.PREV_START] + operation] > -FAR and not shop[shop[f.OP_FIXED] + operation]:
            if board[board[f.OP_START] + operation] != shop[shop[f.PREV_START] + operation]:
                cost += rates[f.MOVE_COST]
            if not same_picks(shop, board, operation):
                cost += rates[f.CHANGE_COST]
    for index in range(shop[shop[f.JOB_ORDER_PTR] + job], shop[shop[f.JOB_ORDER_PTR] + job + 1]):
        order = shop[shop[f.JOB_ORDER] + index]
        cost += rates[f.ORDER_RATE + 2 * order] * max(
            0, board[board[f.ORDER_END] + order] - shop[shop[f.ORDER_DUE] + order]
        )
        cost += rates[f.ORDER_RATE + 2 * order + 1] * max(
            0, board[board[f.ORDER_END] + order] - shop[shop[f.ORDER_PROMISE] + order]
        )
    board[board[f.JOB_START] + job], board[board[f.JOB_END] + job], costs[job] = start, end, cost
    board[board[f.JOB_PLACED] + job] = 1


@compiled
def same_picks(shop: Ints, board: Ints, operation: int) -> bool:
    """Whether the set of resources is that of the plan in force."""
    low, high = shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]
    for one in range(low, high):
        found = False
        for other in range(low, high):
            found = found or board[board[f.PICK] + one] == shop[shop[f.PREV_PICK] + other]
        if not found:
            return False
    return True


@compiled
def total(shop: Ints, board: Ints, rates: Floats, costs: Floats) -> float:
    """The whole cost of what is placed; a job without a place costs nothing here."""
    cost, last = 0.0, -FAR
    for job in range(shop[f.JOBS]):
        if board[board[f.JOB_PLACED] + job]:
            cost += costs[job]
            last = max(last, board[board[f.JOB_END] + job])
    if rates[f.SPAN_RATE] > 0 and last > -FAR:
        cost += rates[f.SPAN_RATE] * last
    return cost
