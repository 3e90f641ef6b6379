"""From the problem as records to the flat arrays of the compiled scheme."""

from __future__ import annotations

from itertools import chain, pairwise

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.fields import FAR, Floats, Ints
from analysis.schedule.fixed import Fixed, slots
from analysis.schedule.jobs import Jobs, jobs_of
from analysis.schedule.kernel_time import book
from analysis.schedule.model import DAY, MINUTE, Need, Operation, Problem
from analysis.schedule.numbered import Calendars, ints, pointers, ranges
from analysis.schedule.signatures import Signatures, ease_of
from analysis.schedule.starts import Starts

MOST_DAYS = 1000                    # that have an index of their own; what is later is searched for from the last one


class Builder:
    """Builds `Shop` and the empty `Board` for the orders that are not left out."""

    def __init__(self, problem: Problem, fixed: Fixed, weights: dict[str, float]) -> None:
        self.problem, self.fixed, self.weights = problem, fixed, weights
        self.calendars = Calendars(problem)
        self.signatures = Signatures(problem, self.calendars, ease_of(problem))
        self.starts = Starts(problem, self.calendars)
        out = {entry.order for entry in problem.left_out}
        self.jobs: Jobs = jobs_of(problem, fixed, [order for order in problem.orders if order.id not in out])

    def shop(self) -> Ints:
        """The shop as one array."""
        problem, operations = self.problem, self.problem.operations
        needs = [slots(one) for one in operations]          # for each slot its need
        sigs = [self.signatures.number(one) for one in operations]
        width = self.signatures.widest
        tables = self._operations(needs, sigs) | self._signatures(width) | self._jobs() | {
            f.RES_CAL: ints(self.calendars.of), f.RES_CAPACITY: ints([one.capacity for one in problem.resources]),
            f.ORDER_DUE: ints([f.FAR if one.due is None else one.due for one in problem.orders]),
            f.ORDER_PROMISE: ints([f.FAR if one.promise is None else one.promise for one in problem.orders]),
            f.FIXED_END: self._fixed_ends()}
        places = (f.CAL_PTR, f.CAL_START, f.CAL_END, f.CAL_BEFORE)
        tables |= dict(zip(places, self.calendars.arrays(), strict=True))
        last = int(tables[f.CAL_END].max()) if len(tables[f.CAL_END]) else 0
        days = min(2 + max(0, last) // DAY, MOST_DAYS)
        tables[f.CAL_OPEN] = on_grid(tables[f.CAL_START], problem.grid)
        tables[f.CAL_DAY] = self.calendars.by_day(tables[f.CAL_PTR], tables[f.CAL_END], days)
        numbers = {f.DAYS: days, f.GRID: problem.grid, f.RESOURCES: len(problem.resources),
                   f.ORDERS: len(problem.orders), f.JOBS: len(self.jobs.orders), f.MIX_WIDTH: width}
        return f.packed(f.SHOP_HEADER, numbers, tables)

    def _operations(self, needs: list[list[Need]], sigs: list[int]) -> dict[int, Ints]:
        problem, operations = self.problem, self.problem.operations
        before_ptr, before = pointers([[name for name, _ in one.after] for one in operations])
        rival_ptr, rivals = pointers(self.jobs.rivals)
        starts, picks = self._previous(needs)
        earliest = [max(problem.now, order.release) for order in problem.orders]
        every_slot = list(chain.from_iterable(needs))
        group_of = self.jobs.groups.get
        return {
            f.OP_LENGTH: ints([one.length for one in operations]),
            f.OP_RELEASE: ints([one.release_in_pause and one.may_pause and one.length > 0 for one in operations]),
            f.OP_EARLIEST: ints([earliest[one.order] for one in operations]),
            f.OP_LATEST: self._latest(), f.OP_FIXED: ints([one.index in self.fixed.bookings for one in operations]),
            f.OP_ORDER: ints([one.order for one in operations]), f.OP_SIG: ints(sigs),
            f.OP_BEFORE_PTR: before_ptr, f.OP_BEFORE: before,
            f.OP_LAG: ints([lag for one in operations for _, lag in one.after]),
            f.OP_RIVAL_PTR: rival_ptr, f.OP_RIVAL: rivals, f.OP_SLOT_PTR: ranges(needs),
            f.SLOT_GROUP: ints([group_of(need.group, -1) for need in every_slot]),
            f.SLOT_MEMBER: ints([need.member + one for operation in operations for need in operation.needs
                                 for one in range(need.count)]),
            f.SLOT_AMOUNT: ints([need.amount for need in every_slot]),
            f.SLOT_OWN: self._kept_too(needs), f.PREV_START: starts, f.PREV_PICK: picks, f.OP_TAIL: self._tails(),
            f.OP_STARTS: ints(self._starts(sigs))}

    def _starts(self, sigs: list[int]) -> list[int]:
        """For each operation the calendar of its starts, which follows from its length and its signature."""
        known: dict[tuple[int, int], int] = {}
        found = []
        for operation, sig in zip(self.problem.operations, sigs, strict=True):
            number = known.get((sig, operation.length))
            if number is None:
                number = known[sig, operation.length] = self.starts.number(operation)
            found.append(number)
        return found

    def _signatures(self, width: int) -> dict[int, Ints]:
        candidates = self.signatures.candidates
        mixes = [mix for entries in self.signatures.mixes for mix in entries]
        classes = np.full((max(1, len(mixes)), width), -1, np.int64)
        for row, (_, flat) in enumerate(mixes):
            classes[row, :len(flat)] = flat[:width]
        return {
            f.SIG_SLOT_PTR: ranges(self.signatures.slots),
            f.SIG_MIX_PTR: ranges(self.signatures.mixes),
            f.MIX_CAL: ints([number for number, _ in mixes]), f.MIX_CLASS: classes, f.CAND_PTR: ranges(candidates),
            f.CAND: ints([one[0] for entries in candidates for one in entries]),
            f.CAND_LO: on_grid(ints([one[1] for entries in candidates for one in entries]), self.problem.grid),
            f.CAND_HI: ints([one[2] for entries in candidates for one in entries])}

    def _jobs(self) -> dict[int, Ints]:
        jobs = self.jobs
        job_ptr, job_op = pointers(jobs.operations)
        order_ptr, orders = pointers(jobs.orders)
        member_ptr, picks = pointers(jobs.base_pick)
        return {
            f.JOB_PTR: job_ptr, f.JOB_OP: job_op, f.JOB_ORDER_PTR: order_ptr, f.JOB_ORDER: orders,
            f.JOB_GROUP_PTR: ints(jobs.group_ptr), f.GROUP_MEMBER_PTR: member_ptr, f.BASE_PICK: picks,
            f.GROUP_AMOUNT: ints(jobs.group_amount), f.GROUP_LEAST: ints(jobs.group_least),
            f.GROUP_JOB: np.repeat(np.arange(len(jobs.orders)), np.diff(jobs.group_ptr)).astype(np.int64),
            f.BASE_START: ints(jobs.base_start), f.BASE_END: ints(jobs.base_end)}

    def rates(self) -> Floats:
        """Costs for the compiled scheme; see `fields`."""
        late, after = self.weights["tardiness"] / MINUTE, self.weights["moved_promise"] / MINUTE
        orders = [rate for one in self.problem.orders for rate in (one.weight * late, after)]
        return np.array([self.weights["moved_start"], self.weights["changed_resource"],
                         self.weights["makespan"] / MINUTE, *orders], np.float64)

    def _kept_too(self, needs: list[list[Need]]) -> Ints:
        """For each slot, whether what could serve it may be kept by its job for another need."""
        able = {id(need.candidates): need.candidates for entries in needs for need in entries}
        resources = {name: frozenset([one.resource for one in found]) for name, found in able.items()}
        ever_kept = {id(need.candidates) for entries in needs for need in entries if need.group >= 0}
        near = {one: {two for two in ever_kept if not resources[one].isdisjoint(resources[two])} for one in able}
        found: list[list[bool]] = [[True] * len(entries) for entries in needs]
        for number, operations in enumerate(self.jobs.operations):
            groups = range(self.jobs.group_ptr[number], self.jobs.group_ptr[number + 1])
            if any(pick >= 0 for group in groups for pick in self.jobs.base_pick[group]):
                continue
            kept = {(need.group, id(need.candidates)) for index in operations for need in needs[index]
                    if need.group >= 0}
            for index in operations:
                found[index] = [_meets_another(need, near[id(need.candidates)], kept) for need in needs[index]]
        return ints(chain.from_iterable(found))

    def _latest(self) -> Ints:
        latest = [FAR] * len(self.problem.operations)
        for operation in self.problem.operations:
            booking = self.fixed.bookings.get(operation.index)
            if booking is not None and operation.state == "planned":
                for before, lag in operation.after:
                    latest[before] = min(latest[before], booking.start - lag)
        return ints(latest)

    def _tails(self) -> Ints:
        """How long an order lasts at least after each of its operations."""
        tails = [0] * len(self.problem.operations)
        for index in (one for members in self.jobs.operations for one in reversed(members)):
            operation = self.problem.operations[index]
            for before, lag in operation.after:
                if self.problem.operations[before].order == operation.order:
                    tails[before] = max(tails[before], lag + operation.length + tails[index])
        return ints(tails)

    def _fixed_ends(self) -> Ints:
        ends = [-FAR] * len(self.problem.orders)
        for index, booking in self.fixed.bookings.items():
            order = self.problem.operations[index].order
            ends[order] = max(ends[order], booking.end)
        return ints(ends)

    def _previous(self, all_slots: list[list[Need]]) -> tuple[Ints, Ints]:
        starts: list[int] = []
        picks: list[int] = []
        for operation, needs in zip(self.problem.operations, all_slots, strict=True):
            start, given = self.problem.previous.get(operation.index, (-FAR, ()))
            named = given or ()
            starts.append(start)
            picks += named if len(named) == len(needs) else [-1] * len(needs)
        return ints(starts), ints(picks)

    def board(self, shop: Ints) -> Ints:
        """A board with the fixed bookings on it and nothing else."""
        problem, jobs = self.problem, self.jobs
        resources, operations = len(problem.resources), len(problem.operations)
        width = 16 + operations + len(self.fixed.bookings) + len(jobs.group_least)
        width += sum(40 for one in operations_that_release(problem))
        members = [sum(len(picks) for picks in jobs.base_pick[low:high]) for low, high in pairwise(jobs.group_ptr)]
        slots_in_all = int(f.table(shop, f.OP_SLOT_PTR, operations + 1)[-1])

        def many(size: int, value: int = 0) -> Ints:
            return np.full(size, value, np.int64)

        columns = resources * width
        board = f.packed(f.BOARD_HEADER, {f.WIDTH: width, f.BOARD_RESOURCES: resources}, {
            f.BOOKED: many(resources), f.START: many(columns), f.END: many(columns), f.AMOUNT: many(columns),
            f.OP_START: many(operations, f.FAR), f.OP_END: many(operations, -f.FAR), f.OP_MIX: many(operations, -1),
            f.PICK: many(slots_in_all, -1),
            f.GROUP_PICK: ints(chain.from_iterable(jobs.base_pick)),
            f.GROUP_START: ints(jobs.base_start), f.GROUP_END: ints(jobs.base_end),
            f.JOB_PLACED: many(len(jobs.orders)), f.JOB_START: many(len(jobs.orders)),
            f.JOB_END: many(len(jobs.orders)), f.ORDER_END: many(len(problem.orders), -f.FAR),
            f.HOLD_FROM: many((max(members, default=0) + 1) * max(1, resources), -f.FAR),
            f.TRIAL: many(self.signatures.widest), f.BEST: many(self.signatures.widest),
            f.NOTES: ints((-1, 0, 0, f.FAR, 0, 0)), f.REACH: many(operations), f.KNOWN_GROUP: many(f.KNOWN, -1),
            f.KNOWN_START: many(f.KNOWN), f.KNOWN_END: many(f.KNOWN), f.HINT: many(resources)})
        self._enter_fixed(shop, board)
        return board

    def _enter_fixed(self, shop: Ints, board: Ints) -> None:
        entries: list[tuple[int, int, int, int]] = []
        for resource, uses in self.fixed.timeline.uses.items():
            entries += [(resource, use.start, use.end, use.amount) for use in uses
                        if not use.hold or self.jobs.free_hold(use)]
        for index, booking in self.fixed.bookings.items():
            board[board[f.OP_START] + index], board[board[f.OP_END] + index] = booking.start, booking.end
            own = board[f.PICK] + shop[shop[f.OP_SLOT_PTR] + index]
            board[own:own + len(booking.resources)] = booking.resources
        for group, start in enumerate(self.jobs.base_start):
            if start < f.FAR:
                entries += [(pick, start, self.jobs.base_end[group], self.jobs.group_amount[group])
                            for pick in self.jobs.base_pick[group] if pick >= 0]
        for resource, start, end, amount in sorted(entries):
            book(board, resource, start, end, amount)


def _meets_another(need: Need, near: set[int], kept: set[tuple[int, int]]) -> bool:
    """Whether any of the groups kept is not that of the need and has candidates that are near."""
    return bool(near) and any(name in near and group != need.group for group, name in kept)


def on_grid(instants: Ints, grid: int) -> Ints:
    """For each instant the first of the grid not before it, as `kernel_time.up_to_grid` has it."""
    day = instants // DAY
    found: Ints = day * DAY + np.minimum(DAY, -(-(instants - day * DAY) // grid) * grid)
    return found


def operations_that_release(problem: Problem) -> list[Operation]:
    """Those whose bookings fall into stretches."""
    return [one for one in problem.operations if one.release_in_pause and one.may_pause]
