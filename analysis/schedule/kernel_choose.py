"""Compiled: which jobs a step of the search takes off, and in which order it puts them back.

The random numbers come from a state of our own (xorshift64*, Vigna 2016), so that a seed gives the same plan on every
machine.
"""

from __future__ import annotations

from math import exp

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Floats, Ints, Words
from analysis.schedule.kernel_cost import same_picks

EJECTED = 14  # jobs looked at beside one that is put where they stand
FURTHER = 4.0  # how many times its own length a job that was pushed aside goes at most to push others aside


@compiled
def draw(state: Words) -> float:
    """A number in [0, 1)."""
    x = state[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    state[0] = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) / 9007199254740992.0


@compiled
def first_chosen(board: Ints, costs: Floats, members: Ints, state: Words, share: float) -> int:
    """A job drawn by its cost in `share` of the draws, else any; -1 when the draw falls on one without a place."""
    first = int(members[int(draw(state) * len(members))])
    if draw(state) < share:
        mark = 0.0
        for job in members:
            mark += costs[job]
        mark *= draw(state)
        for job in members:
            mark -= costs[job]
            if mark < 0:
                first = int(job)
                break
    return first if board[board[f.JOB_PLACED] + first] else -1


@compiled
def choose(
    shop: Ints, board: Ints, costs: Floats, members: Ints, state: Words, most: int, mend: bool, chosen: Ints,
    along: float,
) -> int:
    """Fill `chosen` with members that stand near each other in time, the first one often a costly one; their number.

    None when the draw falls on a job without a place. To mend a plan, mostly those are chosen that stand where a
    costly job stood in the plan in force.
    """
    first = first_chosen(board, costs, members, state, 0.9 if mend else 0.6)
    if first < 0:
        return 0
    number = min(len(members), (1 if mend else 2) + int(draw(state) * (most - 1)))
    low = board[board[f.JOB_START] + first]
    earliest = FAR
    for index in range(shop[shop[f.JOB_PTR] + first], shop[shop[f.JOB_PTR] + first + 1]):
        earliest = min(earliest, shop[shop[f.OP_EARLIEST] + shop[shop[f.JOB_OP] + index]])
    if costs[first] > 0 and earliest < low:  # somewhere it could have been instead
        low = earliest + int(draw(state) * (low - earliest))
    if mend and draw(state) < 0.7:
        low = stood(shop, board, first, state, low)
    width = int((board[board[f.JOB_END] + first] - board[board[f.JOB_START] + first]) * (0.2 + draw(state)))
    chosen[0] = first
    resource = -1
    if not mend and draw(state) < along:
        resource = some_resource(shop, first, state)
        low -= width // 4
        width *= 2
    return fill(shop, board, members, state, chosen, number, low - width // 4, low + width, resource)


@compiled
def some_resource(shop: Ints, job: int, state: Words) -> int:
    """A resource that could serve the job: of one of the needs of one of its operations; -1 for none."""
    low, high = shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]
    operation = shop[shop[f.JOB_OP] + low + int(draw(state) * (high - low))]
    sig = shop[shop[f.OP_SIG] + operation]
    low, high = shop[shop[f.SIG_SLOT_PTR] + sig], shop[shop[f.SIG_SLOT_PTR] + sig + 1]
    if low == high:
        return -1
    slot = low + (0 if draw(state) < 0.5 else int(draw(state) * (high - low)))
    low, high = shop[shop[f.CAND_PTR] + slot], shop[shop[f.CAND_PTR] + slot + 1]
    return int(shop[shop[f.CAND] + low + int(draw(state) * (high - low))]) if low < high else -1


@compiled
def fill(
    shop: Ints, board: Ints, members: Ints, state: Words, chosen: Ints, number: int, low: int, high: int, resource: int
) -> int:
    """Add to `chosen[0]` up to `number` members that stand between two instants, with the resource if one is given.

    Each one is as likely. Returns how many are chosen then.
    """
    found, seen = 1, 0
    for job in members:
        if (
            job == chosen[0]
            or not board[board[f.JOB_PLACED] + job]
            or board[board[f.JOB_END] + job] <= low
            or board[board[f.JOB_START] + job] >= high
            or (resource >= 0 and not has(shop, board, job, resource))
        ):
            continue
        seen += 1
        if found < number:
            chosen[found] = job
            found += 1
        else:  # each one that overlaps is as likely
            index = 1 + int(draw(state) * seen)
            if index < number:
                chosen[index] = job
    return found


@compiled
def further(
    shop: Ints, board: Ints, members: Ints, state: Words, chosen: Ints, number: int, start: int, end: int, most: int
) -> int:
    """Add up to `most` members in whose place a job could stand that stood from start to end; how many are chosen then.

    They overlap a time of the same length from `start` on or later, rather soon than late. None is chosen twice.
    """
    share = draw(state)
    low, found, seen = start + int((end - start) * FURTHER * share * share), number, 0
    for job in members:
        if (
            not board[board[f.JOB_PLACED] + job]
            or board[board[f.JOB_END] + job] <= low
            or board[board[f.JOB_START] + job] >= low + end - start
        ):
            continue
        known = False
        for index in range(number):
            known = known or chosen[index] == job
        if known:
            continue
        seen += 1
        if found < number + most:
            chosen[found] = job
            found += 1
        else:  # each one that overlaps is as likely
            index = int(draw(state) * seen)
            if index < most:
                chosen[number + index] = job
    return found


@compiled
def has(shop: Ints, board: Ints, job: int, resource: int) -> bool:
    """Whether the job has this resource anywhere."""
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
            if board[board[f.PICK] + slot] == resource:
                return True
    return False


@compiled
def stood(shop: Ints, board: Ints, job: int, state: Words, otherwise: int) -> int:
    """When one of the job's operations that stand elsewhere now started in the plan in force."""
    found, seen = otherwise, 0
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        before = shop[shop[f.PREV_START] + operation]
        if before > -FAR and not shop[shop[f.OP_FIXED] + operation] and (
            board[board[f.OP_START] + operation] != before or not same_picks(shop, board, operation)
        ):
            seen += 1
            if draw(state) * seen < 1.0:
                found = before
    return int(found)


@compiled
def arrange(
    shop: Ints, board: Ints, rates: Floats, state: Words, chosen: Ints, number: int, keys: Floats, eject: bool
) -> None:
    """Sort the chosen jobs by one of several rules, with some noise."""
    rule = draw(state)
    for index in range(number):
        job = chosen[index]
        due, rate = FAR, 0.0
        for place in range(shop[shop[f.JOB_ORDER_PTR] + job], shop[shop[f.JOB_ORDER_PTR] + job + 1]):
            order = shop[shop[f.JOB_ORDER] + place]
            due = min(due, shop[shop[f.ORDER_DUE] + order])
            rate += rates[f.ORDER_RATE + 2 * order] + rates[f.ORDER_RATE + 2 * order + 1]
        length = board[board[f.JOB_END] + job] - board[board[f.JOB_START] + job] + 1.0
        if rule < 0.3:
            keys[index] = draw(state)
        elif rule < 0.55:
            keys[index] = -1.0 if index == 0 else board[board[f.JOB_START] + job] * 1.0
        elif rule < 0.8:
            slack = max(0.0, due - length - board[board[f.JOB_START] + chosen[0]])
            keys[index] = -rate / length * exp(-min(50.0, slack / (2.0 * length))) * (0.7 + 0.6 * draw(state))
        else:
            keys[index] = due + (draw(state) - 0.5) * length
        if eject and index == 0:
            keys[index] = -1e30
    for index in range(1, number):  # insertion sort: few, and stable
        job, key, place = chosen[index], keys[index], index
        while place > 0 and keys[place - 1] > key:
            chosen[place], keys[place] = chosen[place - 1], keys[place - 1]
            place -= 1
        chosen[place], keys[place] = job, key


@compiled
def around(
    shop: Ints, board: Ints, costs: Floats, members: Ints, state: Words, chosen: Ints, mend: bool
) -> int:
    """Choose a member, mostly a costly one, and most of those that stand where it could have been; their number."""
    first = first_chosen(board, costs, members, state, 0.8)
    if first < 0:
        return 0
    low, earliest = board[board[f.JOB_START] + first], FAR
    for index in range(shop[shop[f.JOB_PTR] + first], shop[shop[f.JOB_PTR] + first + 1]):
        earliest = min(earliest, shop[shop[f.OP_EARLIEST] + shop[shop[f.JOB_OP] + index]])
    if earliest < low:
        low = earliest + int(draw(state) * (low - earliest))
    width = board[board[f.JOB_END] + first] - board[board[f.JOB_START] + first]
    if mend and draw(state) < 0.8:
        low = stood(shop, board, first, state, low)
    chosen[0] = first
    number = min(len(members), 2 + int(draw(state) * (EJECTED - 1)))
    return fill(shop, board, members, state, chosen, number, low, low + width, -1)


@compiled
def ends_by(shop: Ints, rates: Floats, job: int, room: float) -> int:
    """By when a job has to end that may cost no more than `room`; FAR for a job of several orders."""
    low = shop[shop[f.JOB_ORDER_PTR] + job]
    if shop[shop[f.JOB_ORDER_PTR] + job + 1] != low + 1:
        return FAR
    order, by = shop[shop[f.JOB_ORDER] + low], FAR * 1.0
    late, after = rates[f.ORDER_RATE + 2 * order], rates[f.ORDER_RATE + 2 * order + 1]
    if late > 0:
        by = min(by, shop[shop[f.ORDER_DUE] + order] + (room + 1.0) / late)
    if after > 0:
        by = min(by, shop[shop[f.ORDER_PROMISE] + order] + (room + 1.0) / after)
    return int(by) if by < FAR else FAR


@compiled
def later_start(shop: Ints, board: Ints, state: Words, job: int) -> int:
    """An instant from which the job would still be about on time: it leaves the place before to others."""
    low, due = shop[shop[f.OP_EARLIEST] + shop[shop[f.JOB_OP] + shop[shop[f.JOB_PTR] + job]]], FAR
    for index in range(shop[shop[f.JOB_ORDER_PTR] + job], shop[shop[f.JOB_ORDER_PTR] + job + 1]):
        due = min(due, shop[shop[f.ORDER_DUE] + shop[shop[f.JOB_ORDER] + index]])
    room = due - (board[board[f.JOB_END] + job] - board[board[f.JOB_START] + job]) - low
    return int(low + draw(state) * room) if 0 < room < FAR // 2 else -FAR
