"""Compiled: lists of operations, each placed at its earliest in turn, and a population of them that gets better.

A list is a sequence that respects what waits for what. Its plan is pushed as late as its end allows and back again
(K. Y. Li and R. J. Willis, European Journal of Operational Research 56 (1992) 370), after which it mostly ends sooner;
the sequence of starts is then the list. New lists are made of two (S. Hartmann, Naval Research Logistics 45 (1998)
733), with some operations moved. Times are whole units from the beginning, operations and resources are numbers.
"""

from __future__ import annotations

from typing import NamedTuple

from analysis.schedule.compiled import compiled
from analysis.schedule.fields import Ints, Words
from analysis.schedule.kernel_choose import draw

MOVED = 0.04                        # of the operations of a new list
RIVALS = 4                          # lists of which a new one may take the place of the worst
SCATTER = 0.4                       # of the longest tail, by which a first list departs from the order of tails
NOTHING = 1 << 40                   # the end of a list that has none


class Net(NamedTuple):
    """Operations: lengths, when each is ready, the longest way to the end; neighbours with lags and asks, by pointers.

    `base` has for each resource and unit of time, one row after another, how much is taken by what does not move.
    """

    length: Ints
    ready: Ints
    tail: Ints
    before_ptr: Ints
    before: Ints
    before_lag: Ints
    after_ptr: Ints
    after: Ints
    after_lag: Ints
    ask_ptr: Ints
    ask: Ints
    ask_amount: Ints
    capacity: Ints
    base: Ints


class Room(NamedTuple):
    """What is written while lists are tried: starts, how much is taken, keys, two lists, marks and counts.

    `counts` holds the work done, the lists tried, the best end of the population at hand, the number of lists in it,
    the lists tried since it got better, and the best end of all.
    """

    start: Ints
    used: Ints
    key: Ints
    child: Ints
    order: Ints
    mark: Ints
    lists: Ints
    ends: Ints
    best: Ints
    counts: Ints


WORK, TRIED, LEAST, FILLED, STALE, BEST = range(6)


@compiled
def place_all(net: Net, room: Room, order: Ints, back_from: int) -> int:
    """Place the list at its earliest; the end, or NOTHING beyond the horizon.

    With `back_from` time runs backwards from there, and successors are what is waited for.
    """
    jobs, horizon = len(net.length), len(net.base) // len(net.capacity)
    for index in range(len(net.base)):
        room.used[index] = net.base[index]
    if back_from > 0:
        for resource in range(len(net.capacity)):
            for at in range(back_from):
                room.used[resource * horizon + at] = net.base[resource * horizon + back_from - 1 - at]
    last = 0
    work = len(net.base) // 8
    for place in range(jobs):
        job = order[place]
        at = 0 if back_from > 0 else net.ready[job]
        if back_from > 0:
            for index in range(net.after_ptr[job], net.after_ptr[job + 1]):
                other = net.after[index]
                at = max(at, room.start[other] + net.length[other] + net.after_lag[index])
        else:
            for index in range(net.before_ptr[job], net.before_ptr[job + 1]):
                other = net.before[index]
                at = max(at, room.start[other] + net.length[other] + net.before_lag[index])
        low, high = net.ask_ptr[job], net.ask_ptr[job + 1]
        now = at
        while now < at + net.length[job]:
            if now >= horizon:
                room.counts[WORK] += work
                return NOTHING
            for index in range(low, high):
                if room.used[net.ask[index] * horizon + now] + net.ask_amount[index] > net.capacity[net.ask[index]]:
                    at = now + 1
                    break
            work += high - low + 1
            now += 1
        room.start[job] = at
        for index in range(low, high):
            row = net.ask[index] * horizon
            for then in range(at, at + net.length[job]):
                room.used[row + then] += net.ask_amount[index]
        last = max(last, at + net.length[job])
    room.counts[WORK] += work
    return int(last)


@compiled
def rank(keys: Ints, order: Ints, count: int) -> int:
    """Numbers in the order of their keys, then of themselves; how many steps that took."""
    steps = 0
    for number in range(count):
        place = number
        while place > 0 and keys[order[place - 1]] > keys[number]:
            order[place] = order[place - 1]
            place -= 1
            steps += 1
        order[place] = number
    return steps


@compiled
def settle_list(net: Net, room: Room) -> int:
    """Place the child, push it late and back, and make it the list of the starts; its end."""
    jobs = len(net.length)
    end = place_all(net, room, room.child, 0)
    if end >= NOTHING:
        return end
    for job in range(jobs):
        room.key[job] = room.start[job] + net.length[job]
    steps = rank(room.key, room.mark, jobs)
    for place in range(jobs):
        room.order[place] = room.mark[jobs - 1 - place]
    if place_all(net, room, room.order, end) >= NOTHING:
        return NOTHING
    for job in range(jobs):
        room.key[job] = end - room.start[job] - net.length[job]
    steps += rank(room.key, room.child, jobs)
    end = place_all(net, room, room.child, 0)
    for job in range(jobs):
        room.key[job] = room.start[job]
    steps += rank(room.key, room.child, jobs)
    room.counts[WORK] += steps + jobs
    return end


@compiled
def first_list(net: Net, room: Room, state: Words) -> None:
    """A list by the length of what still has to follow, roughly."""
    jobs = len(net.length)
    longest = 0
    for job in range(jobs):
        longest = max(longest, net.tail[job])
        room.mark[job] = net.before_ptr[job + 1] - net.before_ptr[job]
    for place in range(jobs):
        chosen, most = -1, -1.0
        for job in range(jobs):
            if room.mark[job] == 0:
                value = net.tail[job] + draw(state) * SCATTER * longest
                if value > most:
                    chosen, most = job, value
        room.child[place] = chosen
        room.mark[chosen] = -1
        for index in range(net.after_ptr[chosen], net.after_ptr[chosen + 1]):
            room.mark[net.after[index]] -= 1
    room.counts[WORK] += jobs * jobs


@compiled
def cross(room: Room, jobs: int, one: int, other: int, state: Words) -> None:
    """The child has its ends from one list, and between them what comes first in the other."""
    low, high = int(draw(state) * jobs), int(draw(state) * jobs)
    low, high = min(low, high), max(low, high)
    for job in range(jobs):
        room.mark[job] = 0
    filled = 0
    for place in range(low):
        room.child[filled] = room.lists[one * jobs + place]
        room.mark[room.child[filled]] = 1
        filled += 1
    for place in range(jobs):
        job = room.lists[other * jobs + place]
        if filled < high and room.mark[job] == 0:
            room.child[filled] = job
            room.mark[job] = 1
            filled += 1
    for place in range(jobs):
        job = room.lists[one * jobs + place]
        if room.mark[job] == 0:
            room.child[filled] = job
            room.mark[job] = 1
            filled += 1
    room.counts[WORK] += 2 * jobs


@compiled
def joined(ptr: Ints, others: Ints, job: int, other: int) -> bool:
    """Whether the other is among the neighbours of the job."""
    index, end = ptr[job], ptr[job + 1]
    while index < end and others[index] != other:
        index += 1
    return bool(index < end)


@compiled
def stir(net: Net, room: Room, state: Words) -> None:
    """Move a few operations of the child to any place between what they wait for and what waits for them."""
    jobs = len(net.length)
    for place in range(jobs):
        if draw(state) >= MOVED:
            continue
        job, low, high = room.child[place], place, place
        while low > 0 and not joined(net.before_ptr, net.before, job, room.child[low - 1]):
            low -= 1
        while high < jobs - 1 and not joined(net.after_ptr, net.after, job, room.child[high + 1]):
            high += 1
        to = low + int(draw(state) * (high - low + 1))
        room.counts[WORK] += high - low
        step = 1 if to > place else -1
        for at in range(place, to, step):
            room.child[at] = room.child[at + step]
        room.child[to] = job


@compiled
def known(room: Room, jobs: int, end: int) -> bool:
    """Whether the population has the child already."""
    for number in range(len(room.ends)):
        if room.ends[number] == end:
            place = 0
            while place < jobs and room.lists[number * jobs + place] == room.child[place]:
                place += 1
            if place == jobs:
                return True
    return False


@compiled
def enter_list(room: Room, jobs: int, number: int, end: int) -> None:
    """Put the child into the population."""
    room.ends[number] = end
    for place in range(jobs):
        room.lists[number * jobs + place] = room.child[place]


@compiled
def breed(net: Net, room: Room, state: Words, work: int, enough: int, patience: int) -> None:
    """Try lists until so much work is done or one ends at `enough`; a population that stays as it is makes way."""
    jobs, size = len(net.length), len(room.ends)
    counts = room.counts
    while counts[WORK] < work and counts[BEST] > enough:
        if counts[STALE] > patience:
            counts[FILLED], counts[STALE], counts[LEAST] = 0, 0, NOTHING
        filling = counts[FILLED] < size
        if filling:
            first_list(net, room, state)
        else:
            one, other, third = int(draw(state) * size), int(draw(state) * size), int(draw(state) * size)
            cross(room, jobs, third if room.ends[third] < room.ends[one] else one, other, state)
            stir(net, room, state)
        end = settle_list(net, room)
        counts[TRIED] += 1
        counts[STALE] += 1
        if end < counts[LEAST]:
            counts[LEAST], counts[STALE] = end, 0
        if end < counts[BEST]:
            counts[BEST] = end
            for job in range(jobs):
                room.best[job] = room.start[job]
        if filling:
            enter_list(room, jobs, counts[FILLED], end)
            counts[FILLED] += 1
            continue
        worst = int(draw(state) * size)
        for _ in range(RIVALS - 1):
            rival = int(draw(state) * size)
            if room.ends[rival] > room.ends[worst]:
                worst = rival
        if end <= room.ends[worst] and not known(room, jobs, end):
            enter_list(room, jobs, worst, end)
