"""Compiled search: take a few jobs off the board, put them back in another order, keep what is better.

Simulated annealing over such steps; the temperature follows the work done, never a clock. Work is counted in looks at
what a resource is booked for: from problem to problem steps take up to three times as long, and a look less than twice.
"""

from __future__ import annotations

from math import log

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled, compiled_outer
from analysis.schedule.fields import FAR, Flags, Floats, Ints, Words
from analysis.schedule.kernel_choose import EJECTED, around, arrange, choose, draw
from analysis.schedule.kernel_cost import TRIES, place_as_before, place_job, remove_job
from analysis.schedule.kernel_step import PUSHED, ask_nothing, note_job, put_back, put_on

BESIDE_LOOKS, JOBS_OF_A_LOOK = 80, 3  # what else a step takes: as many looks, and one for so many jobs


@compiled_outer
def decode(shop: Ints, board: Ints, rates: Floats, costs: Floats, sequence: Ints, keep: bool) -> int:
    """Place the jobs of a sequence one after the other; how many have no place."""
    lost = 0
    for job in sequence:
        if not place_job(shop, board, rates, costs, job, keep, True, -FAR, TRIES):
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


@compiled_outer
def anneal(
    shop: Ints,
    board: Ints,
    rates: Floats,
    costs: Floats,
    kept: Ints,
    best: Ints,
    state: Words,
    looks: Ints,
    heat: Floats,
    most: int,
    keep_share: float,
    levels: Floats,
    changed: Flags,
    members: Ints,
    bounds: Ints,
) -> int:
    """Steps from look number looks[0] to looks[1] of looks[2], and up to which look they went.

    `levels` holds the cost now and the best so far.
    `heat` is the temperature at the first and at the last step. `kept` is scratch, `best` the best plan so far and
    `changed` tells which jobs the plan now may have elsewhere. Only `members` are moved; they stand, and stay, between
    the two `bounds`.
    """
    room = max(most, EJECTED) + 1 + PUSHED
    chosen, keys = np.empty(room, np.int64), np.empty(room, np.float64)
    done = looks[0]
    while done < looks[1]:
        before = board[f.LOOKS]
        temperature = heat[0] * (heat[1] / heat[0]) ** (done / looks[2])
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
        cost, number = put_on(
            shop, board, rates, costs, kept, state, chosen, number, limit, heat, keep_share, eject, members, bounds
        )
        ask_nothing(board)
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
        done += board[f.LOOKS] - before + BESIDE_LOOKS + shop[f.JOBS] // JOBS_OF_A_LOOK
    return int(done)


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
