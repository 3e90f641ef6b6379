"""Compiled search: take a few jobs off the board, put them back in another order, keep what is better.

Simulated annealing over such steps. The random numbers come from a state of our own (xorshift64*, Vigna 2016), so that
a seed gives the same plan on every machine; the temperature follows the number of the step, never a clock.
"""

from __future__ import annotations

from math import exp, log

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled, compiled_outer
from analysis.schedule.fields import FAR, Flags, Floats, Ints, Words
from analysis.schedule.kernel_cost import place_as_before, place_job, remove_job, same_picks, settle, total
from analysis.schedule.kernel_job import back_to_base, enter, enter_holds, hold_for
from analysis.schedule.kernel_operation import worked_until
from analysis.schedule.kernel_time import blocked_until

EJECTED = 14  # jobs looked at beside one that is put where they stand

@compiled
def draw(state: Words) -> float:
    """A number in [0, 1)."""
    x = state[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    state[0] = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) / 9007199254740992.0


@compiled_outer
def decode(shop: Ints, board: Ints, rates: Floats, costs: Floats, sequence: Ints, keep: bool) -> int:
    """Place the jobs of a sequence one after the other; how many have no place."""
    lost = 0
    for job in sequence:
        if not place_job(shop, board, rates, costs, job, keep, True, -FAR):
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


@compiled_outer
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


@compiled
def first_chosen(shop: Ints, board: Ints, costs: Floats, state: Words, share: float) -> int:
    """A job drawn by its cost in `share` of the draws, else any; -1 when the draw falls on one without a place."""
    jobs = shop[f.JOBS]
    first = int(draw(state) * jobs)
    if draw(state) < share:
        mark = draw(state) * costs.sum()
        for job in range(jobs):
            mark -= costs[job]
            if mark < 0:
                first = job
                break
    return first if board[board[f.JOB_PLACED] + first] else -1


@compiled
def choose(
    shop: Ints, board: Ints, costs: Floats, state: Words, most: int, mend: bool, chosen: Ints, along: float
) -> int:
    """Fill `chosen` with jobs that stand near each other in time, the first one often a costly one; their number.

    None when the draw falls on a job without a place. To mend a plan, mostly those are chosen that stand where a
    costly job stood in the plan in force.
    """
    first = first_chosen(shop, board, costs, state, 0.9 if mend else 0.6)
    if first < 0:
        return 0
    number = min(shop[f.JOBS], (1 if mend else 2) + int(draw(state) * (most - 1)))
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
    return fill(shop, board, state, chosen, number, low - width // 4, low + width, resource)


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
def fill(shop: Ints, board: Ints, state: Words, chosen: Ints, number: int, low: int, high: int, resource: int) -> int:
    """Add to `chosen[0]` up to `number` jobs that stand between two instants, and with the resource if one is given.

    Each one is as likely. Returns how many are chosen then.
    """
    found, seen = 1, 0
    for job in range(shop[f.JOBS]):
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
def later_start(shop: Ints, board: Ints, state: Words, job: int) -> int:
    """An instant from which the job would still be about on time: it leaves the place before to others."""
    low, due = shop[shop[f.OP_EARLIEST] + shop[shop[f.JOB_OP] + shop[shop[f.JOB_PTR] + job]]], FAR
    for index in range(shop[shop[f.JOB_ORDER_PTR] + job], shop[shop[f.JOB_ORDER_PTR] + job + 1]):
        due = min(due, shop[shop[f.ORDER_DUE] + shop[shop[f.JOB_ORDER] + index]])
    room = due - (board[board[f.JOB_END] + job] - board[board[f.JOB_START] + job]) - low
    return int(low + draw(state) * room) if 0 < room < FAR // 2 else -FAR


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
) -> None:
    """Steps number steps[0] to steps[1] of steps[2]. `levels` holds the cost now and the best so far.

    `heat` is the temperature at the first and at the last step. `kept` is scratch, `best` the best plan so far and
    `changed` tells which jobs the plan now may have elsewhere.
    """
    room = max(most, EJECTED) + 1
    chosen, keys = np.empty(room, np.int64), np.empty(room, np.float64)
    for step in range(steps[0], steps[1]):
        temperature = heat[0] * (heat[1] / heat[0]) ** (step / steps[2])
        limit = levels[0] - temperature * log(draw(state) + 1e-300)
        eject = draw(state) < heat[5]
        if eject:
            number = around(shop, board, costs, state, chosen, keep_share > 0)
        else:
            number = choose(shop, board, costs, state, most, keep_share > 0, chosen, heat[2])
        arrange(shop, board, rates, state, chosen, number, keys, eject)
        for index in range(number):
            note_job(shop, board, chosen[index], kept)
            remove_job(shop, board, chosen[index])
        cost = put_on(shop, board, rates, costs, kept, state, chosen, number, limit, heat, keep_share, eject)
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
    limit: float, heat: Floats, keep_share: float, eject: bool,
) -> float:
    """Place the chosen jobs; the cost of the plan then, infinite as soon as it is sure to be above `limit`.

    To `eject` is to place the first, to leave the others as they stood where it is not in their way, and to place what
    is left after that.
    """
    cost, first = total(shop, board, rates, costs), 0
    if eject and number > 0:
        if not put_one(shop, board, rates, costs, state, chosen[0], limit - cost, heat, keep_share):
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
            shop, board, rates, costs, state, chosen[index], limit - cost, heat, keep_share
        ):
            return np.inf
        cost += costs[chosen[index]]
    return total(shop, board, rates, costs)


@compiled
def put_one(
    shop: Ints, board: Ints, rates: Floats, costs: Floats, state: Words, job: int, room: float, heat: Floats,
    keep_share: float,
) -> bool:
    """Place one job that may not cost more than `room`: mostly at its earliest, now and then later or with others."""
    delay, notes = -FAR, board[f.NOTES]
    board[notes + f.NOTE_BY], board[notes + f.NOTE_TURN] = ends_by(shop, rates, job, room), 0
    if draw(state) < heat[3]:
        delay = later_start(shop, board, state, job)
    if draw(state) < heat[4]:
        board[notes + f.NOTE_TURN] = int(draw(state) * 6)
    return place_job(shop, board, rates, costs, job, draw(state) < keep_share, draw(state) < 0.8, delay)


@compiled
def around(shop: Ints, board: Ints, costs: Floats, state: Words, chosen: Ints, mend: bool) -> int:
    """Choose a job, mostly a costly one, and most of those that stand where it could have been; their number."""
    first = first_chosen(shop, board, costs, state, 0.8)
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
    number = min(shop[f.JOBS], 2 + int(draw(state) * (EJECTED - 1)))
    return fill(shop, board, state, chosen, number, low, low + width, -1)
