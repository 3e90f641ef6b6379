"""What a profile's table is rounded to, beside what a reading scatters by.

Each row of the table errs by up to half of its last decimal, and all the points between two rows with it: that is no
noise of the readings, and looks like a throw, a worn place or a miss of the axis that is far beyond their chance.
"""

from __future__ import annotations

import math

from analysis.quantiles import median
from analysis.reference.fit import Fit
from analysis.reference.points import LINE_NOISE
from analysis.reference.shapes import ProfileShape


def inflation(fit: Fit) -> float:
    """How many times the variance of what is fitted to many points is larger than their scatter alone makes it.

    1 + m u²/σ² with u = q/√12 of a table rounded to q, m the points between two rows and σ a point's own scatter.
    """
    shape = fit.shape
    if not isinstance(shape, ProfileShape) or (last_mm := shape.rounded_mm()) == 0.0:
        return 1.0
    used = fit.weight > 0.0
    own = fit.s0 / math.sqrt(max(median(fit.weight[used]), 1e-300))
    between = max(1.0, float(used.sum()) * shape.usual_row_deg / max(float(abs(fit.u_deg[used]).max()) * 2.0, 1e-9))
    return 1.0 + between * (last_mm * LINE_NOISE / max(own, 1e-12)) ** 2
