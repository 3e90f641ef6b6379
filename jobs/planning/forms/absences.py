"""What is typed about absences."""

from __future__ import annotations

from typing import Any

from django import forms

from jobs.errors import Reason
from jobs.people.models import Person
from jobs.planning import moments
from jobs.planning.imports import entries
from jobs.planning.models import Place
from jobs.planning.naming import subjects_of
from jobs.planning.rules.absences import Subject, name_of
from jobs.tooling.models import Instrument
from jobs.web.forms import PageForm, day_field

Choices = list[tuple[str, list[tuple[str, str]]]]


def key_of(subject: Subject) -> str:
    """A subject as a value of a form, such as `person-12`."""
    kind = "person" if isinstance(subject, Person) else "place" if isinstance(subject, Place) else "instrument"
    return f"{kind}-{subject.pk}"


def choices_of(subjects: list[Subject]) -> Choices:
    """The subjects of a shop in groups, as a choice field takes them."""
    groups = (("People", Person), ("Bays and cranes", Place), ("Instruments", Instrument))
    return [
        (title, [(key_of(one), name_of(one)) for one in subjects if isinstance(one, kind)]) for title, kind in groups
    ]


class WhoField(forms.TypedChoiceField):
    """A person, place or instrument of a shop."""

    def __init__(self, subjects: list[Subject], *, label: str, empty: str = "", help_text: str = "") -> None:
        found = {key_of(one): one for one in subjects}
        super().__init__(
            label=label,
            choices=[("", empty or "choose"), *choices_of(subjects)],
            coerce=lambda key: found[key],
            empty_value=None,
            required=not empty,
            help_text=help_text,
        )


def time_field(label: str, help_text: str) -> forms.TimeField:
    widget = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
    return forms.TimeField(label=label, required=False, widget=widget, help_text=help_text)


class AbsenceForm(PageForm):
    """Days with or without times: whole days, both with, when no time is given."""

    who: WhoField
    from_day = day_field("From")
    from_time = time_field("From, time of day", "Empty: from the start of the day.")
    until_day = day_field("Until, inclusive", required=False, help_text="Empty: until further notice.")
    until_time = time_field("Until, time of day", "Empty: to the end of the day.")
    reason = forms.CharField(
        label="Reason", max_length=120, required=False, help_text="In a word or two, such as leave or course."
    )

    def __init__(self, asking: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = asking.shop.zone
        self.fields["who"] = WhoField(subjects_of(asking.shop), label="Who or what")
        self.order_fields(["who", "from_day", "from_time", "until_day", "until_time", "reason"])

    def place_of(self, reason: Reason) -> str:
        return {"starts_at": "from_day", "ends_at": "until_day"}.get(reason.field, reason.field)

    def clean(self) -> dict[str, Any]:
        values = dict(super().clean() or self.cleaned_data)
        from_day, from_time = values.pop("from_day", None), values.pop("from_time", None)
        until_day, until_time = values.pop("until_day", None), values.pop("until_time", None)
        values["starts_at"] = values["ends_at"] = None
        if until_time is not None and until_day is None and "until_day" not in self.errors:
            self.add_error("until_day", "Say on which day it ends at this time.")
        try:
            if from_day is not None:
                values["starts_at"] = moments.begins(from_day, from_time, self.zone)
        except moments.NoSuchTime as refused:
            self.add_error("from_day", str(refused))
        try:
            if until_day is not None:
                values["ends_at"] = moments.ends(until_day, until_time, self.zone)
        except moments.NoSuchTime as refused:
            self.add_error("until_day", str(refused))
        return values


class AbsenceFilterForm(forms.Form):
    """Who, and a period that the absence touches."""

    who: WhoField
    since = day_field("From", required=False)
    until = day_field("Until", required=False)
    state = forms.ChoiceField(
        label="State",
        required=False,
        choices=[("", "not withdrawn"), ("withdrawn", "withdrawn"), ("all", "every state")],
    )

    def __init__(self, asking: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["who"] = WhoField(subjects_of(asking.shop), label="Who or what", empty="everybody and everything")
        self.order_fields(["who", "since", "until", "state"])


class ImportForm(PageForm):
    """A file, and for a calendar of one person whose it is."""

    file = forms.FileField(
        label="File", help_text=f"CSV or iCalendar (.ics), {entries.MOST_BYTES // 1024} kB at most.", max_length=200
    )
    whose: WhoField

    def __init__(self, asking: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["whose"] = _whose(asking)


class TakeForm(PageForm):
    """The file as it was shown, sent again with the planner's word."""

    text = forms.CharField(widget=forms.HiddenInput, strip=False, max_length=2 * entries.MOST_BYTES)
    file_name = forms.CharField(widget=forms.HiddenInput, max_length=200, required=False)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64)
    whose: WhoField

    def __init__(self, asking: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["whose"] = _whose(asking)
        self.fields["whose"].widget = forms.HiddenInput()


def _whose(asking: Person) -> WhoField:
    return WhoField(
        subjects_of(asking.shop),
        label="Whose calendar it is",
        empty="the entries say who",
        help_text="For iCalendar. Otherwise each entry names who is away: “Una Farrow: leave”.",
    )


