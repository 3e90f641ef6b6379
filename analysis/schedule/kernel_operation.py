"""Compiled placing of one operation: the earliest instant at which every slot has a free resource of its own.

The instant only ever moves forward, to the next one at which what stood in the way may have gone, so nothing earlier is
passed over. What an order holds is asked for from the group's first start to its last end.
"""

from __future__ import annotations

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Ints
from analysis.schedule.kernel_time import blocked_until, finish_of, open_for, open_to_start, span_after, up_to_grid


@compiled
def worked_until(shop: Ints, board: Ints, resource: int, calendar: int, start: int, end: int, amount: int) -> int:
    """As `blocked_until`, for a booking that leaves its resource free while the calendar is closed."""
    found = -1
    for span in range(span_after(shop, calendar, start), shop[shop[f.CAL_PTR] + calendar + 1]):
        low, high = max(start, shop[shop[f.CAL_START] + span]), min(end, shop[shop[f.CAL_END] + span])
        if low >= end:
            break
        until = blocked_until(shop, board, resource, low, high, amount, 0) if low < high else -1
        if until >= 0:
            found = until if low == start else max(found, up_to_grid(start + 1, shop[f.GRID]))
    return found


@compiled
def least_end(shop: Ints, board: Ints, group: int, start: int) -> int:
    """An instant before which what is kept from `start` on cannot end, as calendars have it; bookings aside.

    That depends on nothing but the problem, so answers are kept.
    """
    known = ((start >> 20) * 40503 + group * 2654435761) & (f.KNOWN - 1)
    if board[board[f.KNOWN_GROUP] + known] == group and board[board[f.KNOWN_START] + known] == start:
        return int(board[board[f.KNOWN_END] + known])
    end = least_end_anew(shop, board, group, start)
    board[board[f.KNOWN_GROUP] + known], board[board[f.KNOWN_START] + known] = group, start
    board[board[f.KNOWN_END] + known] = end
    return end


@compiled
def least_end_anew(shop: Ints, board: Ints, group: int, start: int) -> int:
    """The same worked out."""
    job, reach, last = shop[shop[f.GROUP_JOB] + group], board[f.REACH], start
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        board[reach + operation] = -FAR
        if shop[shop[f.OP_FIXED] + operation]:
            continue
        at, uses = -FAR, False
        for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
            uses = uses or shop[shop[f.SLOT_GROUP] + slot] == group
        if uses:
            at = max(start, shop[shop[f.OP_EARLIEST] + operation])
        for before in range(shop[shop[f.OP_BEFORE_PTR] + operation], shop[shop[f.OP_BEFORE_PTR] + operation + 1]):
            if board[reach + shop[shop[f.OP_BEFORE] + before]] > -FAR:
                at = max(at, board[reach + shop[shop[f.OP_BEFORE] + before]] + shop[shop[f.OP_LAG] + before])
        if at > -FAR:
            begin = open_to_start(shop, shop[shop[f.OP_STARTS] + operation], up_to_grid(at, shop[f.GRID]))
            end = FAR if begin >= FAR else begin + shop[shop[f.OP_LENGTH] + operation]
            board[reach + operation] = end
            last = max(last, end) if uses else last
            if end >= FAR:
                return last
    return int(last)


@compiled
def hold_allows(shop: Ints, board: Ints, slot: int, resource: int, start: int, end: int, member: int) -> int:
    """For a held resource: `start` when it may serve, a later instant worth trying, or FAR (noted) for a dead end."""
    group = shop[shop[f.SLOT_GROUP] + slot]
    amount = shop[shop[f.GROUP_AMOUNT] + group]
    pick = board[board[f.GROUP_PICK] + shop[shop[f.GROUP_MEMBER_PTR] + group] + shop[shop[f.SLOT_MEMBER] + slot]]
    if pick >= 0 and pick != resource:
        return FAR
    for other in range(shop[shop[f.GROUP_MEMBER_PTR] + group], shop[shop[f.GROUP_MEMBER_PTR] + group + 1]):
        if (
            board[board[f.GROUP_PICK] + other] == resource
            and other != shop[shop[f.GROUP_MEMBER_PTR] + group] + shop[shop[f.SLOT_MEMBER] + slot]
        ):
            return FAR
    if board[board[f.GROUP_START] + group] == FAR:
        if start < board[board[f.HOLD_FROM] + member * board[f.BOARD_RESOURCES] + resource]:
            return int(board[board[f.HOLD_FROM] + member * board[f.BOARD_RESOURCES] + resource])
        least = shop[shop[f.GROUP_LEAST] + group]
        until = blocked_until(shop, board, resource, start, max(end, start + least), amount, least)
        if until < 0:
            until = blocked_until(shop, board, resource, start, least_end(shop, board, group, start), amount, least)
        return start if until < 0 else until
    first, last = min(start, board[board[f.GROUP_START] + group]), max(end, board[board[f.GROUP_END] + group])
    until = blocked_until(shop, board, resource, first, last, amount, 0)
    if until < 0:
        return start
    if start < until <= board[board[f.GROUP_START] + group]:
        return until
    board[board[f.NOTES] + 0], board[board[f.NOTES] + 1], board[board[f.NOTES] + 2] = member, resource, until
    return FAR


@compiled
def lapsed(shop: Ints, board: Ints, slot: int, resource: int, member: int) -> None:
    """Note that what the job keeps may not be used long enough, so that it takes another one next time."""
    group = shop[shop[f.SLOT_GROUP] + slot]
    own = shop[shop[f.GROUP_MEMBER_PTR] + group] + shop[shop[f.SLOT_MEMBER] + slot]
    if (
        board[board[f.GROUP_PICK] + own] == resource
        and board[board[f.HOLD_FROM] + member * board[f.BOARD_RESOURCES] + resource] < FAR
    ):
        board[board[f.NOTES] + 0], board[board[f.NOTES] + 1], board[board[f.NOTES] + 2] = member, resource, FAR


@compiled
def closed(shop: Ints, board: Ints, operation: int, at: int, job: int) -> None:
    """Note of what the job keeps that its own calendar lets it be used no longer, from `at` on."""
    first, length = shop[shop[f.JOB_GROUP_PTR] + job], shop[shop[f.OP_LENGTH] + operation]
    for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
        group = shop[shop[f.SLOT_GROUP] + slot]
        if group < 0:
            continue
        own = shop[shop[f.GROUP_MEMBER_PTR] + group] + shop[shop[f.SLOT_MEMBER] + slot]
        pick = board[board[f.GROUP_PICK] + own]
        if pick >= 0:
            begin = open_to_start(shop, shop[shop[f.RES_CAL] + pick], at)
            if begin >= FAR or finish_of(shop, shop[shop[f.RES_CAL] + pick], begin, length) >= FAR:
                lapsed(shop, board, slot, pick, int(own - shop[shop[f.GROUP_MEMBER_PTR] + first]))


@compiled
def own_hold(shop: Ints, board: Ints, slot: int, resource: int, start: int, end: int, job: int) -> int:
    """Until when the job keeps this resource for another need meanwhile, -1 when it does not.

    What a job keeps is not on the board while it is being placed.
    """
    until = -1
    for group in range(shop[shop[f.JOB_GROUP_PTR] + job], shop[shop[f.JOB_GROUP_PTR] + job + 1]):
        if group != shop[shop[f.SLOT_GROUP] + slot]:
            for member in range(shop[shop[f.GROUP_MEMBER_PTR] + group], shop[shop[f.GROUP_MEMBER_PTR] + group + 1]):
                if (
                    board[board[f.GROUP_PICK] + member] == resource
                    and board[board[f.GROUP_START] + group] < end
                    and start < board[board[f.GROUP_END] + group]
                ):
                    until = max(until, board[board[f.GROUP_END] + group])
    return int(until)


@compiled
def serves_from(
    shop: Ints, board: Ints, operation: int, slot: int, index: int, at: int, end: int, mix: int, job: int
) -> int:
    """`at`, on the grid, when candidate `index` can serve the slot then, else the next instant worth trying, or FAR."""
    resource = shop[shop[f.CAND] + index]
    at = max(at, shop[shop[f.CAND_LO] + index])
    length = shop[shop[f.OP_LENGTH] + operation]
    member = -1
    if shop[shop[f.SLOT_GROUP] + slot] >= 0:
        own = shop[shop[f.GROUP_MEMBER_PTR] + shop[shop[f.SLOT_GROUP] + slot]] + shop[shop[f.SLOT_MEMBER] + slot]
        pick = board[board[f.GROUP_PICK] + own]
        if pick >= 0 and pick != resource:
            return FAR
        member = int(own - shop[shop[f.GROUP_MEMBER_PTR] + shop[shop[f.JOB_GROUP_PTR] + job]])
    while True:
        if mix < 0:
            at = open_for(shop, shop[shop[f.RES_CAL] + resource], at, length)
            if at >= FAR:
                if member >= 0:
                    lapsed(shop, board, slot, resource, member)
                return FAR
            end = at + length
        if end > shop[shop[f.CAND_HI] + index]:
            if member >= 0:
                lapsed(shop, board, slot, resource, member)
            return FAR
        until = -1
        if shop[shop[f.SLOT_OWN] + slot]:
            until = own_hold(shop, board, slot, resource, at, end, job)
        if until >= 0:
            pass
        elif member >= 0:
            until = hold_allows(shop, board, slot, resource, at, end, member)
            if until == at:
                return at
        elif mix >= 0 and shop[shop[f.OP_RELEASE] + operation] and shop[shop[f.MIX_CAL] + mix] > 0:
            until = worked_until(
                shop, board, resource, shop[shop[f.MIX_CAL] + mix], at, end, shop[shop[f.SLOT_AMOUNT] + slot]
            )
        else:
            until = blocked_until(shop, board, resource, at, end, shop[shop[f.SLOT_AMOUNT] + slot], length)
        if until < 0:
            return at
        if until >= FAR:
            return FAR
        at = up_to_grid(max(until, at + 1), shop[f.GRID])
        if mix >= 0:
            return at  # the end moves with the start: the caller works it out anew


@compiled
def match(shop: Ints, board: Ints, operation: int, at: int, end: int, mix: int, job: int) -> int:
    """Give each slot its own resource at `at`: -1 when done (`Board.trial`), else the next instant worth trying."""
    sig = shop[shop[f.OP_SIG] + operation]
    first, slots = (
        shop[shop[f.SIG_SLOT_PTR] + sig],
        shop[shop[f.SIG_SLOT_PTR] + sig + 1] - shop[shop[f.SIG_SLOT_PTR] + sig],
    )
    own = shop[shop[f.OP_SLOT_PTR] + operation]
    later = FAR
    depth = 0
    turn = board[board[f.NOTES] + f.NOTE_TURN]
    for slot in range(slots):
        board[board[f.TRIAL] + slot] = -1
    while 0 <= depth < slots:
        low = shop[shop[f.CAND_PTR] + first + depth]
        number = shop[shop[f.CAND_PTR] + first + depth + 1] - low
        back, count, index, found = board[board[f.TRIAL] + depth], 0, low, False
        if number and back >= 0:
            count = (back - low - turn) % number + 1
        while count < number and not found:
            index = low + (count + turn) % number
            resource = shop[shop[f.CAND] + index]
            usable = (
                mix < 0 or shop[shop[f.RES_CAL] + resource] == shop[shop[f.MIX_CLASS] + mix * shop[f.MIX_WIDTH] + depth]
            )
            for other in range(depth):
                usable = usable and shop[shop[f.CAND] + board[board[f.TRIAL] + other]] != resource
            if usable:
                start = serves_from(shop, board, operation, own + depth, index, at, end, mix, job)
                found = start == at
                if not found:
                    later = min(later, start)
            count += 1
        if found:
            board[board[f.TRIAL] + depth] = index
            depth += 1
        else:
            board[board[f.TRIAL] + depth] = -1
            depth -= 1
    return -1 if depth == slots else later


@compiled
def earliest_in(shop: Ints, board: Ints, operation: int, at: int, mix: int, job: int, limit: int) -> tuple[int, int]:
    """Start and end of the earliest place in one mix that ends before `limit`, (FAR, FAR) for none."""
    sig = shop[shop[f.OP_SIG] + operation]
    first, slots = (
        shop[shop[f.SIG_SLOT_PTR] + sig],
        shop[shop[f.SIG_SLOT_PTR] + sig + 1] - shop[shop[f.SIG_SLOT_PTR] + sig],
    )
    own, length = shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_LENGTH] + operation]
    at = up_to_grid(at, shop[f.GRID])
    while True:
        at = open_to_start(shop, shop[shop[f.OP_STARTS] + operation], at)
        if at >= FAR:
            return FAR, FAR
        if mix >= 0:
            since, at = at, open_to_start(shop, shop[shop[f.MIX_CAL] + mix], at)
            end = FAR if at >= FAR else finish_of(shop, shop[shop[f.MIX_CAL] + mix], at, length)
            if end >= FAR:
                closed(shop, board, operation, since, job)
        else:
            end = at + length
        if end >= limit:
            return FAR, FAR
        begin = at
        for rival in range(shop[shop[f.OP_RIVAL_PTR] + operation], shop[shop[f.OP_RIVAL_PTR] + operation + 1]):
            other = shop[shop[f.OP_RIVAL] + rival]
            if board[board[f.OP_START] + other] < end and at < board[board[f.OP_END] + other]:
                begin = up_to_grid(max(begin, board[board[f.OP_END] + other]), shop[f.GRID])
        differ = True
        for slot in range(slots):
            if begin > at and mix >= 0:
                break  # the end moves with the start: it is worked out anew
            soonest = FAR
            for index in range(shop[shop[f.CAND_PTR] + first + slot], shop[shop[f.CAND_PTR] + first + slot + 1]):
                resource = shop[shop[f.CAND] + index]
                if (
                    mix >= 0
                    and shop[shop[f.RES_CAL] + resource] != shop[shop[f.MIX_CLASS] + mix * shop[f.MIX_WIDTH] + slot]
                ):
                    continue
                soonest = min(soonest, serves_from(shop, board, operation, own + slot, index, begin, end, mix, job))
                if soonest <= begin:
                    for other in range(slot):
                        differ = differ and shop[shop[f.CAND] + board[board[f.TRIAL] + other]] != resource
                    board[board[f.TRIAL] + slot] = index
                    break
            begin = max(begin, soonest)
            if begin >= FAR:
                return FAR, FAR
        if begin == at:
            if differ and board[board[f.NOTES] + f.NOTE_TURN] == 0:
                return at, end  # the first that can serve each slot; `match` would take the same
            begin = match(shop, board, operation, at, end, mix, job)
            if begin < 0:
                return at, end
            if begin >= FAR:
                return FAR, FAR
        at = begin


@compiled
def place_earliest(shop: Ints, board: Ints, operation: int, at: int, job: int) -> bool:
    """Put the operation at its earliest end over all mixes; its start, end and picks go to the board."""
    sig, own = shop[shop[f.OP_SIG] + operation], shop[shop[f.OP_SLOT_PTR] + operation]
    slots = shop[shop[f.OP_SLOT_PTR] + operation + 1] - own
    by = min(shop[shop[f.OP_LATEST] + operation], board[board[f.NOTES] + f.NOTE_BY] - shop[shop[f.OP_TAIL] + operation])
    best_end, best_start, best_mix = by + 1, FAR, -1
    low, high = shop[shop[f.SIG_MIX_PTR] + sig], shop[shop[f.SIG_MIX_PTR] + sig + 1]
    if low == high:
        low, high = -1, 0
    for mix in range(low, high):
        start, end = earliest_in(shop, board, operation, at, mix, job, best_end)
        if end < best_end:
            best_end, best_start, best_mix = end, start, mix
            for slot in range(slots):
                board[board[f.BEST] + slot] = shop[shop[f.CAND] + board[board[f.TRIAL] + slot]]
    if best_start >= FAR:
        return False
    board[board[f.OP_START] + operation], board[board[f.OP_END] + operation], board[board[f.OP_MIX] + operation] = (
        best_start,
        best_end,
        best_mix,
    )
    for slot in range(slots):
        board[board[f.PICK] + own + slot] = board[board[f.BEST] + slot]
    return True
