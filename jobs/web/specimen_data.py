"""A made-up trace for the specimen page: a smooth lobe with lash, no engine's. Pure."""

from __future__ import annotations

import math
from typing import Any

CREST_DEG, REFERENCE_DEG, TARGET_DEG, TOLERANCE_DEG = 140.612, 140.612, 140.0, 0.25
HALF_LASH_DEG = 0.35
HALF_WIDTH_DEG = 58.0


def _lift(angle_deg: float) -> float:
    """Lift in mm of a raised-cosine lobe around the crest."""
    turn = min(1.0, abs(angle_deg - CREST_DEG) / HALF_WIDTH_DEG)
    return 4.2 * (1 + math.cos(math.pi * turn))


def _sweep(direction: str, window: tuple[float, float] | None) -> dict[str, Any]:
    shift = HALF_LASH_DEG if direction == "forward" else -HALF_LASH_DEG
    low, high = window or (80.0, 200.0)
    angles = [low + (high - low) * k / 600 for k in range(601)]
    angles = [angle for angle in angles if 80 <= angle <= 200]
    if direction == "reverse":
        angles.reverse()
    return {
        "direction": direction,
        "used": True,
        "angle_deg": [round(angle, 5) for angle in angles],
        "lift_mm": [round(_lift(angle - shift), 5) for angle in angles],
    }


def series(window: tuple[float, float] | None = None) -> dict[str, Any]:
    """The series of the sweep plot in the form of `analysis.plot_data`."""
    levels = [2.0 + 0.2 * k for k in range(28)]
    shown = [k / 4 for k in range(4 * 90, 4 * 192) if window is None or window[0] <= k / 4 <= window[1]]
    middles = [
        {
            "direction": direction,
            "lift_mm": levels,
            "middle_deg": [CREST_DEG + shift + 0.01 * math.sin(9 * level) for level in levels],
        }
        for direction, shift in (("forward", HALF_LASH_DEG), ("reverse", -HALF_LASH_DEG))
    ]
    return {
        "sweeps": [_sweep("forward", window), _sweep("reverse", window)],
        "midline": middles,
        "residuals": {"angle_deg": shown, "residual_mm": [0.002 * math.sin(3.1 * a) * math.cos(a) for a in shown]},
        "crest_deg": CREST_DEG,
        "reference_deg": REFERENCE_DEG,
        "target_deg": TARGET_DEG,
        "tolerance_deg": TOLERANCE_DEG,
        "lift_unit": "mm",
    }


def result() -> dict[str, Any]:
    """As much of a result as the plot's table shows."""
    rows = (("forward", 0.2, 41.7, 140.961, True, ""), ("reverse", 44.0, 88.3, 140.263, True, ""))
    last = ("forward", 90.1, 97.4, None, False, "it does not pass the crest")
    return {
        "sweeps": [
            {
                "direction": direction,
                "start_s": start,
                "stop_s": stop,
                "reference_deg": reference,
                "standard_uncertainty_deg": 0.011 if used else None,
                "used": used,
                "reason": reason,
            }
            for direction, start, stop, reference, used, reason in (*rows, last)
        ]
    }
