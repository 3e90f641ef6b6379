"""The drawn components and figures for templates: `{% load drawn %}`.

Each component is one template in `templates/components/`; where its lines go is in `jobs.web.drawing`. The
SVGs carry their colours as presentation attributes, so that the same markup is right on paper, where no
style sheet reaches into a drawing; on screen the classes take over.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from django import template
from django.core.paginator import Page
from django.forms import BoundField
from django.urls import reverse

from jobs.web import drawing
from jobs.web.figures import MINUS, NOTHING, as_float, number, verdict_word

register = template.Library()
Context = template.Context


def _of(thing: Any, name: str) -> Any:
    """A value of an object or of a result dict, or None."""
    if isinstance(thing, Mapping):
        return thing.get(name)
    return getattr(thing, name, None)


# --- Figures --------------------------------------------------------------------------------------------


@register.filter
def deg(value: Any, places: int = 3) -> str:
    """`+0.031°`, a deviation or shift in degrees."""
    text = number(value, places, signed=True)
    return text if text == NOTHING else text + "°"


@register.filter
def deg_plain(value: Any, places: int = 3) -> str:
    """`140.031°`, an angle or uncertainty in degrees."""
    text = number(value, places)
    return text if text == NOTHING else text + "°"


@register.filter
def mm(value: Any, places: int = 3) -> str:
    text = number(value, places, signed=True)
    return text if text == NOTHING else text + " mm"


@register.filter(name="number")
def number_filter(value: Any, places: int = 3) -> str:
    return number(value, places)


@register.simple_tag
def signed(value: Any, places: int = 3) -> str:
    return number(value, places, signed=True)


register.filter("verdict_word", verdict_word)


# --- Interval mark --------------------------------------------------------------------------------------

_LIES = {
    "inside": "The interval lies inside the tolerance.",
    "outside": "The interval lies outside the tolerance.",
    "straddling": "The interval straddles the limit.",
    "empty": "Empty scale: there is no result.",
}


@register.inclusion_tag("components/interval_mark.html")
def interval_mark(
    deviation_deg: Any,
    expanded_deg: Any,
    tolerance_deg: Any,
    verdict: str | None = "",
    *,
    size: str = "row",
    words: bool = True,
    name: str = "",
) -> dict[str, Any]:
    """A verdict drawn to scale: tolerance zone, deviation and expanded uncertainty, with the word beside it."""
    deviation, expanded, tolerance = as_float(deviation_deg), as_float(expanded_deg), as_float(tolerance_deg)
    if verdict == "no-result":
        deviation = expanded = None
    mark = drawing.interval_mark(deviation, expanded, tolerance, size=drawing.SIZES[size])
    figures = "" if mark.lie == "empty" else f"{deg(deviation)} ± {deg_plain(expanded)}"
    limit = f"limit ±{deg_plain(tolerance)}" if tolerance else ""
    word = verdict_word(verdict)
    parts = [f"{name}:" if name else "", "" if words else f"{word}.", figures and f"{figures}, {limit}."]
    parts += [_LIES[mark.lie], "Off the scale, drawn behind the broken line." if mark.off else ""]
    return {
        "mark": mark,
        "size": mark.size,
        "word": word,
        "words": words,
        "figures": figures,
        "limit": limit,
        "times": number(abs(deviation) / tolerance, 1) if mark.off and deviation and tolerance else "",
        "alternative": " ".join(part for part in parts if part),
        "low_text": f"{MINUS}{tolerance:g}°" if tolerance else "",
        "high_text": f"+{tolerance:g}°" if tolerance else "",
    }


@register.inclusion_tag("components/interval_mark.html")
def interval_mark_of(analysis: Any, tolerance_deg: Any, **options: Any) -> dict[str, Any]:
    """The interval mark of an analysis or result dict; an empty scale for None."""
    return interval_mark(
        _of(analysis, "deviation_deg"),
        _of(analysis, "expanded_uncertainty_deg"),
        tolerance_deg,
        _of(analysis, "verdict") or "",
        **options,
    )


# --- Timing circle --------------------------------------------------------------------------------------


@register.inclusion_tag("components/timing_circle.html")
def timing_circle(
    target_deg: Any,
    tolerance_deg: Any,
    rotation: str,
    viewing_end: str,
    *,
    as_found: Any = None,
    as_left: Any = None,
    reference_cylinder: str = "",
) -> dict[str, Any]:
    """The picture of a job: crank circle, target, tolerance, as-found and as-left in the sense of rotation."""
    target, tolerance = as_float(target_deg) or 0.0, as_float(tolerance_deg)
    if tolerance is None or tolerance <= 0:
        return {"circle": None}
    results = {"as-found": as_found, "as-left": as_left}
    found: dict[str, tuple[float, float]] = {}
    for stage, result in results.items():
        at = as_float(_of(result, "deviation_deg"))
        expanded = as_float(_of(result, "expanded_uncertainty_deg"))
        if at is not None and expanded is not None and _of(result, "verdict") != "no-result":
            found[stage] = (at, expanded)
    circle = drawing.timing_circle(
        target_deg=target, tolerance_deg=tolerance, clockwise=rotation != "anticlockwise", found=found
    )
    key = [
        {"stage": stage, "text": _result_words(results[stage], found.get(stage)), "drawn": stage in found}
        for stage in results
    ]
    said = "; ".join(f"{line['stage']} {line['text']}" for line in key)
    return {
        "circle": circle,
        "key": key,
        "target": deg_plain(target),
        "tolerance": f"±{deg_plain(tolerance)}",
        "rotation": rotation,
        "viewing_end": viewing_end,
        "reference_cylinder": reference_cylinder,
        "alternative": f"Timing circle, {rotation} seen from the {viewing_end}. Target {deg_plain(target)} "
        f"± {deg_plain(tolerance)}; {said}.",
    }


def _result_words(result: Any, found: tuple[float, float] | None) -> str:
    if found is not None:
        return f"{deg(found[0])} ± {deg_plain(found[1])}, {verdict_word(_of(result, 'verdict'))}"
    return "not measured yet" if result is None else "no result"


# --- Title block ----------------------------------------------------------------------------------------

# The data fields of ISO 7200 in the order in which they are drawn: key, label, mandatory, columns of twelve.
_FIELDS = (
    ("department", "Responsible department", False, 3),
    ("reference", "Technical reference", False, 3),
    ("creator", "Creator", True, 3),
    ("approved_by", "Approval person", True, 3),
    ("owner", "Legal owner", True, 3),
    ("document_type", "Document type", True, 3),
    ("title", "Title", True, 6),
    ("status", "Document status", False, 3),
    ("identification", "Identification number", True, 3),
    ("revision", "Revision", False, 1),
    ("date", "Date of issue", True, 3),
    ("language", "Lang.", False, 1),
    ("sheet", "Sheet", True, 1),
)


@register.inclusion_tag("components/title_block.html", takes_context=True)
def title_block(context: Context, *, identification: Any, title: Any, **fields: Any) -> dict[str, Any]:
    """The title block of a record, with the data fields of ISO 7200.

    A mandatory field without a value is drawn empty, so that a gap is seen; another one is left out.
    """
    unknown = set(fields) - {key for key, *_ in _FIELDS} - {"supplement", "responsible"}
    if unknown:
        raise template.TemplateSyntaxError(f"title_block does not know {', '.join(sorted(unknown))}")
    shop = context.get("shop")
    values: dict[str, Any] = {"sheet": "1/1", "language": "en"}
    if shop is not None:
        values |= {"owner": shop.railway, "department": shop.name}
    values |= {key: value for key, value in fields.items() if value not in (None, "")}
    values |= {"identification": identification, "title": title}
    values.setdefault("reference", fields.get("responsible"))
    cells = [
        {"key": key, "label": label, "value": values.get(key) or "", "columns": columns}
        for key, label, mandatory, columns in _FIELDS
        if mandatory or values.get(key)
    ]
    return {"cells": cells, "supplement": fields.get("supplement", "")}


# --- Cautions -------------------------------------------------------------------------------------------

# ANSI Z535.6 and ISO 3864-2: what each signal word means.
_SENSES = {
    "danger": "a hazard that will kill or badly hurt someone if it is not avoided",
    "warning": "a hazard that could kill or badly hurt someone if it is not avoided",
    "caution": "a hazard that could hurt someone slightly or moderately if it is not avoided",
    "notice": "something that could do damage, but does not hurt people",
}


@register.inclusion_tag("components/caution.html")
def caution(word: str, hazard: str, consequence: str, avoidance: str, *, title: str = "") -> dict[str, Any]:
    """A safety message: signal word in its defined sense, hazard, consequence, and how to avoid it."""
    level = str(word).lower()
    if level not in _SENSES:
        raise template.TemplateSyntaxError(f"caution does not know the signal word {word!r}")
    return {
        "level": level,
        "word": level.upper(),
        "sense": _SENSES[level],
        "alert": level != "notice",
        "title": title,
        "hazard": hazard,
        "consequence": consequence,
        "avoidance": avoidance,
    }


@register.inclusion_tag("components/caution.html")
def caution_of(definition: Any) -> dict[str, Any]:
    """The caution of a procedure step."""
    return caution(
        definition.signal_word,
        definition.hazard,
        definition.consequence,
        definition.avoidance,
        title=definition.title,
    )


# --- State and due date ---------------------------------------------------------------------------------

_LINE = ["requested", "planned", "released", "in-work", "to-verify", "closed"]


def _state(order: Any) -> tuple[str, str, str]:
    """State, the state it was held from, and why it is held or cancelled."""
    if isinstance(order, str):
        return order, "", ""
    why = order.held_reason if order.state == "held" else order.cancelled_reason
    return str(order.state), str(order.held_from or ""), str(why or "")


def _words(state: str) -> str:
    return state.replace("-", " ")


@register.inclusion_tag("components/state_word.html")
def state_word(order: Any, *, reason: bool = False) -> dict[str, Any]:
    """A work order's state in words; a held one says what it was held from, and on wish why."""
    state, held_from, why = _state(order)
    return {"state": state, "word": _words(state), "held_from": _words(held_from), "why": why if reason else ""}


@register.inclusion_tag("components/state_line.html")
def state_line(order: Any) -> dict[str, Any]:
    """The six states in their order with the present one marked."""
    state, held_from, why = _state(order)
    stops = drawing.state_line(_LINE, held_from or state)
    shown = [{"word": _words(stop.word), "place": stop.place} for stop in stops]
    return {"stops": shown, "state": state, "word": _words(state), "held_from": _words(held_from), "why": why}


@register.inclusion_tag("components/due_mark.html")
def due_mark(due_on: date | None, today: date, *, warn_days: int = 30, what: str = "") -> dict[str, Any]:
    """Whether a due date has passed or is near: words, with a mark whose shape says the same."""
    days = None if due_on is None else (due_on - today).days
    if days is None:
        state, words = "none", f"no {what}".strip() if what else "no due date"
    elif days < 0:
        state, words = "overdue", f"overdue by {_days(-days)}"
    elif days <= warn_days:
        state, words = "soon", "due today" if days == 0 else f"due in {_days(days)}"
    else:
        state, words = "in-date", "in date"
    return {"due_on": due_on, "state": state, "words": words, "what": what}


def _days(count: int) -> str:
    return f"{count} day" if count == 1 else f"{count} days"


# --- Forms ----------------------------------------------------------------------------------------------


@register.inclusion_tag("components/field.html")
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


@register.inclusion_tag("components/form_errors.html")
def form_errors(form: Any) -> dict[str, Any]:
    """What is wrong with a form, at its head, each sentence linked to its field."""
    found = [
        {"id": bound.id_for_label or bound.auto_id, "label": bound.label, "sentences": bound.errors}
        for bound in form
        if bound.errors
    ]
    return {"general": form.non_field_errors(), "found": found}


@register.inclusion_tag("components/reasons.html")
def reasons(why: Iterable[Any], *, heading: str = "") -> dict[str, Any]:
    """Every reason why something is refused."""
    return {"reasons": [str(reason) for reason in why], "heading": heading}


@register.inclusion_tag("components/reading_field.html")
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
    return text.replace("-", MINUS)


# --- Lists ----------------------------------------------------------------------------------------------


def _query(context: Context, **changes: str | None) -> str:
    """The page's query string with some parameters changed, taken out when None; always starts with `?`."""
    request = context.get("request")
    query = request.GET.copy() if request is not None else None
    if query is None:
        kept = {key: value for key, value in changes.items() if value is not None}
        return "?" + "&".join(f"{key}={value}" for key, value in kept.items())
    for key, value in changes.items():
        if value is None:
            query.pop(key, None)
        else:
            query[key] = value
    return "?" + query.urlencode()


@register.inclusion_tag("components/pagination.html", takes_context=True)
def pagination(context: Context, page: Page[Any], *, parameter: str = "page") -> dict[str, Any]:
    """Which rows are shown out of how many, and the way to the others, by links that keep the filter."""
    count = page.paginator.count
    links = [
        {"number": one, "href": _query(context, **{parameter: str(one)}) if isinstance(one, int) else ""}
        for one in page.paginator.get_elided_page_range(page.number, on_each_side=1, on_ends=1)
    ]
    previous = page.previous_page_number() if page.has_previous() else None
    following = page.next_page_number() if page.has_next() else None
    return {
        "page": page,
        "count": count,
        "links": links if page.paginator.num_pages > 1 else [],
        "previous": _query(context, **{parameter: str(previous)}) if previous else "",
        "following": _query(context, **{parameter: str(following)}) if following else "",
    }


@register.inclusion_tag("components/sort_header.html", takes_context=True)
def sort_header(
    context: Context, label: str, key: str, *, parameter: str = "sort", numeric: bool = False
) -> dict[str, Any]:
    """A column head that sorts by its key, and the other way round when it already does."""
    request = context.get("request")
    now = request.GET.get(parameter, "") if request is not None else ""
    order = {key: "ascending", f"-{key}": "descending"}.get(now, "")
    wanted = f"-{key}" if order == "ascending" else key
    href = _query(context, **{parameter: wanted, "page": None})
    return {"label": label, "order": order, "href": href, "numeric": numeric}


@register.inclusion_tag("components/filter_form.html", takes_context=True)
def filter_form(context: Context, form: Any, *, export: str = "", sort_parameter: str = "sort") -> dict[str, Any]:
    """A filter whose choices are in the address, so that what is seen can be sent to a colleague."""
    request = context.get("request")
    query = request.GET if request is not None else {}
    filtered = any(query.get(bound.html_name) for bound in form)
    exported = ""
    if export:
        exported = export + (_query(context, page=None) if request is not None and query else "")
    return {
        "form": form,
        "filtered": filtered,
        "export": exported,
        "sort_parameter": sort_parameter,
        "sort": query.get(sort_parameter, ""),
        "path": getattr(request, "path", ""),
    }


@register.inclusion_tag("components/empty_page.html")
def empty_page(sentence: str, first_step: str = "", href: str = "") -> dict[str, Any]:
    """What belongs here, and the first step towards it."""
    return {"sentence": sentence, "first_step": first_step, "href": href}


# --- Errands and plots ----------------------------------------------------------------------------------


@register.inclusion_tag("components/errand.html")
def errand_block(errand: Any, *, what: str = "", result_url: str = "") -> dict[str, Any]:
    """How far a piece of work is; renews itself until it has ended, a link does the same without script."""
    return {"errand": errand, "what": what, "result_url": result_url}


@register.simple_tag
def errand_url(errand: Any) -> str:
    return reverse("errand", args=[errand.pk])


@register.inclusion_tag("components/sweep_plot.html")
def sweep_plot(url: str, trace_name: str = "", *, result: Any = None, id: str = "sweep-plot") -> dict[str, Any]:
    """The sweep plot, with the sweeps as a table for whoever cannot see it or has it on paper."""
    return {
        "url": url,
        "trace_name": trace_name,
        "id": id,
        "sweeps": _of(result, "sweeps") or [],
        "result": result,
    }


@register.inclusion_tag("components/sweep_plot_scripts.html")
def sweep_plot_scripts() -> dict[str, Any]:
    return {}


@register.inclusion_tag("components/nav.html", takes_context=True)
def navigation(context: Context) -> dict[str, Any]:
    """The ways from any page, by what the person may do."""
    allowed = context.get("may") or frozenset()
    request = context.get("request")
    match = getattr(request, "resolver_match", None)
    here = match.url_name if match is not None else ""
    links = [
        {"url": name, "label": label, "here": here in family}
        for name, label, action, family in _WAYS
        if action in allowed
    ]
    return {"links": links}


_ORDER_PAGES = {"board", "work-order", "work-order-new", "step", "trace", "sign", "signoff", "job-card"}
_WAYS = (
    ("board", "Work orders", "see-work", _ORDER_PAGES),
    ("instruments", "Instruments", "see-work", {"instruments", "instrument", "calibration"}),
    ("units", "Units and engines", "see-work", {"units", "unit", "engine"}),
    ("people", "People", "see-work", {"people", "person"}),
    ("history", "History", "read-history", {"history", "history-of", "ledger-verify"}),
)
