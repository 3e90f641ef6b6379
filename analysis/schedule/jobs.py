"""What is placed in one go, and what it holds: orders, joined where their operations wait for each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from graphlib import TopologicalSorter

from analysis.schedule.fields import FAR
from analysis.schedule.fixed import Fixed
from analysis.schedule.model import NEVER, Need, Order, Problem
from analysis.schedule.place import Use

Users = dict[int, list[tuple[int, Need]]]       # by group: the operations that use it, and by which need


@dataclass
class Jobs:
    """Jobs with their operations (in an order that respects `after`), orders and held groups, by number.

    `groups` maps a group of the problem to its number here, where the groups of a job follow each other. `pressing`
    are the jobs with work in hand or pins, which are placed before all others.
    """

    problem: Problem
    orders: list[list[int]]
    operations: list[list[int]]
    rivals: list[list[int]]
    groups: dict[int, int]
    group_ptr: list[int]
    group_amount: list[int]
    group_least: list[int]
    base_start: list[int]
    base_end: list[int]
    base_pick: list[list[int]]
    pressing: list[int]

    def free_hold(self, use: Use) -> bool:
        """Whether a fixed use for a hold is not part of any group here, so that it has to be booked by itself."""
        needs = self.problem.operations[use.operation].needs
        return not any(need.group in self.groups for need in needs if need.group >= 0)


def jobs_of(problem: Problem, fixed: Fixed, orders: Sequence[Order]) -> Jobs:
    """Group the orders and work out their holds."""
    joined = _joined(problem, orders)
    ranks = _ranks(problem, orders)
    jobs = Jobs(problem, joined, [], [[] for _ in problem.operations], {}, [0], [], [], [], [], [], [])
    for number, members in enumerate(joined):
        operations = [index for order in members for index in problem.orders[order].operations]
        operations.sort(key=ranks.__getitem__)
        jobs.operations.append(operations)
        users = _users(problem, operations)
        _rivals(problem, jobs, operations, users)
        for group, uses in users.items():
            jobs.groups[group] = len(jobs.base_start)
            _hold(problem, fixed, jobs, operations, uses)
        jobs.group_ptr.append(len(jobs.base_start))
        pressing = any(index in fixed.bookings or problem.operations[index].pin_resources for index in operations)
        if pressing and any(index not in fixed.bookings for index in operations):
            jobs.pressing.append(number)
    return jobs


def _joined(problem: Problem, orders: Sequence[Order]) -> list[list[int]]:
    """Orders that wait for each other, together."""
    leader = {order.index: order.index for order in orders}

    def lead(one: int) -> int:
        while leader[one] != one:
            one = leader[one]
        return one

    for order in orders:
        for index in order.operations:
            for before, _ in problem.operations[index].after:
                if problem.operations[before].order not in leader:
                    continue        # work in hand of an order that is left out stands, and nothing moves with it
                one, two = sorted((lead(order.index), lead(problem.operations[before].order)))
                leader[two] = one
    found: dict[int, list[int]] = {}
    for order in orders:
        found.setdefault(lead(order.index), []).append(order.index)
    return list(found.values())


def _ranks(problem: Problem, orders: Sequence[Order]) -> dict[int, tuple[int, int, int, int]]:
    """For each operation what places it in line, after what it waits for.

    Where several are ready, what the plan in force has earlier goes first, then the longer tail.
    """
    indices = [index for order in orders for index in order.operations]
    known = set(indices)            # work in hand of an order that is left out is waited for, and has no place in line
    waits = {index: [one for one in problem.operations[index].after if one[0] in known] for index in indices}
    if any(before > index for index, after in waits.items() for before, _ in after):
        ordered = list(TopologicalSorter({index: [one for one, _ in after] for index, after in waits.items()})
                       .static_order())
    else:
        ordered = sorted(indices)       # they stand so already, as they mostly do
    rounds, tail = dict[int, int](), dict.fromkeys(indices, 0)
    for index in ordered:
        rounds[index] = 1 + max([rounds[one] for one, _ in waits[index]], default=0)
    for index in reversed(ordered):
        tail[index] += problem.operations[index].length
        for before, _ in waits[index]:
            tail[before] = max(tail[before], tail[index])       # so far the longest of what waits for it
    stood = {index: place[0] for index, place in problem.previous.items()}
    return {index: (rounds[index], stood.get(index, NEVER), -tail[index], index) for index in indices}


def _users(problem: Problem, operations: Sequence[int]) -> Users:
    """The groups that the operations hold, in the order of first use."""
    found: Users = {}
    for index in operations:
        for need in problem.operations[index].needs:
            if need.group >= 0:
                found.setdefault(need.group, []).append((index, need))
    return found


def _rivals(problem: Problem, jobs: Jobs, operations: Sequence[int], users: Users) -> None:
    """Operations that share a person their order keeps, without waiting for each other: nobody is in two places."""
    needs = {id(need): need for uses in users.values() for _, need in uses}
    personal = {need.group for need in needs.values()
                if any(problem.resources[one.resource].kind == "person" for one in need.candidates)}
    if not personal:
        return
    ancestors: dict[int, set[int]] = {}
    for index in operations:
        direct = [before for before, _ in problem.operations[index].after]
        ancestors[index] = set(direct).union(*(ancestors[one] for one in direct if one in ancestors))
    for index in operations:
        held = personal & {need.group for need in problem.operations[index].needs}
        for other in operations if held else ():
            shares = any(need.group in held for need in problem.operations[other].needs)
            if shares and other != index and other not in ancestors[index] and index not in ancestors[other]:
                jobs.rivals[index].append(other)


def _hold(problem: Problem, fixed: Fixed, jobs: Jobs, operations: Sequence[int], uses: list[tuple[int, Need]]) -> None:
    """One held group: how many resources, how much of each, for how long at least, and what is fixed of it."""
    group, users = uses[0][1].group, {index for index, _ in uses}
    members = max([need.member + need.count for _, need in uses])
    amount = max([0, *[need.amount for _, need in uses]])
    booked = [index for index in dict.fromkeys(index for index, _ in uses) if index in fixed.bookings]
    picks = [-1] * members
    for index in booked:
        slot = 0
        for need in problem.operations[index].needs:
            named = fixed.bookings[index].resources[slot:slot + need.count]
            if need.group == group:
                picks[need.member:need.member + len(named)] = named
            slot += need.count
    jobs.group_amount.append(amount)
    jobs.group_least.append(_least(problem, operations, users))
    jobs.base_pick.append(picks)
    start = min((fixed.bookings[index].start for index in booked), default=FAR)
    end = max((fixed.bookings[index].end for index in booked), default=-FAR)
    if any(index not in fixed.bookings for index in users) and start < problem.now:
        start, end = problem.now, max(problem.now, end)     # the past is over, the hold goes on
    jobs.base_start.append(start)
    jobs.base_end.append(end)


def _least(problem: Problem, operations: Sequence[int], users: set[int]) -> int:
    """The longest chain from the first of the users to the last, pauses and waiting aside."""
    reach: dict[int, int] = {}
    longest = 0
    for index in operations:
        operation = problem.operations[index]
        before = -1
        for one, lag in operation.after:
            if one in reach and reach[one] + lag > before:
                before = reach[one] + lag
        if index in users or before >= 0:
            reach[index] = max(before, 0) + operation.length
            if index in users and reach[index] > longest:
                longest = reach[index]
    return longest
