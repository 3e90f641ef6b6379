"""What the sweep plot needs, JSON-ready and reduced so that no extreme is lost.

An analysis is made once for it (`prepared`) and can be kept (`analysis.plotfile`); every window is then drawn from what
was prepared (`drawn`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.decimate import Pyramid, kept
from analysis.engine import Work, work
from analysis.spec import read_spec
from analysis.traces import read_trace

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SweepSeries:
    """The samples of one sweep, shape (n,): crank degrees, and lift in the unit of the source; their pyramid."""

    direction: str
    used: bool
    angle_deg: Floats
    lift: Floats
    pyramid: Pyramid


@dataclass(frozen=True)
class Midline:
    """Middles of the flanks of one sweep at levels of lift, shape (n,)."""

    direction: str
    lift: Floats
    middle_deg: Floats


@dataclass(frozen=True)
class PlotSource:
    """Everything that any window of the plot is drawn from; residuals in the order of their angles."""

    sweeps: tuple[SweepSeries, ...]
    midlines: tuple[Midline, ...]
    residual_angle_deg: Floats
    residual: Floats
    crest_to_tdc_deg: float
    target_deg: float
    tolerance_deg: float
    lift_unit: str


def plot_data(
    data: bytes | Path, spec: Mapping[str, object], result: Mapping[str, object], *, points: int = 4000,
    window: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """Series for the sweep plot.

    Parameters
    ----------
    data, spec
        As for `analyse`.
    result : mapping
        The result that is drawn; its reference, not a new one, is what the plot shows.
    points : int
        About how many points in all.
    window : (low, high), optional
        Crank degrees on the encoder; only what lies within is returned.

    Returns
    -------
    dict
        `sweeps` (direction, used, angle_deg, lift_mm), `midline` (direction, lift_mm, middle_deg), `residuals`
        (angle_deg, residual_mm), `crest_deg`, `reference_deg`, `target_deg`, `tolerance_deg`, `lift_unit`.
    """
    source = prepared(work(read_trace(data), read_spec(spec)))
    return drawn(source, reference_of(result), points=points, window=window)


def reference_of(result: Mapping[str, object]) -> float | None:
    """The reference that a result states, or None."""
    reference = result.get("reference_deg")
    return float(reference) if isinstance(reference, int | float) else None


def series(done: Work, reference_deg: float | None, *, points: int = 4000, window: tuple[float, float] | None = None
           ) -> dict[str, Any]:
    """The series of a run that is at hand; see `plot_data`."""
    return drawn(prepared(done), reference_deg, points=points, window=window)


def prepared(done: Work) -> PlotSource:
    """What the plots of a run are drawn from; the samples are views of the trace's own arrays."""
    rows = done.result.sweeps
    sweeps = []
    for k, sweep in enumerate(done.sweeps):
        angle, lift = done.trace.angle_deg[sweep.start:sweep.stop], done.lift[sweep.start:sweep.stop]
        used = rows[k].used if k < len(rows) else False
        sweeps.append(SweepSeries(sweep.direction, used, angle, lift, Pyramid.of(angle, lift)))
    angles, residual = _residuals(done)
    wanted = done.spec
    return PlotSource(
        tuple(sweeps), tuple(_midlines(done)), angles, residual, wanted.crest_to_tdc_deg, wanted.target_deg,
        wanted.tolerance_deg, "counts" if done.trace.in_counts and wanted.probe_calibration is None else "mm",
    )


def drawn(source: PlotSource, reference_deg: float | None, *, points: int = 4000,
          window: tuple[float, float] | None = None) -> dict[str, Any]:
    """The series of one window; see `plot_data`."""
    each = max(16, points // max(1, len(source.sweeps)))
    return {
        "sweeps": [_sweep(one, each, window) for one in source.sweeps],
        "midline": [_midline(one, window) for one in source.midlines],
        "residuals": _residuals_in(source, points, window),
        "crest_deg": None if reference_deg is None else reference_deg - source.crest_to_tdc_deg,
        "reference_deg": reference_deg,
        "target_deg": source.target_deg,
        "tolerance_deg": source.tolerance_deg,
        "lift_unit": source.lift_unit,
    }


def _midlines(done: Work) -> list[Midline]:
    if done.look is None:
        return []
    return [
        Midline(sweep.direction, np.asarray(seen.midline.level * done.scale), np.asarray(seen.midline.middle_deg))
        for sweep, seen in zip(done.sweeps, done.look.sweeps, strict=True)
        if seen.midline is not None
    ]


def _residuals(done: Work) -> tuple[Floats, Floats]:
    if done.estimate is None or done.points is None:
        return np.zeros(0), np.zeros(0)
    shown = done.estimate.use & ~done.points.spiky
    angle, residual = done.points.angle_deg[shown], done.estimate.fit.residual[shown] * done.scale
    order = np.argsort(angle, kind="stable")
    return angle[order], residual[order]


def _sweep(one: SweepSeries, points: int, window: tuple[float, float] | None) -> dict[str, object]:
    index = one.pyramid.picked(one.angle_deg, one.lift, points, window)
    return {
        "direction": one.direction,
        "used": one.used,
        "angle_deg": one.angle_deg[index].round(5).tolist(),
        "lift_mm": one.lift[index].round(5).tolist(),
    }


def _midline(one: Midline, window: tuple[float, float] | None) -> dict[str, object]:
    inside = np.ones(len(one.middle_deg), dtype=bool)
    if window is not None:
        inside = (one.middle_deg >= window[0]) & (one.middle_deg <= window[1])
    return {
        "direction": one.direction,
        "lift_mm": one.lift[inside].round(5).tolist(),
        "middle_deg": one.middle_deg[inside].round(5).tolist(),
    }


def _residuals_in(source: PlotSource, points: int, window: tuple[float, float] | None) -> dict[str, object]:
    angle = source.residual_angle_deg
    start, stop = 0, len(angle)
    if window is not None:
        start, stop = int(np.searchsorted(angle, window[0])), int(np.searchsorted(angle, window[1], side="right"))
    index = start + kept(source.residual[start:stop], points)
    return {"angle_deg": angle[index].round(5).tolist(), "residual_mm": source.residual[index].round(6).tolist()}
