"""Mains hum in the residuals: found in a narrow band about 50 and 60 Hz, whatever the sampling folds it to.

The residuals are brought down from the mains frequency with the recorded time stamps and summed in bins, so that
a hum anywhere within the band stands out as one line of the spectrum of the bins.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.reference.fit import Addition, Fit
from analysis.reference.points import Points

Floats = npt.NDArray[np.float64]
MAINS_HZ = (50.0, 60.0)
BAND_HZ = 0.15
BIN_S = 0.4
MOST_BINS = 30_000         # of a record with a pause of hours, over which no hum keeps its beat
LEAST_POWER = 16.0         # times the mean power; pure chance among a hundred lines is below 1e-4
PRIOR = 0.03               # lift units
ZOOMS = 3


def additions(points: Points, fit: Fit) -> tuple[list[Addition], float | None]:
    """Cosine and sine of the strongest hum, and its frequency; nothing when there is none."""
    if points.samples_per_point > 4:
        return [], None
    time_s, value = points.time_s, fit.residual * np.sqrt(fit.weight)
    bins = ((time_s - time_s[0]) / BIN_S).astype(int)
    count = int(bins.max()) + 1
    if count > MOST_BINS:
        return [], None
    best: tuple[float, float] | None = None
    for mains in MAINS_HZ:
        turned = value * np.exp(-2j * np.pi * mains * time_s)
        sums = (np.bincount(bins, turned.real, count) + 1j * np.bincount(bins, turned.imag, count))
        padded = 4 * count
        power = np.abs(np.fft.fft(sums, padded)) ** 2 / max(float(np.sum(value**2)), 1e-30)
        offset = np.fft.fftfreq(padded, BIN_S)
        near = np.abs(offset) <= BAND_HZ
        at = int(np.argmax(np.where(near, power, 0.0)))
        if power[at] > LEAST_POWER and (best is None or power[at] > best[0]):
            best = float(power[at]), mains + float(offset[at])
    if best is None:
        return [], None
    found_hz = _refined(points, fit, best[1])
    pattern = _patterns(time_s, found_hz)
    return [Addition("hum, cosine", pattern[:, 0], PRIOR), Addition("hum, sine", pattern[:, 1], PRIOR)], found_hz


def _patterns(time_s: Floats, hum_hz: float) -> Floats:
    phase = 2.0 * np.pi * hum_hz * (time_s - time_s[0])
    return np.column_stack([np.cos(phase), np.sin(phase)])


def _refined(points: Points, fit: Fit, hum_hz: float) -> float:
    """The frequency that takes most out of the residuals with everything else fitted again.

    A tenth of a cycle over the trace that is left by a coarser one is enough to look like a throw.
    """
    time_s = points.time_s
    reach = 0.5 / max(float(time_s[-1] - time_s[0]), BIN_S)
    for _ in range(ZOOMS):
        tried = hum_hz + np.linspace(-reach, reach, 9)
        hum_hz = float(tried[int(np.argmax([fit.gain_together(_patterns(time_s, hz)) for hz in tried]))])
        reach /= 4.0
    return hum_hz
