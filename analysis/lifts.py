"""Lifts of lobes and pistons as the simulator makes them: against degrees of the datum's shaft from the crest."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Lift = Callable[[Floats], Floats]
DEG = np.pi / 180.0


def harmonic_lobe(lift_mm: float = 20.0, half_width_deg: float = 60.0, sharpness: float = 1.0, dwell_deg: float = 0.0,
                  lean: float = 0.0) -> Lift:
    """A lobe of raised cosine, flattened (`sharpness` below 1) or pointed, with a dwell at its nose.

    `lean` makes the flank past the crest narrower by that part. Angles in degrees of the datum's shaft.
    """

    def lift(angle: Floats) -> Floats:
        width = half_width_deg * np.where(angle > 0, 1.0 - lean, 1.0)
        part = np.clip((np.abs(angle) - dwell_deg) / (width - dwell_deg), 0.0, 1.0)
        return lift_mm * (0.5 + 0.5 * np.cos(np.pi * part)) ** sharpness

    return lift


def parabolic_lobe(lift_mm: float = 20.0, half_width_deg: float = 60.0, dwell_deg: float = 0.0) -> Lift:
    """A lobe of constant acceleration, then constant deceleration: its second derivative jumps."""

    def lift(angle: Floats) -> Floats:
        part = np.clip((np.abs(angle) - dwell_deg) / (half_width_deg - dwell_deg), 0.0, 1.0)
        return lift_mm * np.where(part < 0.5, 1.0 - 2.0 * part**2, 2.0 * (1.0 - part) ** 2)

    return lift


def cycloidal_lobe(lift_mm: float = 20.0, half_width_deg: float = 60.0, dwell_deg: float = 0.0) -> Lift:
    """A lobe of sinusoidal acceleration, smooth at both ends."""

    def lift(angle: Floats) -> Floats:
        part = np.clip((np.abs(angle) - dwell_deg) / (half_width_deg - dwell_deg), 0.0, 1.0)
        return lift_mm * (1.0 - part + np.sin(2.0 * np.pi * part) / (2.0 * np.pi))

    return lift


def worn(lift: Lift, at_deg: float, width_deg: float, depth_mm: float) -> Lift:
    """A datum that is worn off by `depth_mm` about a place, as a Gaussian: a 1/e of it at `width_deg` from there."""

    def off(angle: Floats) -> Floats:
        return lift(angle) - depth_mm * np.exp(-(((angle - at_deg) / width_deg) ** 2))

    return off


def piston(radius_mm: float, rod_mm: float, offset_mm: float = 0.0) -> Lift:
    """Height of a piston below its top, against crank degrees from its own top dead centre."""
    top = np.arcsin(offset_mm / (rod_mm + radius_mm))
    reach = np.sqrt((rod_mm + radius_mm) ** 2 - offset_mm**2)

    def lift(angle: Floats) -> Floats:
        crank = angle * DEG + top
        return np.asarray(radius_mm * np.cos(crank)
                          + np.sqrt(rod_mm**2 - (radius_mm * np.sin(crank) - offset_mm) ** 2) - reach)

    return lift
