"""Why a shift pattern, a rota or a day without shifts cannot be taken: pure functions, every reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from jobs.errors import Reason
from jobs.planning.models import Rota, ShiftPattern, ShiftSpan
from jobs.planning.models.calendars import MINUTES_A_DAY
from jobs.planning.shifts import Shift

MOST_WEEKS = 12
MOST_SHIFTS = 200
MINUTES_A_WEEK = 7 * MINUTES_A_DAY


def place_of(shift: Shift) -> str:
    """Where a shift stands in its pattern, such as `week 1, Tuesday 22:00`."""
    return f"week {shift.week}, {ShiftSpan.Weekday(shift.weekday).label} {shift.starts:%H:%M}"


def why_not_shifts(shifts: Sequence[Shift], weeks: int) -> list[Reason]:
    """What is wrong with the shifts of a pattern; each reason names the place in it."""
    if not 1 <= weeks <= MOST_WEEKS:
        sentence = f"A pattern comes again after 1 to {MOST_WEEKS} weeks, not after {weeks}."
        return [Reason("weeks", sentence, "weeks")]
    if not shifts:
        return [Reason("no-shifts", "A pattern needs at least one shift. Enter when one begins and ends.", "shifts")]
    if len(shifts) > MOST_SHIFTS:
        sentence = f"These are {len(shifts)} shifts; a pattern holds {MOST_SHIFTS} at most."
        return [Reason("too-many", sentence, "shifts")]
    reasons = [reason for shift in shifts for reason in _why_not_shift(shift, weeks)]
    return reasons or [
        Reason("shifts-overlap", f"{_capital(place_of(one))} and {place_of(other)} overlap.", "shifts")
        for one, other in overlapping(shifts, weeks)
    ]


def overlapping(shifts: Iterable[Shift], weeks: int) -> list[tuple[Shift, Shift]]:
    """Shifts that run into another one, on a clock without changes; the last night runs into the first morning."""
    ordered = sorted(shifts, key=_minute)
    rounds = [(_minute(shift), shift) for shift in ordered]
    if ordered:
        rounds.append((_minute(ordered[0]) + weeks * MINUTES_A_WEEK, ordered[0]))
    found = []
    open_until, holder = -1, None
    for start, shift in rounds:
        if holder is not None and start < open_until and shift is not holder:
            found.append((holder, shift))
        if start + shift.minutes > open_until:
            open_until, holder = start + shift.minutes, shift
    return found


def why_not_rota(rota: Rota, others: Iterable[Rota], *, weeks: int) -> list[Reason]:
    """`others` are the person's other rotas; they may follow one another, but not overlap."""
    reasons = []
    if rota.valid_until is not None and rota.valid_until < rota.valid_from:
        sentence = f"It would end on {words(rota.valid_until)}, before it begins on {words(rota.valid_from)}."
        reasons.append(Reason("dates-reversed", sentence, "valid_until"))
    if not 1 <= rota.first_week <= weeks:
        sentence = f"The pattern {rota.pattern.name} has {counted(weeks, 'week')}; begin in one of them."
        reasons.append(Reason("first-week", sentence, "first_week"))
    if rota.pattern.shop_id != rota.person.shop_id:
        sentence = f"{rota.pattern.name} is a pattern of another shop; choose one of this shop."
        reasons.append(Reason("other-shop", sentence, "pattern"))
    return reasons + [
        Reason("rota-overlaps", f"{rota.person.name} works {other.pattern.name} {period(other)}.", "valid_from")
        for other in others
        if _share_a_day(rota, other)
    ]


def why_not_drop_pattern_weeks(pattern: ShiftPattern, weeks: int, rotas: Iterable[Rota]) -> list[Reason]:
    """A pattern does not lose the week in which a rota begins."""
    return [
        Reason(
            "week-in-use",
            f"The rota of {rota.person.name} begins in week {rota.first_week} of {pattern.name}; change that first.",
            "weeks",
        )
        for rota in rotas
        if rota.first_week > weeks
    ]


def why_not_holiday(day: date, others: Iterable[date]) -> list[Reason]:
    if day in set(others):
        return [Reason("holiday-twice", f"{words(day)} is a day without shifts already.", "day")]
    return []


def period(rota: Rota) -> str:
    """From when until when somebody works a pattern."""
    since = f"from {words(rota.valid_from)}"
    return since if rota.valid_until is None else f"{since} until {words(rota.valid_until)}"


def words(day: date) -> str:
    return f"{day:%Y-%m-%d}"


def counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _why_not_shift(shift: Shift, weeks: int) -> list[Reason]:
    if not 0 <= shift.weekday <= 6:
        return [Reason("weekday", f"There is no weekday {shift.weekday}; Monday is 0 and Sunday 6.", "shifts")]
    reasons = []
    if not 1 <= shift.week <= weeks:
        sentence = f"{_capital(place_of(shift))}: the pattern has {counted(weeks, 'week')} only."
        reasons.append(Reason("week-outside", sentence, "shifts"))
    if not 1 <= shift.minutes <= MINUTES_A_DAY:
        sentence = f"{_capital(place_of(shift))}: a shift lasts from 1 minute to 24 hours, not {shift.minutes} minutes."
        reasons.append(Reason("length", sentence, "shifts"))
    return reasons


def _minute(shift: Shift) -> int:
    """Minutes from the start of the pattern to the start of a shift."""
    days = (shift.week - 1) * 7 + shift.weekday
    return days * MINUTES_A_DAY + shift.starts.hour * 60 + shift.starts.minute


def _share_a_day(one: Rota, other: Rota) -> bool:
    return (one.valid_until is None or other.valid_from <= one.valid_until) and (
        other.valid_until is None or one.valid_from <= other.valid_until
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
