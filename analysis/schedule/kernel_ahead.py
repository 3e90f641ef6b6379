"""Compiled: jobs placed one after the other, each chosen by what comes of placing it, and by looking ahead of it.

What is chosen by its work alone is often one that has to wait in its bay for the next shift, where another one would
have been out by the evening. So those that a rule puts first are all placed for a look, and the one stays that is
worth most for the time it takes. Some jobs are settled at a time: of several ways to go on, those that the best one
begins with. What is still waiting then counts with what it would cost at the pace of the shop.
"""

from __future__ import annotations

from math import exp

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled, compiled_outer
from analysis.schedule.fields import FAR, Flags, Floats, Ints, Words
from analysis.schedule.kernel_choose import draw
from analysis.schedule.kernel_cost import TRIES, place_job, remove_job

RELEASE, DUE, WEIGHT, WORK = range(4)  # columns of the facts of a job
SHORTEST = 9e8  # microseconds; no job counts as shorter
POWERS, LOOK_AHEADS, NOISE = (0.7, 0.8), (0.2, 1.8), 0.5  # of the ways to go on: lowest, and how far up by chance
LOST = 1e15  # more than any job costs: what a job without a place counts with
BY_HEART = (1.2, 0.4)  # power and look-ahead of the first way


@compiled
def would_cost(shop: Ints, rates: Floats, job: int, end: float) -> float:
    """What the job costs if its orders all end then."""
    cost = 0.0
    for place in range(shop[shop[f.JOB_ORDER_PTR] + job], shop[shop[f.JOB_ORDER_PTR] + job + 1]):
        order = shop[shop[f.JOB_ORDER] + place]
        cost += rates[f.ORDER_RATE + 2 * order] * max(0.0, end - shop[shop[f.ORDER_DUE] + order])
        cost += rates[f.ORDER_RATE + 2 * order + 1] * max(0.0, end - shop[shop[f.ORDER_PROMISE] + order])
    return cost


@compiled
def urgency(facts: Floats, job: int, length: float, at: float, scale: float) -> float:
    """The index of ATC, see `serial`, of a job that takes so long from then on."""
    return float(facts[job, WEIGHT] / length * exp(-max(0.0, facts[job, DUE] - length - at) / scale))


@compiled
def first_free(facts: Floats, waiting: Flags, free: Floats) -> float:
    """When the next job may be chosen: a lane is free and one has come in; infinite when none waits."""
    soonest = np.inf
    for job in range(len(waiting)):
        if waiting[job]:
            soonest = min(soonest, facts[job, RELEASE])
    return float(max(free[free.argmin()], soonest))


@compiled
def put_first(facts: Floats, waiting: Flags, at: float, rule: Floats, among: Ints, keys: Floats) -> int:
    """Fill `among` with the jobs at hand whose index is highest, the highest first; how many.

    All may be zero (no weight, no due date in sight): of the same index, those come first that are due sooner.
    """
    number = 0
    for job in range(len(waiting)):
        if not waiting[job] or facts[job, RELEASE] > at:
            continue
        key = urgency(facts, job, facts[job, WORK] * rule[1], at, rule[0])
        if number < len(among):
            among[number], keys[number] = job, key
            number += 1
        else:
            least = keys.argmin()
            if key > keys[least] or (key == keys[least] and facts[job, DUE] < facts[among[least], DUE]):
                among[least], keys[least] = job, key
    for index in range(1, number):  # insertion sort: few, and stable
        job, key, place = among[index], keys[index], index
        while place > 0 and keys[place - 1] < key:
            among[place], keys[place] = among[place - 1], keys[place - 1]
            place -= 1
        among[place], keys[place] = job, key
    return number


@compiled
def best_placed(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, facts: Floats, at: float, rule: Floats, among: Ints,
    number: int, state: Words,
) -> int:
    """The one of these jobs that is worth most for the time from `at` to where it ends if it is the next one placed."""
    chosen, best, notes = among[0], 0.0, board[f.NOTES]
    for index in range(number if number > 1 else 0):
        job = among[index]
        weight = facts[job, WEIGHT]
        if rule[3] > 0:
            weight *= exp(2.0 * rule[3] * (draw(state) + draw(state) + draw(state) - 1.5))
        if best > 0:  # what would end too late to be worth more need not be placed to its end
            board[notes + f.NOTE_BY] = min(f.FAR * 1.0, at + max(SHORTEST, (weight / best) ** (1.0 / rule[2])))
        if not place_job(shop, board, rates, costs, job, False, True, -FAR, TRIES):
            continue
        end = board[board[f.JOB_END] + job]
        remove_job(shop, board, job)
        worth = weight / max(SHORTEST, end - at) ** rule[2] * exp(-max(0.0, facts[job, DUE] - end) / rule[0])
        if worth > best:
            best, chosen = worth, job
    board[notes + f.NOTE_BY] = f.FAR
    return int(chosen)


@compiled
def take(shop: Ints, board: Ints, rates: Floats, costs: Floats, facts: Floats, waiting: Flags, free: Floats,
         job: int) -> None:
    """Place a job for good; the lane that is free first is taken until it ends."""
    at, lane = first_free(facts, waiting, free), free.argmin()
    waiting[job] = False
    if place_job(shop, board, rates, costs, job, False, True, -FAR, TRIES):
        free[lane] = max(at, board[board[f.JOB_END] + job] * 1.0)


@compiled_outer
def go_on(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, facts: Floats, waiting: Flags, free: Floats, rule: Floats,
    among: Ints, keys: Floats, state: Words, made: Ints, known: int,
) -> int:
    """Place as many jobs as `made` has room for, which names them in turn, the first `known` ones already; how many.

    With room for one job in `among` nothing is placed for a look, and the jobs come in the order of ATC.
    `rule` is the look-ahead in microseconds, how much longer than its work a job takes, the power of the time it takes
    in what it is worth, and the noise on that.
    """
    for job in made[:known]:
        take(shop, board, rates, costs, facts, waiting, free, job)
    number = known
    while number < len(made):
        at = first_free(facts, waiting, free)
        if at == np.inf:
            break
        found = put_first(facts, waiting, at, rule, among, keys)
        job = best_placed(shop, board, rates, costs, facts, at, rule, among, found, state)
        take(shop, board, rates, costs, facts, waiting, free, job)
        made[number] = job
        number += 1
    return number


@compiled
def at_pace(
    shop: Ints, rates: Floats, facts: Floats, by_release: Ints, waiting: Flags, free: Floats, scale: float,
    stretch: float, pool: Ints,
) -> float:
    """What the jobs that wait would cost if each took a lane for its work times `stretch`; spoils `free`."""
    cost, inside, coming = 0.0, 0, 0
    while True:
        lane = free.argmin()
        at = free[lane]
        while coming < len(by_release) and (facts[by_release[coming], RELEASE] <= at or inside == 0):
            if waiting[by_release[coming]]:
                pool[inside] = by_release[coming]
                at = max(at, facts[pool[inside], RELEASE])
                inside += 1
            coming += 1
        if inside == 0:
            return cost
        best, chosen = -1.0, 0
        for index in range(inside):
            key = urgency(facts, pool[index], facts[pool[index], WORK] * stretch, at, scale)
            if key > best:
                best, chosen = key, index
        job = pool[chosen]
        inside -= 1
        pool[chosen] = pool[inside]
        free[lane] = at + facts[job, WORK] * stretch
        cost += would_cost(shop, rates, job, free[lane])


@compiled_outer
def settle_ahead(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, facts: Floats, by_release: Ints, waiting: Flags,
    free: Floats, pace: Floats, sizes: Ints, upto: int, rest: Ints, state: Words,
) -> float:
    """Place the waiting jobs, a few at a time, until only `upto` wait; what that costs, with those at the pace.

    `sizes` is how many ways to go on are tried each time, how many jobs each of them goes, how many of these are
    settled, and how many jobs are placed for a look before one is chosen. `pace` is the mean time of a job, how much
    longer than its work one takes, and the same at the pace of the shop. `rest` is what the best way so far would go on
    with: how many jobs, and which.
    """
    among, keys, pool = np.empty(sizes[3], np.int64), np.empty(sizes[3], np.float64), np.empty(len(waiting), np.int64)
    made, best, rule = np.empty(sizes[1], np.int64), np.empty(sizes[1], np.int64), np.empty(4, np.float64)
    while waiting.sum() > upto:
        least, length, before = np.inf, 0, rest[0]
        for way in range(sizes[0]):
            then, lanes, known = waiting.copy(), free.copy(), 0
            power, ahead, noise = BY_HEART[0], BY_HEART[1], 0.0
            if way > 1:
                power, ahead = POWERS[0] + POWERS[1] * draw(state), LOOK_AHEADS[0] * exp(LOOK_AHEADS[1] * draw(state))
                noise = NOISE * draw(state)
            if way != 1 and before:
                known = before if way == 0 else int(max(0.0, 2.0 * draw(state) - 1.0) * before)
                made[:known] = rest[1 : known + 1]
            rule[0], rule[1], rule[2], rule[3] = ahead * pace[0], pace[1], power, noise
            number = go_on(shop, board, rates, costs, facts, then, lanes, rule, among, keys, state, made, known)
            cost = 0.0
            for job in made[:number]:
                if board[board[f.JOB_PLACED] + job]:
                    cost += costs[job]
                    remove_job(shop, board, job)
                else:
                    cost += LOST
            if sizes[0] > 1:
                cost += at_pace(shop, rates, facts, by_release, then, lanes, BY_HEART[1] * pace[0], pace[2], pool)
            if cost < least:
                least, length = cost, number
                best[:number] = made[:number]
        settled = min(length, sizes[2])
        for job in best[:settled]:
            take(shop, board, rates, costs, facts, waiting, free, job)
        rest[0] = length - settled
        rest[1 : rest[0] + 1] = best[settled:length]
        if settled == 0:
            break
    cost = 0.0
    for job in range(len(waiting)):
        if board[board[f.JOB_PLACED] + job]:
            cost += costs[job]
        elif not waiting[job]:
            cost += LOST
    return cost + at_pace(shop, rates, facts, by_release, waiting, free.copy(), BY_HEART[1] * pace[0], pace[2], pool)
