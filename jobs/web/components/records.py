"""Title block, safety messages, states, due dates and errands: what is said about a record."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import template

from jobs.web import drawing

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


def title_block(context: template.Context, *, identification: Any, title: Any, **fields: Any) -> dict[str, Any]:
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


def state_word(order: Any, *, reason: bool = False) -> dict[str, Any]:
    """A work order's state in words; a held one says what it was held from, and on wish why."""
    state, held_from, why = _state(order)
    return {"state": state, "word": _words(state), "held_from": _words(held_from), "why": why if reason else ""}


def state_line(order: Any) -> dict[str, Any]:
    """The six states in their order with the present one marked."""
    state, held_from, why = _state(order)
    stops = drawing.state_line(_LINE, held_from or state)
    shown = [{"word": _words(stop.word), "place": stop.place} for stop in stops]
    return {"stops": shown, "state": state, "word": _words(state), "held_from": _words(held_from), "why": why}


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


# --- Errands --------------------------------------------------------------------------------------------


def errand_block(errand: Any, *, what: str = "", result_url: str = "", do_now: str = "") -> dict[str, Any]:
    """How far a piece of work is; renews itself until it has ended, a link does the same without script.

    `result_url` is left out on the page it names; `do_now` says what to do when the work has failed.
    """
    return {"errand": errand, "what": what, "result_url": result_url, "do_now": do_now}
