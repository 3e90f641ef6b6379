"""What is typed about units and engines; whether it is allowed is the actions' to say."""

from __future__ import annotations

from django import forms

from jobs.fleet import queries
from jobs.fleet.models import Engine, EngineType
from jobs.web.forms import PageForm, day_field


class AddUnitForm(PageForm):
    number = forms.CharField(label="Running number", max_length=20, help_text="As it stands on the unit.")
    unit_class = forms.CharField(label="Class", max_length=20)


class AddEngineForm(PageForm):
    serial = forms.CharField(label="Serial number", max_length=40, help_text="As it is stamped on the engine.")
    engine_type = forms.ModelChoiceField(
        label="Engine type", queryset=EngineType.objects.all(), empty_label="Choose an engine type"
    )


class EngineByType(forms.ModelChoiceField):  # type: ignore[type-arg]
    """An engine, shown with its type."""

    def label_from_instance(self, obj: Engine) -> str:
        return f"{obj.serial}, {obj.engine_type.code}"


class InstallForm(PageForm):
    """Which engine was put into a unit: those that are in none can be chosen."""

    engine = EngineByType(label="Engine", queryset=queries.engines_in_no_unit(), empty_label="Choose an engine")
    from_on = day_field("Installed on", help_text="The day on which it was put in.")


class RemoveForm(PageForm):
    until_on = day_field("Removed on", help_text="The day on which it was taken out.")
