"""What the sweep plot needs, JSON-ready and reduced so that no extreme is lost."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.decimate import kept
from analysis.engine import Work, work
from analysis.spec import read_spec
from analysis.traces import read_trace


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
    reference = result.get("reference_deg")
    return series(work(read_trace(data), read_spec(spec)),
                  float(reference) if isinstance(reference, int | float) else None, points=points, window=window)


def series(done: Work, reference_deg: float | None, *, points: int = 4000, window: tuple[float, float] | None = None
           ) -> dict[str, Any]:
    """The series of a run that is at hand; see `plot_data`."""
    wanted = done.spec
    return {
        "sweeps": _sweeps(done, points, window),
        "midline": _midline(done, window),
        "residuals": _residuals(done, points, window),
        "crest_deg": None if reference_deg is None else reference_deg - wanted.crest_to_tdc_deg,
        "reference_deg": reference_deg,
        "target_deg": wanted.target_deg,
        "tolerance_deg": wanted.tolerance_deg,
        "lift_unit": "counts" if done.trace.in_counts and wanted.probe_calibration is None else "mm",
    }


def _inside(angle_deg: npt.NDArray[np.float64], window: tuple[float, float] | None) -> npt.NDArray[np.bool_]:
    if window is None:
        return np.ones(len(angle_deg), dtype=bool)
    return (angle_deg >= window[0]) & (angle_deg <= window[1])


def _sweeps(done: Work, points: int, window: tuple[float, float] | None) -> list[dict[str, object]]:
    drawn: list[dict[str, object]] = []
    rows = done.result.sweeps
    for k, sweep in enumerate(done.sweeps):
        angle, lift = done.trace.angle_deg[sweep.start:sweep.stop], done.lift[sweep.start:sweep.stop]
        inside = _inside(angle, window)
        angle, lift = angle[inside], lift[inside]
        index = kept(lift, max(16, points // max(1, len(done.sweeps))))
        drawn.append({
            "direction": sweep.direction,
            "used": rows[k].used if k < len(rows) else False,
            "angle_deg": angle[index].round(5).tolist(),
            "lift_mm": lift[index].round(5).tolist(),
        })
    return drawn


def _midline(done: Work, window: tuple[float, float] | None) -> list[dict[str, object]]:
    if done.look is None:
        return []
    drawn: list[dict[str, object]] = []
    for sweep, seen in zip(done.sweeps, done.look.sweeps, strict=True):
        if seen.midline is None:
            continue
        inside = _inside(seen.midline.middle_deg, window)
        drawn.append({
            "direction": sweep.direction,
            "lift_mm": (seen.midline.level[inside] * done.scale).round(5).tolist(),
            "middle_deg": seen.midline.middle_deg[inside].round(5).tolist(),
        })
    return drawn


def _residuals(done: Work, points: int, window: tuple[float, float] | None) -> dict[str, object]:
    if done.estimate is None or done.points is None:
        return {"angle_deg": [], "residual_mm": []}
    shown = done.estimate.use & ~done.points.spiky & _inside(done.points.angle_deg, window)
    residual = done.estimate.fit.residual[shown] * done.scale
    angle = done.points.angle_deg[shown]
    order = np.argsort(angle, kind="stable")
    index = order[kept(residual[order], points)]
    return {"angle_deg": angle[index].round(5).tolist(), "residual_mm": residual[index].round(6).tolist()}
