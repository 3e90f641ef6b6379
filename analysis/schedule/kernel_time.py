"""Compiled time arithmetic: the grid, open spans, free stretches of a resource. Twin of `calendars` and `place`."""

from __future__ import annotations

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Ints
from analysis.schedule.model import DAY


@compiled
def up_to_grid(at: int, grid: int) -> int:
    """The first instant of the grid not before `at`; the grid counts from each midnight."""
    day = at // DAY
    within = -((day * DAY - at) // grid) * grid
    return day * DAY + min(DAY, within)


@compiled
def down_to_grid(at: int, grid: int) -> int:
    """The last instant of the grid not after `at`."""
    day = at // DAY
    return day * DAY + (at - day * DAY) // grid * grid


@compiled
def span_after(shop: Ints, calendar: int, at: int) -> int:
    """Index of the first span that ends after `at`; the end of the calendar's range when there is none."""
    low, high = shop[shop[f.CAL_PTR] + calendar], shop[shop[f.CAL_PTR] + calendar + 1]
    while low < high:
        middle = (low + high) // 2
        if shop[shop[f.CAL_END] + middle] > at:
            high = middle
        else:
            low = middle + 1
    return int(low)


@compiled
def open_for(shop: Ints, calendar: int, at: int, length: int) -> int:
    """The first instant from `at`, on the grid, from which the calendar is open for the whole length; FAR for none."""
    at = up_to_grid(at, shop[f.GRID])
    if calendar == 0:
        return at
    span, stop = span_after(shop, calendar, at), shop[shop[f.CAL_PTR] + calendar + 1]
    if length == 0 and span > shop[shop[f.CAL_PTR] + calendar] and shop[shop[f.CAL_END] + span - 1] == at:
        return at
    while span < stop:
        begin = up_to_grid(max(at, shop[shop[f.CAL_START] + span]), shop[f.GRID])
        if begin + length <= shop[shop[f.CAL_END] + span] and (length > 0 or begin <= shop[shop[f.CAL_END] + span]):
            return begin
        span += 1
    return FAR


@compiled
def open_to_start(shop: Ints, calendar: int, at: int) -> int:
    """The first instant of the grid from `at` in open time; FAR for none."""
    at = up_to_grid(at, shop[f.GRID])
    if calendar == 0:
        return at
    span, stop = span_after(shop, calendar, at), shop[shop[f.CAL_PTR] + calendar + 1]
    while span < stop:
        begin = up_to_grid(max(at, shop[shop[f.CAL_START] + span]), shop[f.GRID])
        if begin < shop[shop[f.CAL_END] + span]:
            return begin
        span += 1
    return FAR


@compiled
def finish_of(shop: Ints, calendar: int, start: int, length: int) -> int:
    """The end of work that pauses while the calendar is closed; FAR when the calendar ends before the work."""
    if calendar == 0:
        return start + length
    low, stop = span_after(shop, calendar, start), shop[shop[f.CAL_PTR] + calendar + 1]
    if low == stop:
        return FAR
    target = shop[shop[f.CAL_BEFORE] + low] + max(0, start - shop[shop[f.CAL_START] + low]) + length
    if target <= shop[shop[f.CAL_BEFORE] + low] + shop[shop[f.CAL_END] + low] - shop[shop[f.CAL_START] + low]:
        return int(shop[shop[f.CAL_START] + low] + target - shop[shop[f.CAL_BEFORE] + low])
    high = stop - 1  # the last span that begins before the target is reached
    while low < high:
        middle = (low + high + 1) // 2
        if shop[shop[f.CAL_BEFORE] + middle] < target:
            low = middle
        else:
            high = middle - 1
    end = shop[shop[f.CAL_START] + low] + target - shop[shop[f.CAL_BEFORE] + low]
    return end if end <= shop[shop[f.CAL_END] + low] else FAR


@compiled
def first_after(board: Ints, resource: int, at: int) -> int:
    """Index of the first booking of the resource that ends after `at`."""
    low, high = 0, board[board[f.BOOKED] + resource]
    while low < high:
        middle = (low + high) // 2
        if board[board[f.END] + resource * board[f.WIDTH] + middle] > at:
            high = middle
        else:
            low = middle + 1
    return low


@compiled
def blocked_until(shop: Ints, board: Ints, resource: int, start: int, end: int, amount: int) -> int:
    """-1 when the resource is free from start to end, else an instant after `start` before which it cannot be.

    Two intervals meet when each starts before the other ends, so a moment collides only strictly inside.
    """
    if shop[shop[f.RES_CAPACITY] + resource] > 1:
        return crowded_until(shop, board, resource, start, end, amount)
    index = first_after(board, resource, start)
    found = -1
    while index < board[board[f.BOOKED] + resource] and board[board[f.START] + resource * board[f.WIDTH] + index] < end:
        found = board[board[f.END] + resource * board[f.WIDTH] + index]
        index += 1
    return found


@compiled
def crowded_until(shop: Ints, board: Ints, resource: int, start: int, end: int, amount: int) -> int:
    """The same for a resource that several bookings may share: bookings are sorted by start only."""
    room = shop[shop[f.RES_CAPACITY] + resource] - amount
    found = -1
    for index in range(-1, board[board[f.BOOKED] + resource]):
        at = start if index < 0 else board[board[f.START] + resource * board[f.WIDTH] + index]
        if at >= end and not (at == start == end):
            break
        if at < start or (index >= 0 and board[board[f.END] + resource * board[f.WIDTH] + index] <= start):
            continue
        moment = index >= 0 and board[board[f.END] + resource * board[f.WIDTH] + index] == at
        used, frees = (board[board[f.AMOUNT] + resource * board[f.WIDTH] + index] if moment else 0), FAR
        if moment and at == start:
            continue
        for other in range(board[board[f.BOOKED] + resource]):
            if board[board[f.START] + resource * board[f.WIDTH] + other] > at:
                break
            inside = (
                board[board[f.START] + resource * board[f.WIDTH] + other] < at if (moment or start == end) else True
            )
            if inside and board[board[f.END] + resource * board[f.WIDTH] + other] > at:
                used += board[board[f.AMOUNT] + resource * board[f.WIDTH] + other]
                frees = min(frees, board[board[f.END] + resource * board[f.WIDTH] + other])
        if used > room:
            found = max(found, at if moment else frees)
    return found


@compiled
def book(board: Ints, resource: int, start: int, end: int, amount: int) -> None:
    """Enter a booking, keeping the order of starts, then ends."""
    index = board[board[f.BOOKED] + resource]
    while index > 0 and (
        board[board[f.START] + resource * board[f.WIDTH] + index - 1] > start
        or (
            board[board[f.START] + resource * board[f.WIDTH] + index - 1] == start
            and board[board[f.END] + resource * board[f.WIDTH] + index - 1] > end
        )
    ):
        board[board[f.START] + resource * board[f.WIDTH] + index] = board[
            board[f.START] + resource * board[f.WIDTH] + index - 1
        ]
        board[board[f.END] + resource * board[f.WIDTH] + index] = board[
            board[f.END] + resource * board[f.WIDTH] + index - 1
        ]
        board[board[f.AMOUNT] + resource * board[f.WIDTH] + index] = board[
            board[f.AMOUNT] + resource * board[f.WIDTH] + index - 1
        ]
        index -= 1
    board[board[f.START] + resource * board[f.WIDTH] + index] = start
    board[board[f.END] + resource * board[f.WIDTH] + index] = end
    board[board[f.AMOUNT] + resource * board[f.WIDTH] + index] = amount
    board[board[f.BOOKED] + resource] += 1


@compiled
def unbook(board: Ints, resource: int, start: int, end: int, amount: int) -> None:
    """Take a booking out again."""
    low, high = 0, board[board[f.BOOKED] + resource]
    while low < high:  # the first that starts at `start` or later
        middle = (low + high) // 2
        if board[board[f.START] + resource * board[f.WIDTH] + middle] < start:
            low = middle + 1
        else:
            high = middle
    while (
        board[board[f.END] + resource * board[f.WIDTH] + low] != end
        or board[board[f.AMOUNT] + resource * board[f.WIDTH] + low] != amount
    ):
        low += 1
    for index in range(low, board[board[f.BOOKED] + resource] - 1):
        board[board[f.START] + resource * board[f.WIDTH] + index] = board[
            board[f.START] + resource * board[f.WIDTH] + index + 1
        ]
        board[board[f.END] + resource * board[f.WIDTH] + index] = board[
            board[f.END] + resource * board[f.WIDTH] + index + 1
        ]
        board[board[f.AMOUNT] + resource * board[f.WIDTH] + index] = board[
            board[f.AMOUNT] + resource * board[f.WIDTH] + index + 1
        ]
    board[board[f.BOOKED] + resource] -= 1
