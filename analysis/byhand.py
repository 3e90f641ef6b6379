"""Hand readings from bytes to the result of the contract; the document and the method are in `reference/hand.py`."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis import decision, uncertainty
from analysis.engine import correction
from analysis.errors import TraceRefused
from analysis.reference.hand import HandResult, bisect_by_hand, chord
from analysis.reference.pairs import LEAST_PAIRS, HandPair
from analysis.reference.shapes import Known, known_shape
from analysis.result import Check, Result, SweepResult
from analysis.spec import Spec, read_spec
from analysis.version import __version__

FORM = 1
MAX_BYTES = 1 << 20
SENSES = {"forward": 1, "reverse": -1}
DIRECTION = {1: "forward", -1: "reverse"}
SCATTER_DEG, SCATTER_STEPS = 0.5, 3.0      # how far one pair may stand from the mean of its sense
WIDTH_PART, WIDTH_STEPS = 0.05, 3.0        # how far a chord's width may stand from that of a known datum


@dataclass(frozen=True)
class HandReadings:
    """A checked document; angles in crank degrees on the pointer."""

    pairs: tuple[HandPair, ...]
    angle_step_deg: float
    crest_dial_mm: float | None
    sha256: str


def read_hand(source: bytes | Path) -> HandReadings:
    """Read a document of hand readings.

    Raises
    ------
    TraceRefused
        When it is not one, with the key at fault as its column.
    """
    try:
        data = source.read_bytes() if isinstance(source, Path) else source
    except OSError as wrong:
        raise TraceRefused(f"The file cannot be read ({wrong.strerror}).") from None
    if len(data) > MAX_BYTES:
        raise TraceRefused(f"The document is larger than {MAX_BYTES >> 10} kB.")
    try:
        entries = json.loads(data.decode("utf-8"))
    except ValueError:
        raise TraceRefused("The document is not JSON in UTF-8.") from None
    if not isinstance(entries, dict) or entries.get("hand_readings") != FORM:
        raise TraceRefused(f'A document of hand readings is an object with "hand_readings": {FORM}.', None,
                           "hand_readings")
    ratio = _number(entries, "pointer_per_crank", default=1.0)
    if not 1e-3 <= ratio <= 1e3:
        raise TraceRefused("pointer_per_crank is out of range.", None, "pointer_per_crank")
    step = _number(entries, "angle_step_deg")
    if step <= 0.0:
        raise TraceRefused("angle_step_deg must be more than 0.", None, "angle_step_deg")
    rows = entries.get("pairs")
    if not isinstance(rows, list):
        raise TraceRefused("pairs is a list.", None, "pairs")
    crest = None if entries.get("crest_dial_mm") is None else _number(entries, "crest_dial_mm")
    pairs = tuple(_pair(row, f"pairs[{k}]", ratio) for k, row in enumerate(rows))
    return HandReadings(pairs, step / ratio, crest, hashlib.sha256(data).hexdigest())


def _number(entries: Mapping[str, object], key: str, *, prefix: str = "", default: float | None = None) -> float:
    name = prefix + key
    value = entries.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TraceRefused(f"{name} is missing." if value is None else f"{name} is not a number.", None, name)
    return float(value)


def _pair(row: object, place: str, ratio: float) -> HandPair:
    if not isinstance(row, dict):
        raise TraceRefused(f"{place} is not an object.", None, place)
    sense = SENSES.get(str(row.get("sense")))
    if sense is None:
        raise TraceRefused(f"{place}.sense is neither forward nor reverse.", None, f"{place}.sense")
    pair = HandPair(_number(row, "dial_mm", prefix=f"{place}."), _number(row, "before_deg", prefix=f"{place}."),
                    _number(row, "after_deg", prefix=f"{place}."), sense)
    return HandPair(pair.dial_mm, pair.before_deg / ratio, (pair.before_deg + pair.travel_deg) / ratio, sense)


def analyse_hand(data: bytes | Path, spec: Mapping[str, object]) -> dict[str, object]:
    """Analyse hand readings.

    Returns
    -------
    dict
        The result of trace-format, section 3; `sweeps` has one row for each sense that was read, without times.

    Raises
    ------
    TraceRefused, SpecRefused
    """
    wanted = read_spec(spec)
    return work(read_hand(data), wanted).to_json()


def work(readings: HandReadings, spec: Spec) -> Result:
    """The result of readings that have been read; never raises for what they may hold."""
    shape = known_shape(spec)
    made = _of_readings(readings.pairs)
    chords: list[tuple[float, float]] = []
    if shape is not None and not _failed(made):
        found, more = _chords(readings, shape)
        chords, made = found, made + more
    if _failed(made):
        return _no_result(readings, spec, made)
    crest = bisect_by_hand(
        readings.pairs, angle_step_deg=readings.angle_step_deg, u_geometry_deg=spec.u_geometry_deg,
        u_lash_deg=spec.u_lash_deg, coverage=spec.coverage,
        stand_off_deg=[(a + b) / 2.0 for a, b in chords] if chords else None,
        u_stand_off_deg=_u_stand_off(readings, shape, spec.u_probe_mm) if shape is not None and chords else 0.0,
    )
    made += _of_crest(readings, crest, spec)
    return _no_result(readings, spec, made) if _failed(made) else _concluded(readings, spec, crest, made)


def _failed(made: Sequence[Check]) -> bool:
    return any(not check.passed for check in made)


def _of_readings(pairs: Sequence[HandPair]) -> list[Check]:
    """Whether there are pairs enough, and each passes the crest in the sense it is said to."""
    counts = {sense: sum(pair.sense == sense for pair in pairs) for sense in DIRECTION}
    fewest = min((n for n in counts.values() if n), default=0)
    made = [Check("pairs in each sense", fewest >= LEAST_PAIRS, float(fewest), float(LEAST_PAIRS), "pairs",
                  f"{counts[1]} pairs forward and {counts[-1]} in reverse were read.")]
    wrong = [k for k, pair in enumerate(pairs, start=1) if not pair.follows_sense]
    made.append(Check("sense of the readings", not wrong, float(len(wrong)), 0.0, "pairs",
                      "Every pair passes the crest in its sense." if not wrong else
                      f"Pair {wrong[0]} does not follow its sense, or its sides are half a turn apart or more."))
    return made


def _chords(readings: HandReadings, shape: Known) -> tuple[list[tuple[float, float]], list[Check]]:
    """The chord of a known datum at the depth of each pair, and whether the readings are as wide."""
    top = readings.crest_dial_mm
    if top is None:
        return [], [Check("dial at the crest", False, None, None, "mm",
                          "The datum is not symmetric: the dial reading at the crest must be known.")]
    found = [chord(shape, top - pair.dial_mm) for pair in readings.pairs]
    if any(one is None for one in found):
        at = found.index(None) + 1
        return [], [Check("dial at the crest", False, top - readings.pairs[at - 1].dial_mm, 0.0, "mm",
                          f"Pair {at} is not below the crest, or deeper than the datum is.")]
    chords = [one for one in found if one is not None]
    beyond = [(abs(abs(pair.travel_deg) - (b - a)) - WIDTH_STEPS * readings.angle_step_deg) / (b - a)
              for pair, (a, b) in zip(readings.pairs, chords, strict=True)]
    worst = float(np.median(beyond))
    passed = worst <= WIDTH_PART
    return chords, [Check("width of the chords", passed, max(worst, 0.0), WIDTH_PART, "share of the width",
                          "The chords are as wide as the datum's." if passed else
                          "The chords are not as wide as the datum's: wrong datum, unit or dial reading at the crest.")]


def _u_stand_off(readings: HandReadings, shape: Known, u_probe_mm: float) -> float:
    """What an error of the depth, common to all pairs, does through the asymmetry; crank degrees."""
    top = readings.crest_dial_mm
    assert top is not None
    moved = []
    for pair in readings.pairs:
        near, far = (chord(shape, max(top - pair.dial_mm + by, 1e-6)) for by in (-0.005, 0.005))
        if near is not None and far is not None:
            moved.append((sum(far) - sum(near)) / 2.0 / 0.01)
    return abs(float(np.mean(moved))) * u_probe_mm * math.sqrt(2.0) if moved else 0.0


def _of_crest(readings: HandReadings, found: HandResult, spec: Spec) -> list[Check]:
    assert found.means_deg is not None
    away = [abs(middle - found.means_deg[pair.sense])
            for pair, middle in zip(readings.pairs, found.middles_deg, strict=True)]
    worst, at = max(away), away.index(max(away)) + 1
    limit = max(SCATTER_DEG, SCATTER_STEPS * readings.angle_step_deg)
    made = [Check("repeatability", worst <= limit, worst, limit, "crank deg",
                  f"The pairs of one sense agree within {worst:.3f} degrees." if worst <= limit else
                  f"The middle of pair {at} stands {worst:.2f} degrees from that of its sense: misread, or something "
                  "slipped.")]
    if found.hysteresis_deg is None:
        made.append(Check("one sense only", True, None, None, "",
                          "One sense only: half the lash is in the budget as the spec gives it." if spec.u_lash_deg > 0
                          else "One sense only: half the lash is not in the readings, nor in the spec."))
    return made


def _concluded(readings: HandReadings, spec: Spec, found: HandResult, made: list[Check]) -> Result:
    total = found.uncertainty
    reference = found.crest_deg + spec.crest_to_tdc_deg
    decided = decision.decide(reference, spec.target_deg, spec.tolerance_deg, total)
    freedom = total.degrees_of_freedom
    return Result(
        reference_deg=reference, deviation_deg=decided.deviation_deg, standard_uncertainty_deg=total.standard,
        expanded_uncertainty_deg=total.expanded, coverage_factor=total.coverage_factor,
        degrees_of_freedom=freedom if math.isfinite(freedom) else None, verdict=decided.verdict,
        conformance_probability=decided.conformance_probability, guard_band_deg=decided.guard_band_deg,
        hysteresis_deg=found.hysteresis_deg, sweeps=_rows(readings, spec, found), checks=tuple(made),
        budget=uncertainty.budget(found.sources), correction=correction(decided.deviation_deg, spec),
        method=_method(spec), analysis_version=__version__, trace_sha256=readings.sha256,
        findings={"pairs": float(len(readings.pairs)), "scatter_deg": found.scatter_deg},
    )


def _rows(readings: HandReadings, spec: Spec, found: HandResult | None) -> tuple[SweepResult, ...]:
    """One row a sense: the mean of its pairs with its scatter and the resolution of the scale."""
    rows = []
    for sense, direction in DIRECTION.items():
        n = sum(pair.sense == sense for pair in readings.pairs)
        if not n:
            continue
        mean = u_deg = None
        if found is not None and found.means_deg is not None:
            mean = found.means_deg[sense] + spec.crest_to_tdc_deg
            u_deg = math.hypot(found.scatter_deg / math.sqrt(n),
                               uncertainty.resolution(readings.angle_step_deg) / math.sqrt(2 * n))
        rows.append(SweepResult(direction, None, None, mean, u_deg, found is not None,  # type: ignore[arg-type]
                                "" if found is not None else "No result from these readings."))
    return tuple(rows)


def _method(spec: Spec) -> str:
    known = "" if spec.kind == "lobe" else ", less what the datum's asymmetry makes of them"
    return f"Hand readings: middles of equal dial readings either side of the crest{known}"


def _no_result(readings: HandReadings, spec: Spec, made: list[Check]) -> Result:
    return Result(
        reference_deg=None, deviation_deg=None, standard_uncertainty_deg=None, expanded_uncertainty_deg=None,
        coverage_factor=None, degrees_of_freedom=None, verdict="no-result", conformance_probability=None,
        guard_band_deg=None, hysteresis_deg=None, sweeps=_rows(readings, spec, None), checks=tuple(made), budget=(),
        correction=None, method=_method(spec), analysis_version=__version__, trace_sha256=readings.sha256,
    )


def hand_plot_data(
    data: bytes | Path, spec: Mapping[str, object], result: Mapping[str, object], *,
    window: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """The readings as the sweep plot draws them: a line up each flank for each sense, and the middle of each pair.

    The keys are those of `analysis.plot_data`, and `angle_on`, what the angles were read on; `residuals` is None.
    """
    wanted, readings = read_spec(spec), read_hand(data)
    found = result.get("reference_deg")
    reference = float(found) if isinstance(found, int | float) else None
    crest = None if reference is None else reference - wanted.crest_to_tdc_deg
    sweeps, midline = [], []
    for sense, direction in DIRECTION.items():
        pairs = sorted((_near(pair, crest) for pair in readings.pairs if pair.sense == sense), key=lambda p: p.dial_mm)
        if not pairs:
            continue
        for line in ([(p.before_deg, p.dial_mm) for p in pairs], [(p.after_deg, p.dial_mm) for p in pairs[::-1]]):
            sweeps.append({"direction": direction, "used": crest is not None, **_within(line, "angle_deg", window)})
        midline.append({"direction": direction,
                        **_within([(p.middle_deg, p.dial_mm) for p in pairs], "middle_deg", window)})
    return {
        "sweeps": sweeps, "midline": midline, "residuals": None, "crest_deg": crest,
        "reference_deg": reference, "target_deg": wanted.target_deg, "tolerance_deg": wanted.tolerance_deg,
        "lift_unit": "mm", "angle_on": "pointer",
    }


def _near(pair: HandPair, crest_deg: float | None) -> HandPair:
    """The pair in the turn of the crest, its sides one after the other."""
    turn = 0.0 if crest_deg is None else 360.0 * round((pair.middle_deg - crest_deg) / 360.0)
    return HandPair(pair.dial_mm, pair.before_deg - turn, pair.before_deg + pair.travel_deg - turn, pair.sense)


def _within(line: list[tuple[float, float]], name: str, window: tuple[float, float] | None) -> dict[str, list[float]]:
    shown = [one for one in line if window is None or window[0] <= one[0] <= window[1]]
    return {name: [round(angle, 5) for angle, _ in shown], "lift_mm": [round(lift, 5) for _, lift in shown]}
