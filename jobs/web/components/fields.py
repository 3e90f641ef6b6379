"""Form fields, readings, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.forms import BoundField, widgets

from jobs.web.figures import true_minus


def field(bound: BoundField, *, unit: str = "", units: BoundField | None = None) -> dict[str, Any]:
    """A form field with its label, help and error, tied together for a screen reader."""
    name = bound.id_for_label or bound.auto_id or bound.html_name
    told = [f"{name}_help"] if bound.help_text else []
    told += [f"{name}_error"] if bound.errors else []
    attributes: dict[str, Any] = {"aria-describedby": " ".join(told)} if told else {}
    if bound.errors:
        attributes["aria-invalid"] = "true"
    kind = bound.widget_type
    return {
        "bound": bound,
        "name": name,
        "kind": kind,
        "group": kind in {"radioselect", "checkboxselectmultiple"},
        "tick": kind == "checkbox",
        "widget": bound.as_widget(attrs=attributes),
        "unit": unit,
        "units": units.as_widget(attrs={"aria-label": "Unit"}) if units is not None else "",
        "unit_errors": units.errors if units is not None else [],
    }


def form_errors(form: Any) -> dict[str, Any]:
    """What is wrong with a form, at its head, each sentence linked to its field."""
    found = [
        {"id": bound.id_for_label or bound.auto_id, "label": bound.label, "sentences": bound.errors}
        for bound in form
        if bound.errors
    ]
    return {"general": form.non_field_errors(), "found": found, "kept": any(_stays(bound) for bound in form)}


def _stays(bound: BoundField) -> bool:
    """Whether something typed stands in the field again; a browser gives back no password and no file."""
    gone = (widgets.PasswordInput, widgets.FileInput)
    return not bound.is_hidden and not isinstance(bound.field.widget, gone) and bool(bound.data)


def reasons(why: Iterable[Any], *, heading: str = "") -> dict[str, Any]:
    """Every reason why something is refused."""
    return {"reasons": [str(reason) for reason in why], "heading": heading}


def reading_field(
    *,
    name: str,
    label: str,
    unit: str = "",
    value: Any = "",
    low: Any = None,
    high: Any = None,
    error: str = "",
    point: str = "",
    unit_choices: Iterable[tuple[str, str]] = (),
    unit_name: str = "unit",
    id: str = "",
    required: bool = True,
) -> dict[str, Any]:
    """A field for one measured value: decimal keyboard, the unit in the field, the limits above it."""
    low_text, high_text = _limit(low), _limit(high)
    if low_text and high_text:
        limits = f"{low_text} to {high_text} {unit}"
    elif low_text or high_text:
        limits = f"{'at least' if low_text else 'at most'} {low_text or high_text} {unit}"
    else:
        limits = ""
    return {
        "name": name,
        "id": id or f"reading-{name}",
        "label": label,
        "point": point,
        "unit": unit,
        "value": "" if value is None else value,
        "limits": limits.strip(),
        "error": error,
        "choices": list(unit_choices),
        "unit_name": unit_name,
        "required": required,
    }


def _limit(value: Any) -> str:
    if value is None or value == "":
        return ""
    text = f"{value}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return true_minus(text)
