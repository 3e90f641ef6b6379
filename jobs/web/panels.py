"""Parts that a room above adds to a page of a room below, so that no room has to look up the stairs.

A page has places (`work-order`, `engine`, `instrument`, …); a room registers a function for a place in its
`registered.py`, and the page draws what each gives for the thing it shows, in the order of their numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpRequest
from django.template.loader import render_to_string
from django.utils.safestring import SafeString

# For the thing and the request: the template and its context, or None when there is nothing to say.
Panel = Callable[[Any, Any], tuple[str, dict[str, Any]] | None]

# For the thing and the request: what the page leads on to and its address, or None.
Onward = Callable[[Any, Any], tuple[str, str] | None]

_ONWARD: dict[str, Onward] = {}
_PANELS: dict[str, dict[str, tuple[int, Panel]]] = {}


def register(place: str, *, order: int) -> Callable[[Panel], Panel]:
    """Register the decorated function for a place; the lowest `order` comes first."""

    def decorate(panel: Panel) -> Panel:
        _PANELS.setdefault(place, {})[f"{panel.__module__}.{panel.__qualname__}"] = (order, panel)
        return panel

    return decorate


def leads_on(place: str) -> Callable[[Onward], Onward]:
    """Register the decorated function to say what the page of a place leads on to, when its own room has nothing."""

    def decorate(found: Onward) -> Onward:
        _ONWARD[place] = found
        return found

    return decorate


def onward(place: str, thing: Any, request: HttpRequest) -> tuple[str, str] | None:
    """What the page of a place leads on to by the room above, as words and address."""
    found = _ONWARD.get(place)
    return found(thing, request) if found is not None else None


def drawn(place: str, thing: Any, request: HttpRequest) -> list[SafeString]:
    """The panels of a place for one thing, as HTML."""
    found = []
    for _, panel in sorted(_PANELS.get(place, {}).values(), key=lambda one: one[0]):
        shown = panel(thing, request)
        if shown is not None:
            template, context = shown
            found.append(render_to_string(template, context, request=request))
    return found
