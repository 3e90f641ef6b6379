"""What the probe should see of a datum: displacement against crank angle from the crest.

Each shape is linear in its coefficients, y = rows(u) times coefficients, and gives the slope dy/du, which is all
the fit needs. `u` is crank degrees from the crest, positive past it in normal rotation.

lobe            an even function of u, otherwise unknown: cubic B-splines in |u| with zero slope at the crest
lobe-profile    a + g·P(u/k): the table as a cubic spline; offset a and gain g are nuisances, k = crank_per_datum
piston          a + g·x(u), x(θ) = r cos θ + √(l² − (r sin θ − e)²), θ = u + asin(e/(l + r))   (metrology 10.1)
link-rod        a + g·x(u), x = K·ū + √(m² − (K·n̄)²), K the knuckle pin                          (metrology 10.2)
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy import optimize
from scipy.interpolate import CubicSpline

from analysis.reference.rows import EvenRows, PlainRows, Rows
from analysis.spec import LinkRod, Piston, Spec

Floats = npt.NDArray[np.float64]
DEG = np.pi / 180.0
FLAT_PART = 0.002          # of a profile's height for a degree of the datum: less is its base circle
KNOWN_ROOM_DEG = 0.5       # datum degrees within the end of a table that is cut off on a flank
MOST_PLACES = 4            # decimals: the fifth is a hundredth of a micrometre


class Shape(Protocol):
    """Displacement of a datum, linear in `size` coefficients."""

    size: int
    known: bool

    def rows(self, u_deg: Floats) -> Rows:
        """Rows of the design matrix at n angles."""
        ...

    def slope(self, u_deg: Floats, coefficients: Floats, rows: Rows | None = None) -> Floats:
        """dy/du in lift units for one crank degree, shape (n,); `rows` where they are known already."""
        ...

    def value(self, u_deg: Floats, coefficients: Floats) -> Floats:
        """y, shape (n,)."""
        ...


class EvenLobe:
    """An even function known only by its symmetry.

    Parameters
    ----------
    reach_deg : float
        Largest |u| that will be asked for; beyond it the function stays at its last value.
    knots : int
        Number of spline intervals between crest and reach.
    """

    known = False

    def __init__(self, reach_deg: float, knots: int) -> None:
        self._reach = reach_deg * (1.0 - 1e-12)
        self._pitch = reach_deg / knots
        self._knots = knots
        self.size = knots + 2          # centres 0, h, 2h, …; those below zero are their own mirror images
        self._like: EvenRows | None = None

    def rows(self, u_deg: Floats) -> EvenRows:
        along = np.minimum(np.abs(u_deg), self._reach) / self._pitch
        interval = along.astype(np.int64)
        self._like = EvenRows(interval, along - interval, self._knots, self._like)
        return self._like

    def slope(self, u_deg: Floats, coefficients: Floats, rows: Rows | None = None) -> Floats:
        rows = rows if isinstance(rows, EvenRows) else self.rows(u_deg)
        slope = rows.rising(coefficients) / self._pitch
        return np.asarray(slope * np.sign(u_deg) * (np.abs(u_deg) < self._reach))

    def value(self, u_deg: Floats, coefficients: Floats) -> Floats:
        return self.rows(u_deg).times(coefficients)


class Known:
    """A shape known but for offset and gain; the coefficients are (offset, gain)."""

    size = 2
    known = True

    def lift(self, u_deg: Floats) -> Floats:
        raise NotImplementedError

    def lift_slope(self, u_deg: Floats) -> Floats:
        raise NotImplementedError

    def rows(self, u_deg: Floats) -> PlainRows:
        return PlainRows(np.column_stack([np.ones(len(u_deg)), self.lift(u_deg)]))

    def slope(self, u_deg: Floats, coefficients: Floats, rows: Rows | None = None) -> Floats:
        return np.asarray(self.lift_slope(u_deg) * coefficients[1])

    def value(self, u_deg: Floats, coefficients: Floats) -> Floats:
        return np.asarray(coefficients[0] + coefficients[1] * self.lift(u_deg))


class ProfileShape(Known):
    """A lobe given as a table.

    Beyond an end at which it is flat the lobe is round; beyond one at which it still falls the table says nothing.
    `known_deg` are the crank degrees from the crest between which it does.
    """

    def __init__(self, profile: tuple[tuple[float, float], ...], crank_per_datum: float) -> None:
        table = np.array(profile)
        self._table = table
        self._spline = CubicSpline(table[:, 0] * crank_per_datum, table[:, 1])
        self._slope = self._spline.derivative()
        self._ends = float(self._spline.x[0]), float(self._spline.x[-1])
        falls = np.abs(np.diff(table[:, 1]) / np.diff(table[:, 0]))[[0, -1]] > FLAT_PART * np.ptp(table[:, 1])
        room = KNOWN_ROOM_DEG * crank_per_datum
        self.known_deg = (self._ends[0] + room if falls[0] else -np.inf, self._ends[1] - room if falls[1] else np.inf)

    @property
    def usual_row_deg(self) -> float:
        """Crank degrees from row to row, mean."""
        return (self._ends[1] - self._ends[0]) / max(len(self._table) - 1, 1)

    def rounded_mm(self) -> float:
        """The last decimal place that the table's lifts have, 0 where that is far below what matters."""
        lifts = self._table[:, 1]
        for places in range(MOST_PLACES + 1):
            if np.allclose(lifts, np.round(lifts, places), rtol=0.0, atol=1e-9):
                return float(10.0**-places)
        return 0.0

    def of_each(self, u_deg: Floats) -> Floats:
        """What a millimetre more in each row of the table adds to the lift, shape (n, rows)."""
        splines = CubicSpline(self._spline.x, np.eye(len(self._table)))
        return np.asarray(splines(np.clip(u_deg, *self._ends)))

    def lift(self, u_deg: Floats) -> Floats:
        return np.asarray(self._spline(np.clip(u_deg, *self._ends)), dtype=np.float64)

    def lift_slope(self, u_deg: Floats) -> Floats:
        inside = (u_deg > self._ends[0]) & (u_deg < self._ends[1])
        return np.asarray(np.where(inside, self._slope(np.clip(u_deg, *self._ends)), 0.0))


class PistonShape(Known):
    """The exact slider-crank, from its top dead centre."""

    def __init__(self, piston: Piston) -> None:
        self._r, self._l, self._e = piston.crank_radius_mm, piston.rod_length_mm, piston.pin_offset_mm
        self._top = float(np.arcsin(self._e / (self._l + self._r)))
        self._height = float(np.sqrt((self._l + self._r) ** 2 - self._e**2))

    def lift(self, u_deg: Floats) -> Floats:
        angle = u_deg * DEG + self._top
        across = self._r * np.sin(angle) - self._e
        return np.asarray(self._r * np.cos(angle) + np.sqrt(self._l**2 - across**2) - self._height)

    def lift_slope(self, u_deg: Floats) -> Floats:
        angle = u_deg * DEG + self._top
        across = self._r * np.sin(angle) - self._e
        tilt = across * self._r * np.cos(angle) / np.sqrt(self._l**2 - across**2)
        return np.asarray((-self._r * np.sin(angle) - tilt) * DEG)


class LinkRodShape(Known):
    """A link piston on a master rod, from its own top dead centre."""

    def __init__(self, rod: LinkRod) -> None:
        self._rod = rod
        bank = rod.bank_angle_deg
        top = optimize.minimize_scalar(
            lambda angle: -float(self._height(np.array([angle]))[0]), bounds=(bank - 25.0, bank + 25.0),
            method="bounded", options={"xatol": 1e-10},
        )
        # the minimiser stops at the square root of the rounding error: a Newton step on the slope finishes it
        at = float(top.x)
        for _ in range(3):
            rise = (self._height(np.array([at + 0.01])) - self._height(np.array([at - 0.01])))[0] / 0.02
            bend = (self._height(np.array([at + 1.0])) - 2 * self._height(np.array([at]))
                    + self._height(np.array([at - 1.0])))[0]
            at -= float(rise / bend)
        self.top_deg = at
        self._top_height = float(self._height(np.array([at]))[0])

    def _height(self, crank_deg: Floats) -> Floats:
        """Link piston's height along its own bank; crank angle from the master cylinder's axis."""
        rod, crank = self._rod, crank_deg * DEG
        lean = np.arcsin(-rod.crank_radius_mm / rod.rod_length_mm * np.sin(crank))
        pin = lean + rod.pin_angle_deg * DEG
        along = rod.crank_radius_mm * np.cos(crank) + rod.pin_radius_mm * np.cos(pin)
        aside = rod.crank_radius_mm * np.sin(crank) + rod.pin_radius_mm * np.sin(pin)
        bank = rod.bank_angle_deg * DEG
        up = along * np.cos(bank) + aside * np.sin(bank)
        off = aside * np.cos(bank) - along * np.sin(bank)
        return np.asarray(up + np.sqrt(rod.link_length_mm**2 - off**2))

    def lift(self, u_deg: Floats) -> Floats:
        return self._height(u_deg + self.top_deg) - self._top_height

    def lift_slope(self, u_deg: Floats) -> Floats:
        step = 0.01
        return (self.lift(u_deg + step) - self.lift(u_deg - step)) / (2.0 * step)


def known_shape(spec: Spec) -> Known | None:
    """The shape the spec gives in full, None for a symmetric lobe."""
    if spec.kind == "lobe-profile":
        return ProfileShape(spec.profile, spec.crank_per_datum)
    if spec.piston is not None:
        return PistonShape(spec.piston)
    if spec.link_rod is not None:
        return LinkRodShape(spec.link_rod)
    return None
