"""What a planner types about places, shifts, rotas and days without shifts."""

from __future__ import annotations

import re
from typing import Any

from django import forms

from jobs.people.models import Person
from jobs.planning import facts, typed
from jobs.planning.models import Place, Rota, ShiftPattern, ShiftSpan
from jobs.planning.rules.calendars import MOST_WEEKS
from jobs.planning.shifts import Shift
from jobs.web.forms import PageForm, day_field

_CELL = re.compile(r"w([1-9]\d?)d[0-6]")


class PlaceForm(PageForm):
    pattern: forms.ModelChoiceField[ShiftPattern]
    kind = forms.ChoiceField(label="Kind", choices=Place.Kind.choices)
    name = forms.CharField(label="Name", max_length=40, help_text="As it is called in the shop, such as Bay 3.")
    usable_from = day_field("From", required=False)
    usable_until = day_field("Until, inclusive", required=False, help_text="Empty while it stays.")

    def __init__(self, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["pattern"] = forms.ModelChoiceField(
            label="Open in the shifts of",
            queryset=facts.patterns_of(person),
            required=False,
            empty_label="every hour of every day",
        )
        self.order_fields(["kind", "name", "pattern", "usable_from", "usable_until"])


class RotaForm(PageForm):
    person: forms.ModelChoiceField[Person]
    pattern: forms.ModelChoiceField[ShiftPattern]
    valid_from = day_field("From")
    valid_until = day_field("Until, inclusive", required=False, help_text="Empty: until another rota is given.")
    first_week = forms.IntegerField(
        label="Begins in week",
        min_value=1,
        max_value=MOST_WEEKS,
        initial=1,
        localize=False,
        help_text="The week of the pattern in which the first day lies.",
    )

    def __init__(self, asking: Person, *args: Any, rota: Rota | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if rota is None:
            people = Person.objects.filter(shop=asking.shop, is_active=True)
            self.fields["person"] = forms.ModelChoiceField(label="Who", queryset=people, empty_label="Choose")
        self.fields["pattern"] = forms.ModelChoiceField(
            label="Works", queryset=facts.patterns_of(asking), empty_label="Choose"
        )
        self.order_fields(["person", "pattern", "valid_from", "valid_until", "first_week"])


class HolidayForm(PageForm):
    day = day_field("Day", help_text="No shift begins on it; a night shift of the evening before runs to its end.")
    name = forms.CharField(label="Called", max_length=80)


class PatternForm(PageForm):
    """A pattern as a grid: a column for each week, a row for each weekday, its shifts as text in the cell."""

    name = forms.CharField(label="Name", max_length=60)
    weeks = forms.IntegerField(
        label="Comes again after",
        min_value=1,
        max_value=MOST_WEEKS,
        initial=1,
        localize=False,
        help_text="Weeks, 1 to 12.",
    )

    def __init__(self, *args: Any, pattern: ShiftPattern | None = None, **kwargs: Any) -> None:
        initial = dict(kwargs.pop("initial", None) or {})
        if pattern is not None:
            initial |= {"name": pattern.name, "weeks": pattern.weeks} | cells(facts.shifts_of(pattern))
        super().__init__(*args, initial=initial, **kwargs)
        self.laid_out = self._weeks(initial)
        for week in range(1, self.laid_out + 1):
            for day in ShiftSpan.Weekday:
                label = f"Week {week}, {day.label}"
                self.fields[_cell(week, day)] = forms.CharField(label=label, required=False, max_length=120)

    def _weeks(self, initial: dict[str, Any]) -> int:
        """Weeks that the grid shows: as many as are asked for, and those whose cells still hold something."""
        try:
            asked = int(self.data.get("weeks", "") if self.is_bound else initial.get("weeks", 1))
        except (TypeError, ValueError):
            asked = 1
        held = [int(found[1]) for name in self.data if self.data[name] and (found := _CELL.fullmatch(name))]
        return min(max([asked, 1, *held]), MOST_WEEKS)

    @property
    def grid(self) -> list[tuple[str, list[forms.BoundField]]]:
        """For each weekday its name and its cells, week by week."""
        weeks = range(1, self.laid_out + 1)
        return [(str(day.label), [self[_cell(week, day)] for week in weeks]) for day in ShiftSpan.Weekday]

    @property
    def week_numbers(self) -> range:
        return range(1, self.laid_out + 1)

    def clean(self) -> dict[str, Any]:
        """Turn the cells into `shifts`; what cannot be read is said at its cell."""
        values = dict(super().clean() or self.cleaned_data)
        shifts: list[Shift] = []
        for week in self.week_numbers:
            for day in ShiftSpan.Weekday:
                text = values.pop(_cell(week, day), "")
                try:
                    shifts += [Shift(week, int(day), starts, minutes) for starts, minutes in typed.read(text)]
                except typed.NotAShift as refused:
                    self.add_error(_cell(week, day), str(refused))
        return {**values, "shifts": shifts}


def _cell(week: int, day: int) -> str:
    return f"w{week}d{int(day)}"


def cells(shifts: list[Shift]) -> dict[str, str]:
    """The text of each cell that holds shifts."""
    found: dict[str, list[Shift]] = {}
    for one in shifts:
        found.setdefault(_cell(one.week, one.weekday), []).append(one)
    return {name: typed.written(held) for name, held in found.items()}
