"""Where the outcome of an errand is to be seen. The room that owns the kind registers it."""

from __future__ import annotations

from collections.abc import Callable

from jobs.errands.models import Errand

_PLACES: dict[str, tuple[str, Callable[[Errand], str]]] = {}


def register(kind: str, *, what: str, address: Callable[[Errand], str]) -> None:
    """`what` names the work in the words of the page; `address` gives the page that shows its outcome."""
    _PLACES[kind] = (what, address)


def what(errand: Errand) -> str:
    """What is being done, in words."""
    return _PLACES[errand.kind][0] if errand.kind in _PLACES else errand.kind


def address(errand: Errand) -> str:
    """The page of the outcome, or an empty text when nobody named one."""
    return _PLACES[errand.kind][1](errand) if errand.kind in _PLACES else ""
