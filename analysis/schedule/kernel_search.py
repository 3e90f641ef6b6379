"""Compiled search: take a few jobs off the board, put them back in another order, keep what is better.

Simulated annealing over such steps. The random numbers come from a state of our own (xorshift64*, Vigna 2016), so that
a seed gives the same plan on every machine; the temperature follows the number of the step, never a clock.
"""

from __future__ import annotations

from math import exp, log

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Floats, Ints, Words
from analysis.schedule.kernel_cost import place_as_before, place_job, remove_job, same_picks, settle, total
from analysis.schedule.kernel_job import enter, enter_holds, hold_for


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
def decode(shop: Ints, board: Ints, rates: Floats, costs: Floats, sequence: Ints, keep: bool) -> int:
    """Place the jobs of a sequence one after the other; how many have no place."""
    lost = 0
    for job in sequence:
        if not place_job(shop, board, rates, costs, job, keep, True, -FAR):
            lost += 1
    return lost


@compiled
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
            lost += 0 if place_job(shop, board, rates, costs, job, False, True, -FAR) else 1
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
        if place_job(shop, board, rates, costs, chosen, False, True, -FAR):
            free[lane] = max(at, board[board[f.JOB_END] + chosen] * 1.0)
        else:
            lost += 1
    return lost


@compiled
def decode_kept(shop: Ints, board: Ints, rates: Floats, costs: Floats, sequence: Ints, first: int) -> int:
    """Place the `first` jobs, then those that can stand as the plan in force has them, then the others.

    How many have no place.
    """
    for job in sequence[:first]:
        if not place_job(shop, board, rates, costs, job, True, False, -FAR):
            place_job(shop, board, rates, costs, job, False, True, -FAR)
    for job in sequence[first:]:
        place_as_before(shop, board, rates, costs, job)
    lost = 0
    for job in sequence:
        if not board[board[f.JOB_PLACED] + job] and not place_job(shop, board, rates, costs, job, True, False, -FAR):
            lost += 1
    return lost


@compiled
def put_back(shop: Ints, board: Ints, rates: Floats, costs: Floats, job: int, kept: Ints) -> None:
    """Place a job exactly as `kept` has it."""
    enter_holds(shop, board, job, True)
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        if shop[shop[f.OP_FIXED] + operation]:
            continue
        board[board[f.OP_START] + operation], board[board[f.OP_END] + operation] = (
            kept[kept[f.OP_START] + operation],
            kept[kept[f.OP_END] + operation],
        )
        board[board[f.OP_MIX] + operation] = kept[kept[f.OP_MIX] + operation]
        for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
            board[board[f.PICK] + slot] = kept[kept[f.PICK] + slot]
        enter(shop, board, operation, False)
        hold_for(shop, board, operation)
    enter_holds(shop, board, job, False)
    settle(shop, board, rates, costs, job)


@compiled
def note_job(shop: Ints, board: Ints, job: int, kept: Ints) -> None:
    """Copy the places of a job to `kept`."""
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        kept[kept[f.OP_START] + operation], kept[kept[f.OP_END] + operation] = (
            board[board[f.OP_START] + operation],
            board[board[f.OP_END] + operation],
        )
        kept[kept[f.OP_MIX] + operation] = board[board[f.OP_MIX] + operation]
        for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
            kept[kept[f.PICK] + slot] = board[board[f.PICK] + slot]
    kept[kept[f.JOB_PLACED] + job] = board[board[f.JOB_PLACED] + job]


@compiled
def choose(shop: Ints, board: Ints, costs: Floats, state: Words, most: int, mend: bool, chosen: Ints) -> int:
    """Fill `chosen` with jobs that stand near each other in time, the first one often a costly one; their number.

    None when the draw falls on a job without a place. To mend a plan, mostly those are chosen that stand where a
    costly job stood in the plan in force.
    """
    jobs = shop[f.JOBS]
    first = int(draw(state) * jobs)
    if draw(state) < (0.9 if mend else 0.6):
        mark = draw(state) * costs.sum()
        for job in range(jobs):
            mark -= costs[job]
            if mark < 0:
                first = job
                break
    if not board[board[f.JOB_PLACED] + first]:
        return 0
    number = min(jobs, (1 if mend else 2) + int(draw(state) * (most - 1)))
    low = board[board[f.JOB_START] + first]
    earliest = FAR
    for index in range(shop[shop[f.JOB_PTR] + first], shop[shop[f.JOB_PTR] + first + 1]):
        earliest = min(earliest, shop[shop[f.OP_EARLIEST] + shop[shop[f.JOB_OP] + index]])
    if costs[first] > 0 and earliest < low:  # somewhere it could have been instead
        low = earliest + int(draw(state) * (low - earliest))
    if mend and draw(state) < 0.7:
        low = stood(shop, board, first, state, low)
    width = (board[board[f.JOB_END] + first] - board[board[f.JOB_START] + first]) * (0.2 + draw(state))
    chosen[0] = first
    found, seen = 1, 0
    for job in range(jobs):
        if (
            job == first
            or not board[board[f.JOB_PLACED] + job]
            or board[board[f.JOB_END] + job] <= low - width * 0.25
            or board[board[f.JOB_START] + job] >= low + width
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
def arrange(shop: Ints, board: Ints, rates: Floats, state: Words, chosen: Ints, number: int, keys: Floats) -> None:
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
    for index in range(1, number):  # insertion sort: few, and stable
        job, key, place = chosen[index], keys[index], index
        while place > 0 and keys[place - 1] > key:
            chosen[place], keys[place] = chosen[place - 1], keys[place - 1]
            place -= 1
        chosen[place], keys[place] = job, key


@compiled
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
) -> None:
    """Steps number steps[0] to steps[1] of steps[2]. `levels` holds the cost now and the best so far.

    `heat` is the temperature at the first and at the last step. `kept` is scratch, `best` the best plan so far.
    """
    chosen, keys = np.empty(most + 1, np.int64), np.empty(most + 1, np.float64)
    for step in range(steps[0], steps[1]):
        temperature = heat[0] * (heat[1] / heat[0]) ** (step / steps[2])
        number = choose(shop, board, costs, state, most, keep_share > 0, chosen)
        arrange(shop, board, rates, state, chosen, number, keys)
        for index in range(number):
            note_job(shop, board, chosen[index], kept)
            remove_job(shop, board, chosen[index])
        done = 0
        while done < number and place_job(
            shop, board, rates, costs, chosen[done], draw(state) < keep_share, draw(state) < 0.8, -FAR
        ):
            done += 1
        cost = total(shop, board, rates, costs) if done == number else np.inf
        if cost <= levels[0] - temperature * log(draw(state) + 1e-300):
            levels[0] = cost
            if cost < levels[1] - 1e-9:
                levels[1] = cost
                for job in range(shop[f.JOBS]):
                    note_job(shop, board, job, best)
        else:
            for index in range(done):
                remove_job(shop, board, chosen[index])
            for index in range(number):
                put_back(shop, board, rates, costs, chosen[index], kept)
