"""The timing spec: what the engine type asks for (trace-format, section 2)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.errors import SpecRefused

Kind = Literal["lobe", "lobe-profile", "piston", "link-rod"]


@dataclass(frozen=True)
class Piston:
    """The slider-crank of the reference piston, in millimetres; a positive offset puts TDC after the axis."""

    crank_radius_mm: float
    rod_length_mm: float
    pin_offset_mm: float = 0.0


@dataclass(frozen=True)
class LinkRod:
    """A link piston on a master rod (metrology 10.2): lengths in millimetres, angles in degrees.

    `bank_angle_deg` is the link cylinder's axis, measured in the sense of rotation from the master cylinder's;
    `pin_angle_deg` the knuckle pin's direction, measured likewise from the master rod.
    """

    crank_radius_mm: float
    rod_length_mm: float
    link_length_mm: float
    pin_radius_mm: float
    pin_angle_deg: float
    bank_angle_deg: float


@dataclass(frozen=True)
class ProbeCalibration:
    """Counts to millimetres: displacement = sum of coefficients[i] * (counts - origin)**i."""

    coefficients: tuple[float, ...]
    origin: float = 0.0
    standard_uncertainty_mm: float = 0.0
    range_counts: tuple[float, float] | None = None


@dataclass(frozen=True)
class Spec:
    """A checked timing spec; see trace-format, section 2, for the meaning and unit of each field."""

    kind: Kind
    crank_per_datum: float
    tolerance_deg: float
    profile: tuple[tuple[float, float], ...] = ()
    piston: Piston | None = None
    link_rod: LinkRod | None = None
    crest_to_tdc_deg: float = 0.0
    target_deg: float = 0.0
    index_radius_mm: float | None = None
    index_per_crank: float = 1.0
    coverage: float = 0.95
    u_encoder_deg: float = 0.0
    u_probe_mm: float = 0.0
    u_geometry_deg: float = 0.0
    u_lash_deg: float = 0.0
    u_lag_s: float = 0.0
    pitch_radius_mm: float | None = None     # of the lobe's crest, with the probe's nose, from the shaft's axis
    u_axis_mm: float = 0.2                   # how far the probe's line may pass the axis, where that radius is given
    probe_calibration: ProbeCalibration | None = None

    @property
    def period_deg(self) -> float:
        """Crank degrees from one crest of the datum to the next."""
        return 360.0 * self.crank_per_datum


def read_spec(entries: Mapping[str, object]) -> Spec:
    """Check a timing spec.

    Unknown keys are ignored, as they are in a trace.

    Raises
    ------
    SpecRefused
        With the key at fault.
    """
    if not isinstance(entries, Mapping):
        raise SpecRefused("A timing spec is a JSON object.")
    datum = entries.get("datum")
    if not isinstance(datum, Mapping):
        raise SpecRefused("The spec names no datum.", "datum")
    kind = datum.get("kind")
    if kind not in ("lobe", "lobe-profile", "piston", "link-rod"):
        raise SpecRefused(f"Datum kind {kind!r} is not known.", "datum.kind")
    return Spec(
        kind=kind,
        profile=_profile(datum) if kind == "lobe-profile" else (),
        piston=_piston(datum) if kind == "piston" else None,
        link_rod=_link_rod(datum) if kind == "link-rod" else None,
        crank_per_datum=_number(entries, "crank_per_datum", above=0.0, default=1.0 if "rod" in kind or kind == "piston"
                                else None),
        tolerance_deg=_number(entries, "tolerance_deg", above=0.0),
        crest_to_tdc_deg=_number(entries, "crest_to_tdc_deg", default=0.0),
        target_deg=_number(entries, "target_deg", default=0.0),
        index_radius_mm=None if entries.get("index_radius_mm") is None
        else _number(entries, "index_radius_mm", above=0.0),
        index_per_crank=_number(entries, "index_per_crank", above=0.0, default=1.0),
        coverage=_coverage(entries),
        u_encoder_deg=_number(entries, "u_encoder_deg", least=0.0, default=0.0),
        u_probe_mm=_number(entries, "u_probe_mm", least=0.0, default=0.0),
        u_geometry_deg=_number(entries, "u_geometry_deg", least=0.0, default=0.0),
        u_lash_deg=_number(entries, "u_lash_deg", least=0.0, default=0.0),
        u_lag_s=_number(entries, "u_lag_s", least=0.0, default=0.0),
        pitch_radius_mm=None if datum.get("pitch_radius_mm") is None
        else _number(datum, "pitch_radius_mm", prefix="datum.", above=0.0),
        u_axis_mm=_number(entries, "u_axis_mm", above=0.0, default=0.2),
        probe_calibration=_calibration(entries),
    )


def _number(
    entries: Mapping[str, object], key: str, *, prefix: str = "", default: float | None = None,
    above: float | None = None, least: float | None = None,
) -> float:
    name = prefix + key
    value = entries.get(key, default)
    if value is None:
        if default is not None:
            return default
        raise SpecRefused(f"{name} is missing.", name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SpecRefused(f"{name} is not a number.", name)
    if above is not None and value <= above:
        raise SpecRefused(f"{name} must be more than {above:g}.", name)
    if least is not None and value < least:
        raise SpecRefused(f"{name} must be {least:g} or more.", name)
    return float(value)


def _coverage(entries: Mapping[str, object]) -> float:
    coverage = _number(entries, "coverage", default=0.95, above=0.0)
    if coverage >= 1.0:
        raise SpecRefused("coverage must be less than 1.", "coverage")
    return coverage


def _profile(datum: Mapping[str, object]) -> tuple[tuple[float, float], ...]:
    key = "datum.profile"
    rows = datum.get("profile")
    if not isinstance(rows, Sequence) or isinstance(rows, str) or len(rows) < 8:
        raise SpecRefused("A lobe profile is a table of at least eight pairs of angle and lift.", key)
    for row in rows:
        good = isinstance(row, Sequence) and not isinstance(row, str) and len(row) == 2
        if not good or not all(isinstance(x, int | float) and math.isfinite(x) for x in row):
            raise SpecRefused("Each row of a lobe profile is a pair of numbers.", key)
    import numpy as np  # only here, so that whoever reads other specs does without

    table = np.array(rows, dtype=float)
    if (np.diff(table[:, 0]) <= 0).any():
        raise SpecRefused("The angles of a lobe profile must increase.", key)
    if not table[0, 0] < 0 < table[-1, 0] or np.ptp(table[:, 0]) > 360:
        raise SpecRefused("A lobe profile must span its crest at 0, within one turn.", key)
    if np.ptp(table[:, 1]) <= 0:
        raise SpecRefused("The lobe profile is flat.", key)
    return tuple((float(a), float(b)) for a, b in rows)


def _piston(datum: Mapping[str, object]) -> Piston:
    radius = _number(datum, "crank_radius_mm", prefix="datum.", above=0.0)
    rod = _number(datum, "rod_length_mm", prefix="datum.", above=0.0)
    offset = _number(datum, "pin_offset_mm", prefix="datum.", default=0.0)
    if rod <= radius + abs(offset):
        raise SpecRefused("The rod is too short for its crank and pin offset.", "datum.rod_length_mm")
    return Piston(radius, rod, offset)


def _link_rod(datum: Mapping[str, object]) -> LinkRod:
    def length(key: str) -> float:
        return _number(datum, key, prefix="datum.", above=0.0)

    def angle(key: str) -> float:
        return _number(datum, key, prefix="datum.")

    rod = LinkRod(length("crank_radius_mm"), length("rod_length_mm"), length("link_length_mm"),
                  length("pin_radius_mm"), angle("pin_angle_deg"), angle("bank_angle_deg"))
    if rod.rod_length_mm <= rod.crank_radius_mm:
        raise SpecRefused("The master rod is too short for its crank.", "datum.rod_length_mm")
    if rod.link_length_mm <= rod.crank_radius_mm:
        raise SpecRefused("The link rod is too short for its crank.", "datum.link_length_mm")
    return rod


def _calibration(entries: Mapping[str, object]) -> ProbeCalibration | None:
    found = entries.get("probe_calibration")
    if found is None:
        return None
    key = "probe_calibration"
    if not isinstance(found, Mapping):
        raise SpecRefused("probe_calibration is a JSON object.", key)
    coefficients = _numbers(found.get("coefficients"), f"{key}.coefficients")
    if not 2 <= len(coefficients) <= 12:
        raise SpecRefused("probe_calibration needs 2 to 12 coefficients.", f"{key}.coefficients")
    span = found.get("range_counts")
    limits = _numbers(span, f"{key}.range_counts") if span is not None else None
    if limits is not None and (len(limits) != 2 or limits[0] >= limits[1]):
        raise SpecRefused("range_counts is a pair, low and high.", f"{key}.range_counts")
    return ProbeCalibration(
        coefficients,
        _number(found, "origin", prefix=f"{key}.", default=0.0),
        _number(found, "standard_uncertainty_mm", prefix=f"{key}.", least=0.0, default=0.0),
        (limits[0], limits[1]) if limits else None,
    )


def _numbers(value: object, key: str) -> tuple[float, ...]:
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise SpecRefused(f"{key} is a list of numbers.", key)
    if not all(isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x) for x in value):
        raise SpecRefused(f"{key} holds something that is not a number.", key)
    return tuple(float(x) for x in value)
