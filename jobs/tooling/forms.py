"""What the instrument keeper types."""

from __future__ import annotations

from typing import Any

from django import forms

from jobs.tooling.models import Calibration, Instrument
from jobs.web.forms import PageForm, day_field, text_field


class InstrumentFilterForm(forms.Form):
    words = forms.CharField(label="Asset number, maker or serial", required=False)
    kind = forms.ChoiceField(label="Kind", required=False, choices=[("", "every kind"), *Instrument.Kind.choices])
    due = forms.ChoiceField(
        label="Due",
        required=False,
        choices=[
            ("", "at any time"),
            ("overdue", "overdue or never calibrated"),
            ("soon", "within 30 days"),
            ("in-date", "in date"),
        ],
    )
    state = forms.ChoiceField(
        label="State", required=False, choices=[("", "every state"), *Instrument.State.choices]
    )


class AddInstrumentForm(PageForm):
    asset_number = forms.CharField(label="Asset number", max_length=20, help_text="As it is marked, such as PR-12.")
    kind = forms.ChoiceField(label="Kind", choices=Instrument.Kind.choices)
    maker = forms.CharField(label="Maker", max_length=80, required=False)
    serial = forms.CharField(label="Serial number", max_length=60, required=False)
    range_low = forms.FloatField(label="Range from", required=False, localize=False)
    range_high = forms.FloatField(label="Range to", required=False, localize=False)
    range_unit = forms.CharField(label="Unit of the range", max_length=10, required=False, help_text="mm, deg, N·m, kg")


class CountsField(forms.JSONField):
    """JSON that is empty, not `null`, when nothing is given."""

    def prepare_value(self, value: Any) -> Any:
        return "" if value is None else super().prepare_value(value)


class CalibrationForm(PageForm):
    """A calibration as its certificate states it."""

    performed_on = day_field("Performed on")
    performed_by = forms.CharField(label="Performed by", max_length=120, help_text="Person or laboratory.")
    certificate = forms.CharField(label="Certificate", max_length=80)
    as_found = forms.ChoiceField(
        label="As found", choices=Calibration.Verdict.choices, widget=forms.RadioSelect, initial=None
    )
    as_left = forms.ChoiceField(
        label="As left", choices=Calibration.Verdict.choices, widget=forms.RadioSelect, initial=None
    )
    valid_until = day_field("Valid until, inclusive", help_text="The last day on which it may be used.")
    standard_uncertainty = forms.FloatField(
        label="Standard uncertainty", required=False, localize=False, help_text="In the instrument's own unit."
    )
    probe_calibration = CountsField(
        label="Counts to millimetres",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text='Only for a probe read in counts, such as {"coefficients": [0, 0.0005], "origin": 32768}.',
    )
    note = text_field("Note", required=False, rows=2)

    def __init__(self, instrument: Instrument, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        unit = instrument.range_unit
        if unit:
            self.fields["standard_uncertainty"].label = f"Standard uncertainty, {unit}"
            self.fields["standard_uncertainty"].help_text = ""
        if instrument.kind != Instrument.Kind.PROBE:
            del self.fields["probe_calibration"]


class ReasonForm(PageForm):
    reason = forms.CharField(label="Reason", max_length=300)
