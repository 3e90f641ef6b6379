"""What is typed about work orders and their steps."""

from __future__ import annotations

from typing import Any

from django import forms

from jobs.errors import Reason
from jobs.fleet.models import Installation, Unit
from jobs.orders import board, quantities
from jobs.orders.models import Finding, OrderStep, Procedure, WorkOrder
from jobs.people.models import Person, Role
from jobs.people.queries import people_of
from jobs.tooling.models import Instrument
from jobs.tooling.queries import of_kind
from jobs.web.figures import true_minus
from jobs.web.forms import PageForm, moment_field, text_field


class BoardFilterForm(forms.Form):
    words = forms.CharField(label="Number, unit or engine", required=False)
    state = forms.ChoiceField(label="State", required=False, choices=board.STATES)
    needs = forms.ChoiceField(label="Waits for", required=False, choices=[("", "anything"), *board.NEEDS])
    who = forms.ChoiceField(label="Whose", required=False, choices=[("", "everybody's"), ("mine", "mine")])
    priority = forms.TypedChoiceField(
        label="Priority",
        required=False,
        coerce=int,
        empty_value=None,
        choices=[("", "every priority"), *WorkOrder.Priority.choices],
    )
    bay = forms.ChoiceField(label="Bay", required=False)
    late = forms.BooleanField(label="Past its time only", required=False)

    def __init__(self, *args: Any, bays: list[str], **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)
        self.fields["bay"].choices = [("", "every bay"), *((bay, bay) for bay in bays)]  # type: ignore[attr-defined]


class UnitField(forms.ModelChoiceField):  # type: ignore[type-arg]
    def label_from_instance(self, unit: Unit) -> str:
        installed: list[Installation] = getattr(unit, "installed_now", [])
        return f"{unit.number}, engine {installed[0].engine.serial}" if installed else f"{unit.number}, no engine"


class RequestForm(PageForm):
    unit: UnitField
    procedure = forms.ModelChoiceField(label="Procedure", queryset=Procedure.objects.all(), empty_label=None)
    reason = forms.ChoiceField(label="Reason", choices=WorkOrder.Reason.choices, widget=forms.RadioSelect)
    reason_note = text_field("What is known", required=False, help_text="Symptoms, parts renewed, who reported it.")
    priority = forms.TypedChoiceField(
        label="Priority",
        coerce=int,
        choices=WorkOrder.Priority.choices,
        initial=WorkOrder.Priority.ROUTINE,
        widget=forms.RadioSelect,
    )
    needed_by = moment_field("Needed back by", required=False, help_text="Shop time.")

    def __init__(self, units: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"] = UnitField(label="Unit", queryset=units, empty_label="Choose a unit")
        self.fields["procedure"].label_from_instance = lambda one: one.title  # type: ignore[attr-defined]
        self.order_fields(["unit", "procedure", "reason", "reason_note", "priority", "needed_by"])


class PersonField(forms.ModelChoiceField):  # type: ignore[type-arg]
    def label_from_instance(self, one: Person) -> str:
        return one.name


class PlanForm(PageForm):
    bay = forms.CharField(label="Bay", max_length=40)
    planned_start = moment_field("Start", help_text="Shop time.")
    planned_end = moment_field("End", help_text="Shop time.")
    promised_at = moment_field("Promised out by", required=False, help_text="Told to the unit's owner.")
    technician: PersonField
    inspector: PersonField

    def __init__(self, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, role in (("technician", Role.TECHNICIAN), ("inspector", Role.INSPECTOR)):
            people = people_of(person).filter(is_active=True, grants__role=role).distinct()
            self.fields[name] = PersonField(
                label=Role(role).label.capitalize(), queryset=people, empty_label=f"Choose the {Role(role).label}"
            )


class NoValues(PageForm):
    """For what is done by saying so."""


class ReasonForm(PageForm):
    reason = text_field("Reason")


class FindingForm(PageForm):
    text = text_field("What does not conform", help_text="What, where, how much, with its unit.")


class DecisionForm(PageForm):
    decision = forms.ChoiceField(
        label="Decision",
        choices=[(Finding.Decision.REWORK, "rework: do it again"), (Finding.Decision.ACCEPT, "accept it as it is")],
        widget=forms.RadioSelect,
    )
    reason = text_field("Reason")


# --- Steps --------------------------------------------------------------------------------------------


class InstrumentSelect(forms.Select):
    """What may not be used stands in the list with its reason, and only what was chosen before can be sent again."""

    def create_option(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        option: dict[str, Any] = super().create_option(*args, **kwargs)
        one = getattr(option["value"], "instance", None)
        if one is not None and not one.is_usable and not option["selected"]:
            option["attrs"]["disabled"] = True
        return option


class InstrumentField(forms.ModelChoiceField):  # type: ignore[type-arg]
    widget = InstrumentSelect

    def label_from_instance(self, one: Any) -> str:
        if not one.is_usable:
            return f"{one.asset_number}, not to be used: {self._why(one)}"
        span = ""
        if one.range_low is not None and one.range_high is not None:
            span = f", {one.range_low:g} to {one.range_high:g} {one.range_unit}".rstrip()
        return f"{one.asset_number}{span}, due {one.due_on}"

    def _why(self, one: Instrument) -> str:
        """A word or two; the rule gives the sentence."""
        if one.state == Instrument.State.WITHDRAWN:
            return "withdrawn"
        if one.due_on is None:
            return "no calibration"
        return f"was due {one.due_on}" if one.due_on < one.shop.today() else "see its calibrations"


class WithInstruments(PageForm):
    """A form at a step that names instruments, one field for each kind.

    It takes any of the shop's: whether one may be used is the rule's to say, in the same words as everywhere.
    """

    def name_instruments(self, step: OrderStep, person: Person, kinds: list[str]) -> None:
        day = person.shop.today()
        for kind in kinds:
            label = Instrument.Kind(kind).label
            self.fields[kind] = InstrumentField(
                label=label.capitalize(),
                queryset=of_kind(person, kind, day).select_related("shop"),
                empty_label=f"Choose the {label}",
                error_messages={"invalid_choice": f"{person.shop.name} has no such {label}. Choose another."},
            )
            used = step.work_order.instrument_uses.filter(instrument__kind=kind).order_by("-at").first()
            # Offered again is what this order was begun with; what was never used stays a choice to make.
            self.initial.setdefault(kind, used.instrument_id if used else None)

    def instruments(self, kinds: list[str]) -> list[Instrument]:
        return [self.cleaned_data[kind] for kind in kinds if self.cleaned_data.get(kind)]

    def place_of(self, reason: Reason) -> str:
        """A reason about an instrument is shown at the field where the one it names was chosen."""
        if reason.field != "instrument":
            return reason.field
        chosen = {name: one for name, one in self.cleaned_data.items() if isinstance(one, Instrument)}
        named = (name for name, one in chosen.items() if one.asset_number in reason.sentence)
        return next(named, reason.field)


class ReadingForm(WithInstruments):
    """One value at one point of a reading or torque step."""

    entered = forms.CharField(
        label="Value",
        max_length=40,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    unit: forms.ChoiceField
    point = forms.CharField(required=False, widget=forms.HiddenInput)
    unit_confirmed = forms.BooleanField(required=False, widget=forms.HiddenInput)

    def __init__(self, step: OrderStep, person: Person, units: list[str], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kinds: list[str] = list(step.definition.instrument_kinds)
        self.fields["unit"] = forms.ChoiceField(label="Unit", choices=[(unit, unit) for unit in units])
        definition = step.definition
        point = self.data.get("point", "") if self.is_bound else self.initial.get("point", "")
        label = (definition.quantity or "value").capitalize()
        self.fields["entered"].label = f"{label}, {point}" if point else label
        limits = quantities.limits_in_words(definition.low, definition.high, definition.unit)
        self.fields["entered"].help_text = true_minus(f"Limits: {limits}.")
        self.name_instruments(step, person, self.kinds)
        self.order_fields(["entered", "unit", *self.kinds])

    @property
    def instrument_fields(self) -> list[forms.BoundField]:
        return [self[kind] for kind in self.kinds]


class CorrectionForm(PageForm):
    entered = forms.CharField(
        label="Right value",
        max_length=40,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "autofocus": True}),
    )
    unit: forms.ChoiceField
    reason = forms.CharField(label="Why it was wrong", max_length=300)
    unit_confirmed = forms.BooleanField(required=False, widget=forms.HiddenInput)

    def __init__(self, units: list[str], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"] = forms.ChoiceField(label="Unit", choices=[(unit, unit) for unit in units])
        self.order_fields(["entered", "unit", "reason"])


class NoteForm(PageForm):
    note = text_field("Note", required=False, rows=2)


class PhotoForm(PageForm):
    file = forms.FileField(
        label="Photo",
        allow_empty_file=True,
        widget=forms.ClearableFileInput(attrs={"accept": "image/jpeg,image/png,image/webp"}),
    )


class TraceForm(WithInstruments):
    """A recording and the instruments that made it."""

    file = forms.FileField(
        label="Trace file",
        allow_empty_file=True,
        max_length=200,
        help_text="CSV or CSV.gz as the recorder wrote it. It is stored unchanged.",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.gz,.parquet,.mf4,text/csv"}),
    )
    repeated_because = forms.CharField(
        label="Handed in before: why again?",
        max_length=300,
        required=False,
        help_text="Only when Midflank has told you that the same file was handed in elsewhere.",
    )

    def __init__(self, step: OrderStep, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.name_instruments(step, person, [Instrument.Kind.PROBE, Instrument.Kind.ENCODER])
        self.order_fields(["probe", "encoder", "file", "repeated_because"])
