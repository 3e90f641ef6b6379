"""What every form of a page shares: a refusal is shown at the field where it belongs, and what was typed stays."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms

from jobs.errors import Reason, Refusal

MOMENT = "%Y-%m-%dT%H:%M"


class PageForm(forms.Form):
    """A form in front of an action. It reads values; whether they are allowed is the action's to say."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)
        self.status = 200
        self.outcome: Any = None
        self.reasons: tuple[Reason, ...] = ()

    def full_clean(self) -> None:
        for name, field in self.fields.items():
            field.error_messages["required"] = f"{self[name].label} must be given."
        super().full_clean()

    def carried_out(self, action: Callable[..., Any], *subject: Any, **more: Any) -> bool:
        """Read the values and call the action with them; False when either refuses, and the form then says why.

        `outcome` holds what the action returned, `status` what to answer with.
        """
        if not self.is_valid():
            self.status = 422
            return False
        try:
            self.outcome = action(*subject, **{**self.cleaned_data, **more})
        except Refusal as refusal:
            self.take(refusal)
            return False
        return True

    def take(self, refusal: Refusal) -> None:
        """Put every reason of a refusal at its field, the others above the form."""
        self.status, self.reasons = refusal.status, refusal.reasons
        for reason, field in [(reason, self.place_of(reason)) for reason in refusal.reasons]:
            self.add_error(field if field in self.fields else None, reason.sentence)

    def place_of(self, reason: Reason) -> str:
        """The field at which a reason is shown; one that the form does not have puts it above the form."""
        return reason.field

    def refused_with(self, code: str) -> Reason | None:
        """The reason of this code for which the action refused, if it did."""
        return next((one for one in self.reasons if one.code == code), None)


def day_field(label: str, *, required: bool = True, help_text: str = "") -> forms.DateField:
    """A day, with the browser's own calendar."""
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    return forms.DateField(label=label, required=required, help_text=help_text, widget=widget)


def moment_field(label: str, *, required: bool = True, help_text: str = "") -> forms.DateTimeField:
    """A day and time in the zone in force, which the middleware sets to the shop's."""
    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format=MOMENT)
    return forms.DateTimeField(label=label, required=required, help_text=help_text, widget=widget)


def text_field(label: str, *, required: bool = True, help_text: str = "", rows: int = 3) -> forms.CharField:
    """Some lines of text."""
    widget = forms.Textarea(attrs={"rows": rows})
    return forms.CharField(label=label, required=required, help_text=help_text, widget=widget)
