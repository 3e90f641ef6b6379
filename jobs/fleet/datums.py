"""The datum of a timing spec in words and figures, for engine page, work order and job card."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from jobs.web.figures import MINUS

KINDS = {
    "lobe": "symmetric lobe",
    "lobe-profile": "lobe by its profile",
    "piston": "piston",
    "link-rod": "link piston on a master rod",
}
# Of each kind: key of the contract, what it is, its unit.
FIGURES: dict[str, tuple[tuple[str, str, str], ...]] = {
    "piston": (
        ("crank_radius_mm", "crank radius", " mm"),
        ("rod_length_mm", "rod", " mm"),
        ("pin_offset_mm", "pin offset", " mm"),
    ),
    "link-rod": (
        ("crank_radius_mm", "crank radius", " mm"),
        ("rod_length_mm", "master rod", " mm"),
        ("link_length_mm", "link rod", " mm"),
        ("pin_radius_mm", "knuckle pin", " mm from the crank pin"),
        ("pin_angle_deg", "knuckle pin", "° from the master rod"),
        ("bank_angle_deg", "bank", "° from the master's, in the sense of rotation"),
    ),
}


def in_words(spec: Mapping[str, Any] | None) -> str:
    """The kind of the datum with its figures and their units; empty where the spec names none."""
    datum = (spec or {}).get("datum")
    if not isinstance(datum, Mapping) or datum.get("kind") not in KINDS:
        return ""
    kind = str(datum["kind"])
    told = [KINDS[kind]]
    if kind == "lobe-profile":
        told.append(f"{len(datum.get('profile') or [])} points")
    told += [
        f"{name} {_figure(datum[key])}{unit}" for key, name, unit in FIGURES.get(kind, ()) if datum.get(key) is not None
    ]
    return ", ".join(told)


def _figure(value: Any) -> str:
    return f"{value:g}".replace("-", MINUS)
