"""The sheet on which readings by hand are typed: pairs forward, pairs in reverse, the same dial on both sides."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django import forms
from django.forms.utils import ErrorDict

from jobs.errors import Reason
from jobs.orders import quantities
from jobs.orders.actions import Typed, TypedPair
from jobs.orders.forms import WithInstruments
from jobs.orders.models import OrderStep
from jobs.orders.rules.hand import MOST_PAIRS, SENSES
from jobs.people.models import Person
from jobs.tooling.models import Instrument

COLUMNS = {"dial": "Dial", "before": "Pointer before the crest", "after": "Pointer after the crest"}
FIRST_ROWS, MORE_ROWS = 3, 2
MOST_ROWS = MOST_PAIRS // len(SENSES)


def _typed(label: str, *, required: bool = False, help_text: str = "") -> forms.CharField:
    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
    return forms.CharField(label=label, max_length=40, required=required, help_text=help_text, widget=widget)


@dataclass(frozen=True)
class Row:
    """One row of the sheet: its fields by column, and what is wrong with any of them."""

    number: int
    cells: dict[str, forms.BoundField]

    @property
    def errors(self) -> list[str]:
        return [str(sentence) for cell in self.cells.values() for sentence in cell.errors]


class HandForm(WithInstruments):
    """Pairs as typed; empty rows are left out. A button posts `more` for further rows, and nothing is taken then."""

    dial_unit = forms.ChoiceField(
        label="The dial reads in",
        choices=[(unit, unit) for unit in quantities.units_for("mm")],
        initial="mm",
        widget=forms.RadioSelect,
    )
    angle_step = _typed("Smallest division of the pointer's scale", required=True)
    crest_dial = _typed("Dial at the crest")
    confirmed = forms.BooleanField(label="I have looked again; the readings stand as typed", required=False)
    # Where reasons about the set as a whole are shown.
    pairs = forms.CharField(label="Readings", required=False, widget=forms.HiddenInput)

    def __init__(self, step: OrderStep, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.name_instruments(step, person, [Instrument.Kind.PROBE])
        spec = step.work_order.spec or {}
        self.needs_crest = (spec.get("datum") or {}).get("kind") not in {None, "lobe"}
        self.fields["crest_dial"].help_text = (
            "Bar slowly over the crest and note the highest reading."
            if self.needs_crest
            else "Only if it was read; a symmetric lobe does without it."
        )
        self.rows = min(MOST_ROWS, self._rows_posted() + (MORE_ROWS if self.wants_more else 0))
        for sense in SENSES:
            for number in range(self.rows):
                for column, label in COLUMNS.items():
                    self.fields[f"{sense}-{number}-{column}"] = _typed(f"{label}, {sense}, pair {number + 1}")

    def full_clean(self) -> None:
        if self.wants_more:  # nothing is to be taken yet, so nothing is wrong yet
            self._errors = ErrorDict()
            self.cleaned_data = {}
            return
        super().full_clean()

    def _rows_posted(self) -> int:
        posted = str(self.data.get("rows", "")) if self.is_bound else ""
        return max(FIRST_ROWS, min(MOST_ROWS, int(posted))) if posted.isdecimal() else FIRST_ROWS

    @property
    def wants_more(self) -> bool:
        return self.is_bound and "more" in self.data

    @property
    def can_have_more(self) -> bool:
        return self.rows < MOST_ROWS

    @property
    def sheet(self) -> list[tuple[str, list[Row]]]:
        """For each sense its rows."""
        return [
            (sense, [Row(number + 1, {column: self[f"{sense}-{number}-{column}"] for column in COLUMNS})
                     for number in range(self.rows)])
            for sense in SENSES
        ]  # fmt: skip

    def _filled(self) -> Iterator[tuple[str, int]]:
        """(sense, row) of every row in which something was typed, in the order of the sheet."""
        for sense in SENSES:
            for number in range(self.rows):
                if any(self.cleaned_data.get(f"{sense}-{number}-{column}") for column in COLUMNS):
                    yield sense, number

    def typed(self) -> Typed:
        """What was typed, for the action."""
        values = self.cleaned_data
        pairs = [
            TypedPair(sense, **{column: values[f"{sense}-{number}-{column}"] for column in COLUMNS})
            for sense, number in self._filled()
        ]
        return Typed(pairs, values["dial_unit"], values["angle_step"], values["crest_dial"])

    @property
    def doubted(self) -> bool:
        """Whether it was refused for nothing but what looks misread, so that it can be confirmed."""
        return bool(self.reasons) and all(reason.code in DOUBTS for reason in self.reasons)

    def place_of(self, reason: Reason) -> str:
        """A reason about a pair stands at the row in which the pair was typed."""
        parts = reason.field.split(".")
        if parts[0] != "pairs" or len(parts) != 3:
            return super().place_of(reason)
        sense, number = list(self._filled())[int(parts[1])]
        return f"{sense}-{number}-{parts[2]}"


DOUBTS = frozenset({"unit-suspicion", "out-of-range", "apart", "astray"})
