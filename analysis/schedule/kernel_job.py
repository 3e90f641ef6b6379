"""Compiled placing of a whole job: its operations in order, what it holds, and what its plan costs."""

from __future__ import annotations

from analysis.schedule import fields as f
from analysis.schedule.compiled import compiled
from analysis.schedule.fields import FAR, Ints
from analysis.schedule.kernel_operation import own_hold, place_earliest, serves_from
from analysis.schedule.kernel_time import (
    blocked_until,
    book,
    down_to_grid,
    finish_of,
    open_for,
    open_to_start,
    span_after,
    unbook,
    up_to_grid,
)


@compiled
def enter(shop: Ints, board: Ints, operation: int, out: bool) -> None:
    """Book what the operation needs for itself, or take it out; what the order holds is booked by `enter_holds`."""
    start, end, mix = (
        board[board[f.OP_START] + operation],
        board[board[f.OP_END] + operation],
        board[board[f.OP_MIX] + operation],
    )
    for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
        if shop[shop[f.SLOT_GROUP] + slot] >= 0:
            continue
        resource, amount = board[board[f.PICK] + slot], shop[shop[f.SLOT_AMOUNT] + slot]
        if mix >= 0 and shop[shop[f.OP_RELEASE] + operation] and shop[shop[f.MIX_CAL] + mix] > 0:
            calendar = shop[shop[f.MIX_CAL] + mix]
            for span in range(span_after(shop, calendar, start), shop[shop[f.CAL_PTR] + calendar + 1]):
                low, high = max(start, shop[shop[f.CAL_START] + span]), min(end, shop[shop[f.CAL_END] + span])
                if low >= end:
                    break
                if low < high:
                    if out:
                        unbook(board, resource, low, high, amount)
                    else:
                        book(board, resource, low, high, amount)
        elif out:
            unbook(board, resource, start, end, amount)
        else:
            book(board, resource, start, end, amount)


@compiled
def enter_holds(shop: Ints, board: Ints, job: int, out: bool) -> None:
    """Book what the job holds, as far as it goes now, or take it out."""
    for group in range(shop[shop[f.JOB_GROUP_PTR] + job], shop[shop[f.JOB_GROUP_PTR] + job + 1]):
        if board[board[f.GROUP_START] + group] == FAR:
            continue
        for member in range(shop[shop[f.GROUP_MEMBER_PTR] + group], shop[shop[f.GROUP_MEMBER_PTR] + group + 1]):
            resource = board[board[f.GROUP_PICK] + member]
            if resource >= 0 and out:
                unbook(
                    board,
                    resource,
                    board[board[f.GROUP_START] + group],
                    board[board[f.GROUP_END] + group],
                    shop[shop[f.GROUP_AMOUNT] + group],
                )
            elif resource >= 0:
                book(
                    board,
                    resource,
                    board[board[f.GROUP_START] + group],
                    board[board[f.GROUP_END] + group],
                    shop[shop[f.GROUP_AMOUNT] + group],
                )


@compiled
def back_to_base(shop: Ints, board: Ints, job: int) -> None:
    """Holds as work in hand and pins have them."""
    for group in range(shop[shop[f.JOB_GROUP_PTR] + job], shop[shop[f.JOB_GROUP_PTR] + job + 1]):
        board[board[f.GROUP_START] + group], board[board[f.GROUP_END] + group] = (
            shop[shop[f.BASE_START] + group],
            shop[shop[f.BASE_END] + group],
        )
        for member in range(shop[shop[f.GROUP_MEMBER_PTR] + group], shop[shop[f.GROUP_MEMBER_PTR] + group + 1]):
            board[board[f.GROUP_PICK] + member] = shop[shop[f.BASE_PICK] + member]
    for index in range(shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]):
        operation = shop[shop[f.JOB_OP] + index]
        if not shop[shop[f.OP_FIXED] + operation]:
            board[board[f.OP_START] + operation], board[board[f.OP_END] + operation] = FAR, -FAR


@compiled
def hold_for(shop: Ints, board: Ints, operation: int) -> None:
    """Stretch the operation's holds over it."""
    for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
        group = shop[shop[f.SLOT_GROUP] + slot]
        if group >= 0:
            board[board[f.GROUP_PICK] + shop[shop[f.GROUP_MEMBER_PTR] + group] + shop[shop[f.SLOT_MEMBER] + slot]] = (
                board[board[f.PICK] + slot]
            )
            if board[board[f.GROUP_START] + group] == FAR:
                board[board[f.GROUP_START] + group], board[board[f.GROUP_END] + group] = (
                    board[board[f.OP_START] + operation],
                    board[board[f.OP_END] + operation],
                )
            board[board[f.GROUP_START] + group] = min(
                board[board[f.GROUP_START] + group], board[board[f.OP_START] + operation]
            )
            board[board[f.GROUP_END] + group] = max(
                board[board[f.GROUP_END] + group], board[board[f.OP_END] + operation]
            )


@compiled
def ready_at(shop: Ints, board: Ints, operation: int) -> int:
    """When everything the operation waits for has ended."""
    at = shop[shop[f.OP_EARLIEST] + operation]
    for index in range(shop[shop[f.OP_BEFORE_PTR] + operation], shop[shop[f.OP_BEFORE_PTR] + operation + 1]):
        at = max(at, board[board[f.OP_END] + shop[shop[f.OP_BEFORE] + index]] + shop[shop[f.OP_LAG] + index])
    return int(at)


@compiled
def keeps_previous(shop: Ints, board: Ints, operation: int, at: int, job: int) -> bool:
    """Put the operation where the plan in force has it, if it may stand there."""
    start = shop[shop[f.PREV_START] + operation]
    if start < at or up_to_grid(start, shop[f.GRID]) != start:
        return False
    return keeps_picks(shop, board, operation, start, shop[shop[f.OP_LATEST] + operation], job)


@compiled
def keeps_picks(shop: Ints, board: Ints, operation: int, start: int, by: int, job: int) -> bool:
    """Put the operation there with what it has in the plan in force, if it may stand there so and ends in time."""
    own, sig = shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SIG] + operation]
    length, mix, end = shop[shop[f.OP_LENGTH] + operation], -1, start + shop[shop[f.OP_LENGTH] + operation]
    slots = shop[shop[f.OP_SLOT_PTR] + operation + 1] - own
    for choice in range(shop[shop[f.SIG_MIX_PTR] + sig], shop[shop[f.SIG_MIX_PTR] + sig + 1]):
        fits = True
        for slot in range(slots):
            resource = shop[shop[f.PREV_PICK] + own + slot]
            fits = (
                fits
                and resource >= 0
                and shop[shop[f.RES_CAL] + resource] == shop[shop[f.MIX_CLASS] + choice * shop[f.MIX_WIDTH] + slot]
            )
        if fits:
            mix = choice
            break
    if shop[shop[f.SIG_MIX_PTR] + sig] < shop[shop[f.SIG_MIX_PTR] + sig + 1]:
        if mix < 0 or open_to_start(shop, shop[shop[f.MIX_CAL] + mix], start) != start:
            return False
        end = finish_of(shop, shop[shop[f.MIX_CAL] + mix], start, length)
    if end > by:
        return False
    for rival in range(shop[shop[f.OP_RIVAL_PTR] + operation], shop[shop[f.OP_RIVAL_PTR] + operation + 1]):
        other = shop[shop[f.OP_RIVAL] + rival]
        if board[board[f.OP_START] + other] < end and start < board[board[f.OP_END] + other]:
            return False
    for slot in range(slots):
        if not previous_serves(shop, board, operation, slot, start, end, mix, job):
            return False
    board[board[f.OP_START] + operation], board[board[f.OP_END] + operation], board[board[f.OP_MIX] + operation] = (
        start,
        end,
        mix,
    )
    for slot in range(slots):
        board[board[f.PICK] + own + slot] = shop[shop[f.PREV_PICK] + own + slot]
    return True


@compiled
def previous_serves(
    shop: Ints, board: Ints, operation: int, slot: int, start: int, end: int, mix: int, job: int
) -> bool:
    """Whether the resource of the plan in force can still serve this slot from start to end."""
    first, own = shop[shop[f.SIG_SLOT_PTR] + shop[shop[f.OP_SIG] + operation]], shop[shop[f.OP_SLOT_PTR] + operation]
    for index in range(shop[shop[f.CAND_PTR] + first + slot], shop[shop[f.CAND_PTR] + first + slot + 1]):
        if shop[shop[f.CAND] + index] == shop[shop[f.PREV_PICK] + own + slot]:
            return serves_from(shop, board, operation, own + slot, index, start, end, mix, job) == start
    return False


@compiled
def try_job(shop: Ints, board: Ints, job: int, keep: bool, delay: int) -> bool:
    """One pass over the job's operations; on a dead end everything is taken back and `Board.notes` may say why."""
    first, last = shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]
    board[board[f.NOTES] + 0] = -1
    for index in range(first, last):
        operation = shop[shop[f.JOB_OP] + index]
        if not shop[shop[f.OP_FIXED] + operation]:
            at = ready_at(shop, board, operation)
            if index == first:
                at = max(at, delay)
            placed = keep and keeps_previous(shop, board, operation, at, job)
            if keep and not placed and not board[board[f.NOTES] + f.NOTE_LOOSE]:
                # others at the same time rather than the same at another
                at = max(at, shop[shop[f.PREV_START] + operation])
            board[board[f.NOTES] + 0] = -1
            if not placed and not place_earliest(shop, board, operation, at, job):
                for done in range(first, index):
                    if not shop[shop[f.OP_FIXED] + shop[shop[f.JOB_OP] + done]]:
                        enter(shop, board, shop[shop[f.JOB_OP] + done], True)
                back_to_base(shop, board, job)
                return False
            if keep and not placed:  # at the same time with those it had
                start, end = board[board[f.OP_START] + operation], board[board[f.OP_END] + operation]
                keeps_picks(shop, board, operation, start, end, job)
            enter(shop, board, operation, False)
            hold_for(shop, board, operation)
    return True


@compiled
def try_as_before(shop: Ints, board: Ints, job: int) -> bool:
    """Put every operation of the job where the plan in force has it, or none."""
    first, last = shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]
    for index in range(first, last):
        operation = shop[shop[f.JOB_OP] + index]
        if shop[shop[f.OP_FIXED] + operation]:
            continue
        if not keeps_previous(shop, board, operation, ready_at(shop, board, operation), job):
            for done in range(first, index):
                if not shop[shop[f.OP_FIXED] + shop[shop[f.JOB_OP] + done]]:
                    enter(shop, board, shop[shop[f.JOB_OP] + done], True)
            back_to_base(shop, board, job)
            return False
        enter(shop, board, operation, False)
        hold_for(shop, board, operation)
    return True


@compiled
def latest_again(shop: Ints, board: Ints, operation: int, by: int, job: int) -> None:
    """Move the operation as late as it can go with its resources and end by `by`; it is not booked meanwhile."""
    now, length, mix = (
        board[board[f.OP_START] + operation],
        shop[shop[f.OP_LENGTH] + operation],
        board[board[f.OP_MIX] + operation],
    )
    own, first = shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.SIG_SLOT_PTR] + shop[shop[f.OP_SIG] + operation]]
    start = down_to_grid(by - length, shop[f.GRID])
    steps = 0
    while start > now and steps < 400:
        steps += 1
        end, back = start + length, start
        if mix >= 0:
            end = (
                finish_of(shop, shop[shop[f.MIX_CAL] + mix], start, length)
                if open_to_start(shop, shop[shop[f.MIX_CAL] + mix], start) == start
                else FAR
            )
        good = end <= by
        for slot in range(shop[shop[f.OP_SLOT_PTR] + operation + 1] - own):
            if not good:
                break
            resource = board[board[f.PICK] + own + slot]
            for index in range(shop[shop[f.CAND_PTR] + first + slot], shop[shop[f.CAND_PTR] + first + slot + 1]):
                if shop[shop[f.CAND] + index] == resource:
                    good = good and shop[shop[f.CAND_LO] + index] <= start and end <= shop[shop[f.CAND_HI] + index]
            if mix < 0:
                good = good and open_for(shop, shop[shop[f.RES_CAL] + resource], start, length) == start
            good = good and own_hold(shop, board, own + slot, resource, start, end, job) < 0
            if shop[shop[f.SLOT_GROUP] + own + slot] < 0:
                good = (
                    good
                    and blocked_until(shop, board, resource, start, end, shop[shop[f.SLOT_AMOUNT] + own + slot], 0) < 0
                )
        if good:
            board[board[f.OP_START] + operation], board[board[f.OP_END] + operation] = start, end
            return
        start = down_to_grid(back - 1, shop[f.GRID])


@compiled
def tighten(shop: Ints, board: Ints, job: int) -> None:
    """Start the job's operations as late as its end allows, from the last to the first, so that holds are short."""
    first, last = shop[shop[f.JOB_PTR] + job], shop[shop[f.JOB_PTR] + job + 1]
    for index in range(last - 1, first - 1, -1):
        operation = shop[shop[f.JOB_OP] + index]
        if shop[shop[f.OP_FIXED] + operation]:
            continue
        by = shop[shop[f.OP_LATEST] + operation]
        waits = False
        for later in range(index + 1, last):
            after = shop[shop[f.JOB_OP] + later]
            for before in range(shop[shop[f.OP_BEFORE_PTR] + after], shop[shop[f.OP_BEFORE_PTR] + after + 1]):
                if shop[shop[f.OP_BEFORE] + before] == operation:
                    by, waits = min(by, board[board[f.OP_START] + after] - shop[shop[f.OP_LAG] + before]), True
        held = False
        for slot in range(shop[shop[f.OP_SLOT_PTR] + operation], shop[shop[f.OP_SLOT_PTR] + operation + 1]):
            if shop[shop[f.SLOT_GROUP] + slot] >= 0:
                held, by = True, min(by, board[board[f.GROUP_END] + shop[shop[f.SLOT_GROUP] + slot]])
        rivals = shop[shop[f.OP_RIVAL_PTR] + operation + 1] > shop[shop[f.OP_RIVAL_PTR] + operation]
        kept = board[board[f.OP_START] + operation] == shop[shop[f.PREV_START] + operation]
        if waits and held and not rivals and not kept and by > board[board[f.OP_END] + operation]:
            enter(shop, board, operation, True)
            latest_again(shop, board, operation, by, job)
            enter(shop, board, operation, False)
    for group in range(shop[shop[f.JOB_GROUP_PTR] + job], shop[shop[f.JOB_GROUP_PTR] + job + 1]):
        board[board[f.GROUP_START] + group], board[board[f.GROUP_END] + group] = (
            shop[shop[f.BASE_START] + group],
            shop[shop[f.BASE_END] + group],
        )
    for index in range(first, last):
        if not shop[shop[f.OP_FIXED] + shop[shop[f.JOB_OP] + index]]:
            hold_for(shop, board, shop[shop[f.JOB_OP] + index])
