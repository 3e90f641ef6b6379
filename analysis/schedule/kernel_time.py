"""Compiled time arithmetic: the grid, open spans, free stretches of a resource. Twin of `calendars` and `place`."""

from __future__ import annotations

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Ints
from analysis.schedule.model import DAY


@compiled
def up_to_grid(at: int, grid: int) -> int:
    """The first instant of the grid not before `at`; the grid counts from each midnight."""
    day = at // DAY
    within = at - day * DAY
    steps = int(within / grid)          # exact in doubles but for one, and a fourth of the time of a whole division
    if steps * grid < within:
        steps += 1
    if (steps - 1) * grid >= within:
        steps -= 1
    return day * DAY + min(DAY, steps * grid)


@compiled
def down_to_grid(at: int, grid: int) -> int:
    """The last instant of the grid not after `at`."""
    day = at // DAY
    return day * DAY + (at - day * DAY) // grid * grid


@compiled
def span_after(shop: Ints, calendar: int, at: int) -> int:
    """Index of the first span that ends after `at`; the end of the calendar's range when there is none."""
    low, high, ends = shop[shop[f.CAL_PTR] + calendar], shop[shop[f.CAL_PTR] + calendar + 1], shop[f.CAL_END]
    day = at // DAY
    if day >= 0:
        low = shop[shop[f.CAL_DAY] + calendar * shop[f.DAYS] + min(day, shop[f.DAYS] - 1)]
    while low < high and shop[ends + low] <= at:
        low += 1
    return int(low)


@compiled
def open_for(shop: Ints, calendar: int, at: int, length: int) -> int:
    """The first instant from `at`, both on the grid, at which the calendar opens for the whole length; FAR for none."""
    if calendar == 0:
        return at
    span, stop = span_after(shop, calendar, at), shop[shop[f.CAL_PTR] + calendar + 1]
    if length == 0 and span > shop[shop[f.CAL_PTR] + calendar] and shop[shop[f.CAL_END] + span - 1] == at:
        return at
    while span < stop:
        begin = max(at, shop[shop[f.CAL_OPEN] + span])
        if begin + length <= shop[shop[f.CAL_END] + span] and (length > 0 or begin <= shop[shop[f.CAL_END] + span]):
            return int(begin)
        span += 1
    return FAR


@compiled
def open_to_start(shop: Ints, calendar: int, at: int) -> int:
    """The first instant of the grid in open time, from `at` on it; FAR for none."""
    if calendar == 0:
        return at
    span, stop = span_after(shop, calendar, at), shop[shop[f.CAL_PTR] + calendar + 1]
    while span < stop:
        begin = max(at, shop[shop[f.CAL_OPEN] + span])
        if begin < shop[shop[f.CAL_END] + span]:
            return int(begin)
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
    """Index of the first booking of the resource that ends after `at`.

    The same resource is mostly asked about near the instant before, so that the search spreads from what it found then.
    """
    board[f.LOOKS] += 1
    ends, booked = board[f.END] + resource * board[f.WIDTH], board[board[f.BOOKED] + resource]
    low, step = min(board[board[f.HINT] + resource], booked), 1
    if low < booked and board[ends + low] <= at:
        low, high = low + 1, low + 1
        while high < booked and board[ends + high] <= at:
            low, high, step = high + 1, high + 1 + step, step * 2
        high = min(high, booked)
    else:
        low, high = low - 1, low
        while low >= 0 and board[ends + low] > at:
            low, high, step = low - step, low, step * 2
        low = max(low + 1, 0)
    while low < high:
        middle = (low + high) // 2
        if board[ends + middle] > at:
            high = middle
        else:
            low = middle + 1
    board[board[f.HINT] + resource] = low
    return int(low)


@compiled
def blocked_until(shop: Ints, board: Ints, resource: int, start: int, end: int, amount: int, least: int) -> int:
    """-1 when the resource is free from start to end, else an instant after `start` before which it cannot be.

    Two intervals meet when each starts before the other ends, so a moment collides only strictly inside. What is asked
    for lasts `least` wherever it starts, so that shorter gaps are passed over.
    """
    if shop[shop[f.RES_CAPACITY] + resource] > 1:
        return crowded_until(shop, board, resource, start, end, amount)
    starts, ends = board[f.START] + resource * board[f.WIDTH], board[f.END] + resource * board[f.WIDTH]
    index, booked = first_after(board, resource, start), board[board[f.BOOKED] + resource]
    found = -1
    while index < booked and board[starts + index] < end:
        found = board[ends + index]
        index += 1
    if found >= 0:
        while index < booked and board[starts + index] < found + least:
            found = board[ends + index]
            index += 1
    return int(found)


@compiled
def crowded_until(shop: Ints, board: Ints, resource: int, start: int, end: int, amount: int) -> int:
    """The same for a resource that several bookings may share: bookings are sorted by start only."""
    starts, ends = board[f.START] + resource * board[f.WIDTH], board[f.END] + resource * board[f.WIDTH]
    amounts, booked = board[f.AMOUNT] + resource * board[f.WIDTH], board[board[f.BOOKED] + resource]
    room = shop[shop[f.RES_CAPACITY] + resource] - amount
    found = -1
    for index in range(-1, booked):
        at = start if index < 0 else board[starts + index]
        if at >= end and not (at == start == end):
            break
        if at < start or (index >= 0 and board[ends + index] <= start):
            continue
        moment = index >= 0 and board[ends + index] == at
        used, frees = (board[amounts + index] if moment else 0), FAR
        if moment and at == start:
            continue
        for other in range(booked):
            if board[starts + other] > at:
                break
            inside = board[starts + other] < at if (moment or start == end) else True
            if inside and board[ends + other] > at:
                used += board[amounts + other]
                frees = min(frees, board[ends + other])
        if used > room:
            found = max(found, at if moment else frees)
    return found


@compiled
def shift_later(board: Ints, low: int, high: int) -> None:
    """Move what lies from low to high by one place up. Without a sign the index makes this one move of memory."""
    for step in range(high - low):
        place = np.uint64(high - step)
        board[place] = board[place - np.uint64(1)]


@compiled
def shift_earlier(board: Ints, low: int, high: int) -> None:
    """Move what lies from low to high by one place down, over what lies before."""
    for place in range(np.uint64(low), np.uint64(high)):
        board[place - np.uint64(1)] = board[place]


@compiled
def book(board: Ints, resource: int, start: int, end: int, amount: int) -> None:
    """Enter a booking, keeping the order of starts, then ends."""
    # The places are worked out once: the compiler cannot know that writing a booking leaves the header alone.
    starts, ends = board[f.START] + resource * board[f.WIDTH], board[f.END] + resource * board[f.WIDTH]
    amounts, booked = board[f.AMOUNT] + resource * board[f.WIDTH], board[board[f.BOOKED] + resource]
    index = first_after(board, resource, start)
    while index < booked and (
        board[starts + index] < start or (board[starts + index] == start and board[ends + index] <= end)
    ):
        index += 1
    while index > 0 and (
        board[starts + index - 1] > start or (board[starts + index - 1] == start and board[ends + index - 1] > end)
    ):
        index -= 1
    shift_later(board, starts + index, starts + booked)
    shift_later(board, ends + index, ends + booked)
    shift_later(board, amounts + index, amounts + booked)
    board[starts + index], board[ends + index], board[amounts + index] = start, end, amount
    board[board[f.BOOKED] + resource] = booked + 1


@compiled
def unbook(board: Ints, resource: int, start: int, end: int, amount: int) -> None:
    """Take a booking out again."""
    starts, ends = board[f.START] + resource * board[f.WIDTH], board[f.END] + resource * board[f.WIDTH]
    amounts, booked = board[f.AMOUNT] + resource * board[f.WIDTH], board[board[f.BOOKED] + resource]
    low = first_after(board, resource, start)
    while low > 0 and board[starts + low - 1] >= start:
        low -= 1
    while board[starts + low] < start:
        low += 1
    while board[ends + low] != end or board[amounts + low] != amount:
        low += 1
    shift_earlier(board, starts + low + 1, starts + booked)
    shift_earlier(board, ends + low + 1, ends + booked)
    shift_earlier(board, amounts + low + 1, amounts + booked)
    board[board[f.BOOKED] + resource] = booked - 1
