"""Where things are in the flat arrays of the compiled scheme.

Compiled functions pass every array they are given one by one, so the problem is one int64 array, the *shop*, and the
plan under construction another, the *board*. Each begins with a header; `shop[shop[OP_LENGTH] + operation]` is the
length of an operation. `X_PTR` holds ranges: what belongs to i lies from `[X_PTR + i]` to `[X_PTR + i + 1]`. Instants
and lengths are microseconds; -1 is "none" among indices, FAR an instant that never comes.

A *slot* is one resource of a booking: a need with `count` 2 has two. A *job* is what is placed in one go: an order, or
several that wait for each other. A *mix* is a choice of calendars, one for each slot, for an operation that may pause;
its calendar is the time that is open in all of them. A *group* is what an order holds by one need; its *members* are
resources.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Words = npt.NDArray[np.uint64]
FAR = 2**61

# The shop. Plain numbers first, then tables.
GRID, RESOURCES, ORDERS, JOBS, MIX_WIDTH = range(5)
CAL_PTR, CAL_START, CAL_END, CAL_BEFORE = range(5, 9)                   # BEFORE: open time before the span
RES_CAL, RES_CAPACITY = range(9, 11)                                    # calendar 0 is always open
OP_LENGTH, OP_RELEASE, OP_EARLIEST, OP_LATEST, OP_FIXED, OP_ORDER, OP_SIG = range(11, 18)
OP_BEFORE_PTR, OP_BEFORE, OP_LAG = range(18, 21)
OP_RIVAL_PTR, OP_RIVAL = range(21, 23)                                  # may not run together with the operation
OP_SLOT_PTR, SLOT_GROUP, SLOT_MEMBER, SLOT_AMOUNT = range(23, 27)
SIG_SLOT_PTR, SIG_MIX_PTR, MIX_CAL, MIX_CLASS = range(27, 31)           # signature: operations with the same needs
CAND_PTR, CAND, CAND_LO, CAND_HI = range(31, 35)                        # by signature slot
JOB_PTR, JOB_OP, JOB_ORDER_PTR, JOB_ORDER, JOB_GROUP_PTR = range(35, 40)
GROUP_MEMBER_PTR, GROUP_AMOUNT, GROUP_LEAST = range(40, 43)             # LEAST: shortest time a hold can last
BASE_START, BASE_END, BASE_PICK = range(43, 46)                         # holds by work in hand and pins
ORDER_DUE, ORDER_PROMISE, FIXED_END = range(46, 49)
PREV_START, PREV_PICK = range(49, 51)
OP_TAIL, OP_STARTS = range(51, 53)      # what must still follow within the order; calendar of possible starts
GROUP_JOB, CAL_DAY, DAYS = range(53, 56)                                # DAY: first span that ends after a midnight
CAL_OPEN = 56       # first instant of the grid in the span, or after it
SLOT_OWN = 57       # whether the job may keep what could serve the slot for another need of its own
SHOP_HEADER = 58

# The board. BOOKED counts the bookings of a resource; START, END, AMOUNT are tables of WIDTH columns, sorted.
WIDTH, BOARD_RESOURCES, BOOKED, START, END, AMOUNT = range(6)
OP_START, OP_END, OP_MIX, PICK = range(6, 10)
GROUP_PICK, GROUP_START, GROUP_END = range(10, 13)
JOB_PLACED, JOB_START, JOB_END, ORDER_END = range(13, 17)
HOLD_FROM, TRIAL, BEST, NOTES, REACH = range(17, 22)                    # scratch
KNOWN_GROUP, KNOWN_START, KNOWN_END = range(22, 25)     # scratch: answers of `least_end`, by a hash of what was asked
HINT = 25                               # scratch: what `first_after` last found for each resource
LOOKS = 26                              # a number: how often bookings were looked up, which is what takes the time
BOARD_HEADER = 27
KNOWN = 4096
# In NOTES: by when the job has to end, with which candidate of each slot it begins, and whether an operation that has
# lost its place in the plan in force may start earlier than there.
NOTE_BY, NOTE_TURN, NOTE_LOOSE = 3, 4, 5

# Rates, floats: cost of a moved start, of a changed resource, and per microsecond of the last end; then two for each
# order, per microsecond late and per microsecond after the promise.
MOVE_COST, CHANGE_COST, SPAN_RATE, ORDER_RATE = range(4)


def packed(header: int, numbers: Mapping[int, int], tables: Mapping[int, Ints]) -> Ints:
    """One array: the header with plain numbers and the places of the tables, then the tables."""
    heads = [0] * header
    parts, place = [np.zeros(0, np.int64)], header
    for field, value in numbers.items():
        heads[field] = value
    for field, table in tables.items():
        heads[field] = place
        parts.append(table.ravel())
        place += table.size
    return np.concatenate([np.array(heads, np.int64), *parts])


def table(array: Ints, field: int, size: int) -> Ints:
    """A view of one table."""
    return array[int(array[field]):int(array[field]) + size]
