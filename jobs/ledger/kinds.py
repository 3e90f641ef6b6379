"""The kinds of ledger entries: each registered once, with its group and wording; an unknown kind is refused.

The room that writes a kind registers it in its own `kinds.py`, imported when the app is ready.
"""

from __future__ import annotations

from dataclasses import dataclass


class UnknownKind(LookupError):
    """An entry of a kind that nobody registered: a mistake in the code, never written."""


@dataclass(frozen=True)
class Kind:
    """What an entry of this kind is called, and the group an auditor filters by."""

    code: str
    title: str
    group: str


GROUPS = {
    "order": "Work orders",
    "reading": "Readings and steps",
    "verdict": "Traces and verdicts",
    "signoff": "Sign-offs",
    "override": "Overrides and findings",
    "calibration": "Calibrations and instruments",
    "people": "People and qualifications",
    "fleet": "Units and engines",
    "card": "Job cards",
    "plan": "Plans and absences",
}
_KINDS: dict[str, Kind] = {}


def register(code: str, title: str, *, group: str) -> Kind:
    """Register a kind; its code is `noun.past-participle`, its group one of `GROUPS`."""
    if group not in GROUPS:
        raise ValueError(f"group {group!r} of kind {code!r} is not one of {sorted(GROUPS)}")
    kind = Kind(code, title, group)
    if _KINDS.setdefault(code, kind) != kind:
        raise ValueError(f"kind {code!r} is registered twice with different wording")
    return kind


def get(code: str) -> Kind:
    """The kind of this code; raises `UnknownKind`."""
    try:
        return _KINDS[code]
    except KeyError:
        raise UnknownKind(f"no ledger kind {code!r} is registered") from None


def of_group(group: str) -> list[str]:
    """The codes of all kinds in a group."""
    return sorted(code for code, kind in _KINDS.items() if kind.group == group)


def every() -> list[Kind]:
    """All registered kinds, by title."""
    return sorted(_KINDS.values(), key=lambda kind: kind.title)
