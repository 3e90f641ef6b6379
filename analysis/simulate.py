"""Traces with known truth, written from the physics and not from the estimators.

The chain of causes, each with its own argument:

    barring motion  θ(t): sweeps between two angles at a speed with ripple, stick-slip, ramps, stalls, turn-arounds
    gear train      datum shaft behind the crank by half the lash, thrown across it past the crest in some senses
    datum           lift of lobe, profile, piston or link rod at the datum shaft's angle; a worn place
    probe           miss of the axis, tilt (gain), delay, filter, friction, drift, hum, noise, knock, spikes, limits
    encoder         ratio, eccentricity, error twice a turn, steps (nearest line), slip, wrap
    recorder        jitter of the clock, drop-outs, repeated stamps, decimals printed

Truth: `crest_deg` is the crest at mid-lash on the encoder's mean scale, in crank degrees, unrolled from the first
sample; with sweeps of one sense only it is the crest as that sense shows it.
"""

from __future__ import annotations

import gzip
import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from analysis.lifts import DEG, Lift, cycloidal_lobe, harmonic_lobe, parabolic_lobe, piston, worn

__all__ = ["Lift", "Recording", "Setup", "cycloidal_lobe", "harmonic_lobe", "parabolic_lobe", "piston", "record",
           "trace", "worn"]

Floats = npt.NDArray[np.float64]

@dataclass
class Setup:
    """One recording to be made; angles in crank degrees, times in seconds, lifts in millimetres."""

    lift: Lift = field(default_factory=harmonic_lobe)
    crank_per_datum: float = 2.0
    crest_deg: float = 150.0
    reach_deg: float = 150.0              # a sweep starts and ends about this far from the crest
    senses: tuple[int, ...] = (1, -1, 1, -1)
    speeds_deg_s: tuple[float, ...] = (6.0,)
    last_part: float = 1.0                # how much of the last sweep is made
    ripple: float = 0.08                  # of the speed
    ripple_hz: float = 0.25
    stick_hz: float = 0.0                 # stick-slip: the shaft stands and catches up this often,
    stick_part: float = 0.5               # standing for this part of the time
    stalls: tuple[tuple[int, float, float], ...] = ()    # sweep, part of the sweep, seconds
    stall_slack_deg: float = 0.0          # shift of the datum's shaft while it stands
    interval_s: float = 0.02
    jitter: float = 0.02                  # of the interval, between samples
    lash_deg: float = 0.0
    thrown: tuple[int, ...] = ()          # senses in which the follower throws the shaft across
    thrown_at_deg: float = 0.0            # how far past the crest
    thrown_until_deg: float | None = None  # how far past it the drive has caught up again
    thrown_part: float = 1.0              # of the lash
    delay_s: float = 0.0
    filter_s: float = 0.0                 # time constant of a first-order filter in the probe
    miss_mm: float = 0.0                  # the probe's line passes the shaft's axis at this distance,
    pitch_radius_mm: float = 60.0         # the crest being this far from it
    gain: float = 1.0
    base_mm: float = 1.0
    drift_mm: tuple[float, ...] = ()      # amplitudes of linear, quadratic, … drift over the trace
    settling_mm: float = 0.0              # exponential drift that fades
    settling_s: float = 60.0
    swing_mm: float = 0.0                 # drift that goes up and down, as a sine,
    swings: float = 1.0                   # so many times over the trace
    swing_phase_deg: float = 0.0
    friction_mm: float = 0.0              # the probe follows a lift only once it is this far behind
    hum_mm: float = 0.0
    hum_hz: float = 50.0
    noise_mm: float = 0.002
    spikes: float = 0.0                   # share of samples
    spike_mm: float = 2.0
    knocks: tuple[tuple[int, float, float], ...] = ()    # sweep, part of the sweep, millimetres
    converter_mm: float = 0.0005
    low_mm: float | None = None           # the probe gives no less
    high_mm: float | None = None          # and no more
    counts_per_mm: float | None = None
    inverted: bool = False
    encoder_per_crank: float = 1.0
    encoder_step_deg: float = 0.05        # encoder degrees
    eccentricity_deg: float = 0.0         # amplitude in crank degrees
    eccentricity_phase_deg: float = 0.0
    second_deg: float = 0.0               # amplitude of an error twice a turn, crank degrees,
    second_phase_deg: float = 0.0
    slips: tuple[tuple[int, float, float], ...] = ()     # sweep, part of the sweep, crank degrees
    stuck: tuple[int, float, float] | None = None        # sweep, part, seconds for which the encoder stands
    wrap: bool = True
    first_encoder_deg: float | None = None
    drop_outs: tuple[tuple[float, float], ...] = ()      # part of the trace, seconds
    repeats: float = 0.0                  # share of stamps that repeat the one before
    seed: int = 0


@dataclass
class Recording:
    """What the recorder wrote, and the truth."""

    time_s: Floats
    encoder_deg: Floats
    lift: Floats
    in_counts: bool
    encoder_per_crank: float
    crest_deg: float
    shift_deg: float

    def csv(self, *, metadata: dict[str, str] | None = None, packed: bool = False) -> bytes:
        """The text form of the contract; gzip when packed, the same bytes each time."""
        lines = [f"# {key} = {value}" for key, value in (metadata or {}).items()]
        lines.insert(0, f"# encoder_per_crank = {self.encoder_per_crank:g}")
        name, form = ("lift_counts", "{:.6f},{:.5f},{:.0f}") if self.in_counts else ("lift_mm", "{:.6f},{:.5f},{:.5f}")
        lines.append(f"time_s,encoder_deg,{name}")
        lines += [form.format(*row) for row in zip(self.time_s.tolist(), self.encoder_deg.tolist(), self.lift.tolist(),
                                                   strict=True)]
        text = ("\n".join(lines) + "\n").encode()
        return gzip.compress(text, 6, mtime=0) if packed else text


def record(setup: Setup) -> Recording:
    """Make the recording a setup describes; the same for the same seed."""
    rng = np.random.default_rng(setup.seed)
    time_s, angle, sweep, part, standing = _barred(setup, rng)
    sampled = time_s + setup.jitter * setup.interval_s * rng.uniform(-1.0, 1.0, len(time_s))
    time_s, angle = sampled, np.interp(sampled, time_s, angle)
    sense = np.array([setup.senses[min(k, len(setup.senses) - 1)] for k in sweep], dtype=float)
    seen = _datum_angle(setup, time_s, angle, sense, standing)
    lift = _probed(setup, rng, time_s, seen, sweep, part)
    encoder = _encoded(setup, angle, sweep, part, time_s)
    keep = _kept(setup, time_s)
    stamps = time_s[keep] - time_s[keep][0]
    again = np.flatnonzero(rng.random(len(stamps)) < setup.repeats)
    again = again[again > 0]
    stamps[again] = stamps[again - 1]
    encoder, shift = _wrapped(setup, encoder[keep])
    one_way = len(set(setup.senses)) == 1
    crest = setup.crest_deg + shift + (setup.senses[0] * setup.lash_deg / 2.0 if one_way else 0.0)
    return Recording(np.maximum.accumulate(stamps).round(6), encoder.round(5), lift[keep],
                     setup.counts_per_mm is not None, setup.encoder_per_crank, crest, shift)


def _barred(setup: Setup, rng: np.random.Generator) -> tuple[Floats, Floats, npt.NDArray[np.int64], Floats, Floats]:
    """Time, crank angle, sweep, part of the sweep done, standing still (1) for each sample."""
    times: list[float] = []
    angles: list[float] = []
    sweeps: list[int] = []
    parts: list[float] = []
    standing: list[float] = []
    clock = 0.0
    for k, sense in enumerate(setup.senses):
        length = 2.0 * setup.reach_deg * (setup.last_part if k == len(setup.senses) - 1 else 1.0)
        start = setup.crest_deg - sense * setup.reach_deg
        speed = setup.speeds_deg_s[k % len(setup.speeds_deg_s)]
        phase = rng.uniform(0.0, 2.0 * np.pi)
        step = setup.interval_s
        n = int(length / speed / step * 1.6) + 400
        tick = np.arange(n) * step
        pace = speed * (1.0 + setup.ripple * np.sin(2.0 * np.pi * setup.ripple_hz * tick + phase))
        pace = pace * np.clip(tick / 0.5, 0.0, 1.0)
        if setup.stick_hz:
            moving = np.mod(tick * setup.stick_hz + phase / 6.3, 1.0) >= setup.stick_part
            pace = pace * moving / (1.0 - setup.stick_part)
        moved = np.concatenate([[0.0], np.cumsum((pace[1:] + pace[:-1]) / 2.0) * step])
        still = np.zeros(n)
        for which, at, seconds in setup.stalls:
            if which == k:
                hit = int(np.searchsorted(moved, at * length))
                count = int(seconds / step)
                moved = np.insert(moved, hit, np.full(count, moved[hit]))
                still = np.insert(still, hit, np.ones(count))
        stop = min(int(np.searchsorted(moved, length)), len(moved))
        rest = int(0.6 / step)
        moved = np.concatenate([moved[:stop], np.full(rest, moved[stop - 1])])
        still = np.concatenate([still[:stop], np.zeros(rest)])
        count = len(moved)
        times += (clock + np.arange(count) * step).tolist()
        clock += count * step
        angles += (start + sense * moved).tolist()
        sweeps += [k] * count
        parts += (moved / length).tolist()
        standing += still.tolist()
    return np.array(times), np.array(angles), np.array(sweeps), np.array(parts), np.array(standing)


def _datum_angle(setup: Setup, time_s: Floats, angle: Floats, sense: Floats, standing: Floats) -> Floats:
    """Crank degrees from the crest at which the datum's shaft stands, as the probe sees it (delayed)."""
    from_crest = angle - setup.crest_deg
    side = sense.copy()
    until = math.inf if setup.thrown_until_deg is None else setup.thrown_until_deg
    for thrown in setup.thrown:
        past = from_crest * thrown
        side[(sense == thrown) & (past > setup.thrown_at_deg) & (past < until)] *= 1.0 - 2.0 * setup.thrown_part
    shaft = from_crest - side * setup.lash_deg / 2.0 + standing * sense * setup.stall_slack_deg
    if setup.delay_s:
        shaft = np.interp(time_s - setup.delay_s, time_s, shaft)
    return shaft / setup.crank_per_datum


def _missed(setup: Setup, seen: Floats) -> Floats:
    """Displacement along a line that passes the shaft's axis: the point of the lobe that it touches, turned away.

    The lobe's point at angle a and radius ρ(a) lies on the line where ρ sin(a − seen) = miss; what is read is its
    height ρ cos(a − seen). Solved by repetition, which converges since miss is small against ρ.
    """
    base = setup.pitch_radius_mm - float(np.max(setup.lift(np.linspace(-5.0, 5.0, 101))))
    touched = seen
    for _ in range(12):
        radius = base + setup.lift(touched)
        touched = seen + np.arcsin(setup.miss_mm / radius) / DEG
    radius = base + setup.lift(touched)
    return np.asarray(np.sqrt(radius**2 - setup.miss_mm**2) - base)


def _filtered(setup: Setup, time_s: Floats, lift: Floats) -> Floats:
    """What a first-order filter leaves of a signal: exact between samples that are joined by straight lines."""
    out = np.empty_like(lift)
    out[0] = lift[0]
    for k in range(1, len(lift)):
        step = max(float(time_s[k] - time_s[k - 1]), 1e-9)
        fade = float(np.exp(-step / setup.filter_s))
        rise = (lift[k] - lift[k - 1]) / step
        out[k] = lift[k] - rise * setup.filter_s + fade * (out[k - 1] - lift[k - 1] + rise * setup.filter_s)
    return out


def _dragged(lift: Floats, friction_mm: float) -> Floats:
    """A probe that sticks: it stands until the lift is `friction_mm` ahead, and then follows at that distance."""
    out = np.empty_like(lift)
    stands = float(lift[0])
    for k, value in enumerate(lift.tolist()):
        stands = min(max(stands, value - friction_mm), value + friction_mm)
        out[k] = stands
    return out


def _probed(setup: Setup, rng: np.random.Generator, time_s: Floats, seen: Floats, sweep: npt.NDArray[np.int64],
            part: Floats) -> Floats:
    """What the converter gives for the datum's angle."""
    lobe = setup.lift(seen)
    if setup.miss_mm:
        lobe = _missed(setup, seen)
    lift = setup.base_mm + setup.gain * lobe
    if setup.filter_s:
        lift = _filtered(setup, time_s, lift)
    if setup.friction_mm:
        lift = _dragged(lift, setup.friction_mm)
    if setup.settling_mm:
        lift = lift + setup.settling_mm * np.exp(-(time_s - time_s[0]) / setup.settling_s)
    along = 2.0 * (time_s - time_s[0]) / max(float(time_s[-1] - time_s[0]), 1e-9) - 1.0
    for power, size in enumerate(setup.drift_mm, start=1):
        lift = lift + size * along**power
    if setup.swing_mm:
        lift = lift + setup.swing_mm * np.sin(np.pi * setup.swings * (along + 1.0) + setup.swing_phase_deg * DEG)
    lift = lift + setup.hum_mm * np.sin(2.0 * np.pi * setup.hum_hz * time_s + rng.uniform(0.0, 6.28))
    lift = lift + setup.noise_mm * rng.standard_normal(len(lift))
    for which, at, size in setup.knocks:
        first = int(np.flatnonzero((sweep == which) & (part >= at))[0])
        lift[first:] += size
    if setup.inverted:
        lift = -lift
    if setup.low_mm is not None or setup.high_mm is not None:
        lift = np.clip(lift, setup.low_mm, setup.high_mm)
    hit = rng.random(len(lift)) < setup.spikes
    lift[hit] += setup.spike_mm * rng.standard_normal(int(hit.sum()))
    if setup.low_mm is not None:
        lift = np.maximum(lift, setup.low_mm)
    if setup.counts_per_mm is not None:
        return np.round(lift * setup.counts_per_mm)
    return np.asarray(np.round(lift / setup.converter_mm) * setup.converter_mm).round(5)


def _encoded(setup: Setup, angle: Floats, sweep: npt.NDArray[np.int64], part: Floats, time_s: Floats) -> Floats:
    """Encoder degrees, cumulative, at the nearest line."""
    crank = angle + setup.eccentricity_deg * np.cos(
        (angle * setup.encoder_per_crank - setup.eccentricity_phase_deg) * DEG) + setup.second_deg * np.cos(
        (2.0 * angle * setup.encoder_per_crank - setup.second_phase_deg) * DEG)
    for which, at, size in setup.slips:
        first = int(np.flatnonzero((sweep == which) & (part >= at))[0])
        crank[first:] += size
    if setup.stuck is not None:
        which, at, seconds = setup.stuck
        first = int(np.flatnonzero((sweep == which) & (part >= at))[0])
        held = (time_s >= time_s[first]) & (time_s < time_s[first] + seconds)
        crank[held] = crank[first]
    lines = np.round(crank * setup.encoder_per_crank / setup.encoder_step_deg)
    return np.asarray(lines * setup.encoder_step_deg)


def _wrapped(setup: Setup, encoder: Floats) -> tuple[Floats, float]:
    """The reading as shown, and how far unrolling it from its first sample moves the crank angle."""
    if not setup.wrap:
        return encoder, 0.0
    turns = np.floor(encoder[0] / 360.0)
    return np.mod(encoder, 360.0), -float(turns) * 360.0 / setup.encoder_per_crank


def _kept(setup: Setup, time_s: Floats) -> npt.NDArray[np.int64]:
    """Samples that were not dropped."""
    keep = np.ones(len(time_s), dtype=bool)
    for at, seconds in setup.drop_outs:
        first = time_s[int(at * (len(time_s) - 1))]
        keep &= ~((time_s > first) & (time_s < first + seconds))
    return np.flatnonzero(keep)


def trace(
    seed: int = 0, *, packed: bool = True, metadata: dict[str, str] | None = None, crest_deg: float = 150.0,
    sweeps: int = 4, lash_deg: float = 0.06, noise_mm: float = 0.003, speed_deg_s: float = 6.0,
    delay_s: float = 0.005, datum: str = "lobe", crank_per_datum: float = 2.0, spikes: float = 0.0,
) -> tuple[bytes, dict[str, object]]:
    """A plain shop-day trace for demo and tests.

    Returns
    -------
    csv : bytes
        The file (gzip when packed).
    truth : dict
        `crest_deg` in crank degrees on the encoder; `datum` and `crank_per_datum` for its spec.
    """
    rng = np.random.default_rng([seed, 77])
    radius, rod = 130.0, 520.0
    is_piston = datum == "piston"
    setup = Setup(
        lift=piston(radius, rod) if is_piston else cycloidal_lobe(18.0, 62.0),
        crank_per_datum=1.0 if is_piston else crank_per_datum,
        crest_deg=crest_deg, reach_deg=70.0 if is_piston else 70.0 * crank_per_datum,
        senses=tuple(1 if k % 2 == 0 else -1 for k in range(sweeps)),
        speeds_deg_s=tuple(speed_deg_s * rng.uniform(0.93, 1.07, 4)),
        interval_s=0.02, lash_deg=lash_deg, delay_s=delay_s, noise_mm=noise_mm, spikes=spikes,
        base_mm=30.0 if is_piston else 1.2, low_mm=0.0 if is_piston else None,
        encoder_step_deg=0.04, drift_mm=(0.002,), seed=seed,
    )
    made = record(setup)
    shape: dict[str, object] = {"kind": "lobe"}
    if is_piston:
        shape = {"kind": "piston", "crank_radius_mm": radius, "rod_length_mm": rod, "pin_offset_mm": 0.0}
    return made.csv(metadata=metadata, packed=packed), {
        "crest_deg": made.crest_deg, "datum": shape, "crank_per_datum": setup.crank_per_datum,
    }
