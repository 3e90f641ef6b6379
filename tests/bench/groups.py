"""Simulated groups of traces: clean, typical, hard, hopeless; every case differs in everything.

*Varied* goes further than any shop day should: each effect comes in or stays out by the throw of a coin, over wide
ranges of speed, sampling and encoder, two to ten sweeps beginning in either sense.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis import simulate
from analysis.simulate import Setup

GROUPS = ("clean", "typical", "hard", "hopeless", "varied")
HOPELESS = {
    "bottomed": ("saturation",), "railed": ("saturation",), "flank": ("flank",), "knocked": ("knock",),
    "two crests": ("crests",), "flat": ("flat",), "stuck": ("stuck", "encoder"),
    "slipped": ("repeatability", "slip"), "inverted": ("sign",), "wrong profile": ("profile", "mismatch"),
    "few": ("few",), "base only": ("crest", "flat"),
}


@dataclass
class Case:
    """One case: the file, its spec, and what is true of it."""

    data: bytes
    spec: dict[str, object]
    true_deg: float | None            # with the datum's own stand-off
    plain_deg: float | None           # without it: what an ideal reading of the trace gives
    reasons: tuple[str, ...] = ()
    label: str = ""


def case(group: str, seed: int) -> Case:
    """Case number `seed` of a group."""
    rng = np.random.default_rng([GROUPS.index(group), seed, 20261125])
    setup, spec, label = _basic(rng, group)
    reasons: tuple[str, ...] = ()
    if group == "clean":
        setup = _clean(rng, setup)
    elif group == "varied":
        setup, more = _varied(rng, setup, spec)
        label += more
    else:
        setup, more = _typical(rng, setup)
        label += more
    if group == "hard":
        setup, more = _hard(rng, setup, spec)
        label += more
    if group == "typical" and (apart := np.random.default_rng([seed, 20261129])).random() < 0.3:
        spec["u_geometry_deg"] = apart.uniform(0.005, 0.02)
        label += " geometry"
    if group == "hopeless":
        names = list(HOPELESS)
        name = names[seed % len(names)]
        reasons, label = HOPELESS[name], f"{label} {name}"
        setup, spec = _hopeless(rng, setup, spec, name)
    made = simulate.record(replace(setup, seed=seed))
    if name_is(reasons, "few"):
        made = _thin(made)
    metadata = {"started_at": "2026-03-14T09:20:05+01:00", "probe": "PR-07"}
    plain = made.crest_deg + float(spec["crest_to_tdc_deg"])
    away = float(spec["u_geometry_deg"]) * float(rng.standard_normal())
    miss = float(rng.choice([0.0, 0.4, 1.7])) * float(rng.choice([-1, 1])) * float(spec["tolerance_deg"])
    spec["target_deg"] = plain + miss
    return Case(made.csv(metadata=metadata), spec, None if reasons else plain + away, None if reasons else plain,
                reasons, label)


def name_is(reasons: tuple[str, ...], name: str) -> bool:
    return reasons == HOPELESS.get(name)


def _thin(made: simulate.Recording) -> simulate.Recording:
    index = np.linspace(0, len(made.time_s) - 1, 30).astype(int)
    return replace(made, time_s=made.time_s[index], encoder_deg=made.encoder_deg[index], lift=made.lift[index])


def _basic(rng: np.random.Generator, group: str) -> tuple[Setup, dict[str, object], str]:
    """Datum, encoder, motion: what every group varies."""
    kind = str(rng.choice(["lobe", "lobe", "lobe-profile", "piston"]))
    cpd = 1.0 if kind == "piston" else float(rng.choice([1.0, 2.0]))
    spec: dict[str, object] = {
        "crank_per_datum": cpd, "crest_to_tdc_deg": 0.0 if rng.random() < 0.5 else round(rng.uniform(-180, 180), 2),
        "tolerance_deg": float(rng.choice([0.25, 0.5, 1.0])), "index_radius_mm": 250.0, "coverage": 0.95,
        "u_encoder_deg": 0.0, "u_probe_mm": 0.0, "u_geometry_deg": 0.0,
    }
    setup = Setup(crank_per_datum=cpd, crest_deg=rng.uniform(-360, 720))
    if kind == "piston":
        radius = rng.uniform(105, 205)
        rod = radius * rng.uniform(3.4, 4.6)
        offset = 0.0 if rng.random() < 0.5 else rng.uniform(-6, 6)
        spec["datum"] = {"kind": kind, "crank_radius_mm": radius, "rod_length_mm": rod, "pin_offset_mm": offset}
        setup = replace(setup, lift=simulate.piston(radius, rod, offset), base_mm=rng.uniform(25, 36),
                        low_mm=0.0, reach_deg=rng.uniform(55, 85), gain=1 + rng.normal(0, 0.002))
        label = "piston"
    else:
        setup, label = _lobe(rng, setup, spec, kind)
    ratio = float(rng.choice([1.0, 1.0, 1.0, 0.5, 8.4375, 11.25]))
    fine = {"clean": (0.003, 0.03), "typical": (0.01, 0.06), "hard": (0.05, 0.22), "hopeless": (0.01, 0.1),
            "varied": (0.002, 0.4)}[group]
    step = np.exp(rng.uniform(*np.log(fine))) * ratio
    passes = int(rng.choice([2, 4, 4, 6]))
    first = int(rng.choice([1, -1]))
    senses = tuple(first * (1 if k % 2 == 0 else -1) for k in range(passes))
    return replace(setup, encoder_per_crank=ratio, encoder_step_deg=step, senses=senses,
                   wrap=bool(rng.random() < 0.6 and ratio <= 2.0)), spec, label


def _lobe(rng: np.random.Generator, setup: Setup, spec: dict[str, object], kind: str) -> tuple[Setup, str]:
    height, width = rng.uniform(10, 24), rng.uniform(45, 72)
    dwell = rng.uniform(3, 20) if rng.random() < 0.2 else 0.0
    shape = str(rng.choice(["harmonic", "parabolic", "cycloidal", "sharp"]))
    if kind == "lobe-profile":
        lift = simulate.harmonic_lobe(height, width, rng.uniform(1.3, 2.2), dwell, rng.uniform(-0.2, 0.2))
    elif shape == "harmonic":
        lift = simulate.harmonic_lobe(height, width, 1.0, dwell)
    elif shape == "parabolic":
        lift = simulate.parabolic_lobe(height, width, dwell)
    elif shape == "cycloidal":
        lift = simulate.cycloidal_lobe(height, width, dwell)
    else:
        lift = simulate.harmonic_lobe(height, width, rng.uniform(1.3, 2.5), dwell)
    if kind == "lobe-profile":
        grid = np.arange(-90.0, 90.5, 0.5)
        keep = np.abs(grid) <= width * 1.25 + 2
        values = lift(grid)
        spec["datum"] = {"kind": kind, "profile": [[float(a), round(float(v), 6)] for a, v in
                                                   zip(grid[keep], values[keep], strict=True)]}
    else:
        spec["datum"] = {"kind": "lobe"}
    reach = width * setup.crank_per_datum * rng.uniform(1.08, 1.3)
    gain = 1 + (rng.normal(0, 0.002) if rng.random() < 0.5 else 0.0)
    return replace(setup, lift=lift, reach_deg=reach, base_mm=rng.uniform(0.4, 1.6), gain=gain), f"{kind} {shape}"


def _clean(rng: np.random.Generator, setup: Setup) -> Setup:
    speed = rng.uniform(3, 7)
    return replace(setup, noise_mm=rng.uniform(0.0004, 0.002), converter_mm=float(rng.choice([0.0005, 0.001])),
                   interval_s=float(rng.choice([0.01, 0.02])), speeds_deg_s=tuple(speed * rng.uniform(0.95, 1.05, 6)),
                   ripple=rng.uniform(0.0, 0.05), ripple_hz=rng.uniform(0.1, 0.6))


def _typical(rng: np.random.Generator, setup: Setup) -> tuple[Setup, str]:
    speed = rng.uniform(3, 7.5)
    label = ""
    changed = replace(
        setup, noise_mm=rng.uniform(0.001, 0.007), converter_mm=float(rng.choice([0.0005, 0.001, 0.003])),
        interval_s=float(rng.choice([0.005, 0.01, 0.025])), speeds_deg_s=tuple(speed * rng.uniform(0.92, 1.08, 6)),
        ripple=rng.uniform(0.02, 0.15), ripple_hz=rng.uniform(0.1, 0.8), repeats=float(rng.choice([0.0, 0.01])),
        spikes=float(rng.choice([0.0, 0.002, 0.01])), spike_mm=rng.uniform(0.2, 3),
        drift_mm=tuple(rng.normal(0, 0.006, 2)), delay_s=rng.uniform(0, 0.015),
    )
    if rng.random() < 0.15:
        changed = replace(changed, senses=changed.senses[:1], delay_s=0.0, lash_deg=0.0)
        if "piston" in str(changed.lift):
            changed = replace(changed, drift_mm=())
        label += " one-way"
    else:
        changed = replace(changed, lash_deg=rng.uniform(0, 0.2))
        if rng.random() < 0.4:
            changed = replace(changed, thrown=(1, -1), thrown_at_deg=float(rng.choice([0.0, 0.0, 8.0])))
            label += " thrown"
    if rng.random() < 0.4:
        changed = replace(changed, drop_outs=tuple((rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.9)) for _ in range(2)))
        label += " drops"
    if rng.random() < 0.3:
        stalls = tuple((int(rng.integers(len(changed.senses))), rng.uniform(0.2, 0.8), rng.uniform(0.5, 5))
                       for _ in range(int(rng.integers(1, 4))))
        changed = replace(changed, stalls=_one_each(stalls))
        label += " stalls"
    if rng.random() < 0.3:
        changed = replace(changed, hum_mm=rng.uniform(0.001, 0.006), hum_hz=float(rng.choice([50, 60])))
        label += " hum"
    return changed, label


def _one_each(stalls: tuple[tuple[int, float, float], ...]) -> tuple[tuple[int, float, float], ...]:
    return tuple({s[0]: s for s in stalls}.values())


def _hard(rng: np.random.Generator, setup: Setup, spec: dict[str, object]) -> tuple[Setup, str]:
    label = ""
    if len(setup.senses) < 2:
        setup = replace(setup, senses=(1, -1))
    fast, slow = rng.uniform(4.5, 8), rng.uniform(2.5, 5)
    speeds = (fast, slow) if rng.random() < 0.5 else (slow, fast)
    changed = replace(
        setup, noise_mm=rng.uniform(0.004, 0.025), converter_mm=float(rng.choice([0.003, 0.006, 0.012])),
        speeds_deg_s=speeds, ripple=rng.uniform(0.1, 0.35), delay_s=rng.uniform(0.0, 0.06),
        spikes=rng.uniform(0.0, 0.05), spike_mm=rng.uniform(0.3, 4), repeats=rng.uniform(0, 0.03),
        drift_mm=tuple(rng.normal(0, 0.04, 3)), lash_deg=rng.uniform(0.0, 0.3),
        interval_s=float(rng.choice([0.01, 0.025])),
        thrown=[(), (1,), (-1,), (1, -1)][int(rng.integers(4))],
        thrown_at_deg=float(rng.choice([0.0, rng.uniform(0, 15)])),
        hum_mm=float(rng.choice([0.0, rng.uniform(0.003, 0.015)])), hum_hz=float(rng.choice([50.0, 60.0, 49.97])),
    )
    label += f" throw{changed.thrown}"
    if len(changed.senses) == 6 and rng.random() < 0.5:
        size = float(rng.choice([-1, 1])) * rng.uniform(0.15, 0.6)
        changed = replace(changed, knocks=((int(rng.integers(6)), rng.uniform(0.3, 0.7), size),))
        label += " one-knock"
    if rng.random() < 0.35:
        amplitude = rng.uniform(0.01, 0.05)
        changed = replace(changed, eccentricity_deg=amplitude, eccentricity_phase_deg=rng.uniform(0, 360))
        spec["u_encoder_deg"] = amplitude / np.sqrt(2.0)
        label += " eccentric"
    if rng.random() < 0.3:
        spec["u_geometry_deg"] = rng.uniform(0.005, 0.03)
        label += " geometry"
    if rng.random() < 0.3 and setup.low_mm is None:
        changed = replace(changed, counts_per_mm=rng.uniform(40, 300))
        label += " counts"
        if rng.random() < 0.5:
            per = changed.counts_per_mm or 1.0
            spec["probe_calibration"] = {"coefficients": [0.0, 1.0 / per], "origin": 0.0,
                                         "standard_uncertainty_mm": 0.002}
    return changed, label


def _varied(rng: np.random.Generator, setup: Setup, spec: dict[str, object]) -> tuple[Setup, str]:
    """Each effect in or out, wide ranges."""
    def maybe(chance: float) -> bool:
        return bool(rng.random() < chance)

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    first, passes = int(rng.choice([1, -1])), int(rng.choice([2, 3, 4, 5, 6, 10]))
    senses = tuple(first * (1 if k % 2 == 0 else -1) for k in range(passes))
    speed = between(0.8, 15.0)
    length = 2.0 * setup.reach_deg * len(senses) / speed
    interval = float(np.clip(between(0.001, 0.05), length / 80_000, length / 1500))
    setup = replace(
        setup, senses=senses, interval_s=interval, noise_mm=between(0.0005, 0.02),
        speeds_deg_s=tuple(speed * np.exp(rng.normal(0, 0.15, len(senses)))), ripple=rng.uniform(0, 0.3),
        ripple_hz=between(0.05, 2.0), converter_mm=between(0.0003, 0.01), jitter=rng.uniform(0, 0.3),
    )
    said = []

    def add(name: str, **changes: object) -> None:
        nonlocal setup
        setup = replace(setup, **changes)  # type: ignore[arg-type]
        said.append(name)

    if maybe(0.5):
        add("lash", lash_deg=between(0.02, 0.4))
        if maybe(0.5):
            add("thrown", thrown=((1,), (-1,), (1, -1))[int(rng.integers(3))],
                thrown_at_deg=float(rng.choice([0.0, rng.uniform(0, 12)])))
    if maybe(0.4):
        add("delay", delay_s=between(0.001, 0.04))
    elif maybe(0.4):
        add("filter", filter_s=between(0.001, 0.03))
    if maybe(0.3):
        add("drift", drift_mm=tuple(rng.normal(0, between(0.003, 0.05), 3)))
    if maybe(0.3):
        add("settling", settling_mm=float(rng.normal(0, 0.04)), settling_s=between(20.0, 300.0))
    if maybe(0.25):
        add("hum", hum_mm=between(0.001, 0.02), hum_hz=float(rng.choice([50.0, 60.0, 50.03])))
    if maybe(0.3):
        add("spikes", spikes=between(0.001, 0.05), spike_mm=between(0.05, 4.0))
    if maybe(0.25):
        add("stick-slip", stick_hz=between(0.3, 3.0), stick_part=rng.uniform(0.2, 0.7), ripple=0.0)
    if maybe(0.25):
        add("stalls", stalls=_one_each(tuple((int(rng.integers(len(senses))), rng.uniform(0.1, 0.9),
                                              rng.uniform(0.3, 40)) for _ in range(2))))
    if maybe(0.25):
        add("drops", drop_outs=tuple((rng.uniform(0.05, 0.95), rng.uniform(0.05, 3.0)) for _ in range(3)))
    if maybe(0.2):
        add("repeats", repeats=between(0.002, 0.1))
    if maybe(0.25) and len(senses) > 2:
        add("partial", last_part=rng.uniform(0.15, 0.95))
    if maybe(0.25):
        amplitude = between(0.003, 0.05)
        spec["u_encoder_deg"] = amplitude / np.sqrt(2.0)
        add("eccentric", eccentricity_deg=amplitude, eccentricity_phase_deg=rng.uniform(0, 360))
    if maybe(0.2) and setup.low_mm is None:
        add("clipped base", low_mm=setup.base_mm + rng.uniform(0.2, 3.0))
    if maybe(0.15) and setup.low_mm is None:
        add("counts", counts_per_mm=between(40, 2000))
    if maybe(0.15):
        add("friction", friction_mm=between(0.0005, 0.02))
    return setup, " " + " ".join(said)


def _hopeless(rng: np.random.Generator, setup: Setup, spec: dict[str, object], name: str
              ) -> tuple[Setup, dict[str, object]]:
    top = setup.base_mm + float(np.max(setup.lift(np.linspace(-3, 3, 50))))
    sense = setup.senses[0]
    if name == "bottomed":
        return replace(setup, high_mm=top - rng.uniform(0.5, 6), noise_mm=0.002, spikes=0.0), spec
    if name == "railed":
        return replace(setup, high_mm=top - rng.uniform(0.3, 8)), spec
    if name == "flank":
        reach = setup.reach_deg
        return replace(setup, lift=_moved(setup.lift, sense * reach * 0.95 / setup.crank_per_datum)), spec
    if name == "knocked":
        senses = (1, -1)[:int(rng.integers(1, 3))]
        knocks = tuple((k, rng.uniform(0.38, 0.62), float(rng.choice([-1, 1])) * rng.uniform(0.15, 0.8))
                       for k in range(len(senses)))
        return replace(setup, senses=senses, knocks=knocks, stalls=()), spec
    if name == "two crests":
        gap = setup.reach_deg * 0.9 / setup.crank_per_datum
        lift = setup.lift if setup.low_mm is None else simulate.cycloidal_lobe(20.0, 40.0)

        def twin(a: np.ndarray) -> np.ndarray:
            return np.maximum(lift(2.4 * (a - gap / 2)), lift(2.4 * (a + gap / 2)))

        return replace(setup, lift=twin, low_mm=None, base_mm=1.0), spec
    if name == "flat":
        return replace(setup, lift=lambda a: np.zeros_like(a), base_mm=1.0), spec
    if name == "stuck":
        return replace(setup, stuck=(0, rng.uniform(0.25, 0.45), 0.22 * 2 * setup.reach_deg / min(setup.speeds_deg_s)),
                       stalls=()), spec
    if name == "slipped":
        size = float(rng.choice([-1, 1])) * rng.uniform(0.5, 6)
        passes = int(rng.choice([4, 6]))
        senses = tuple(sense * (1 if k % 2 == 0 else -1) for k in range(passes))
        slips = ((int(rng.integers(1, passes)), rng.uniform(0, 0.8), size),)
        return replace(setup, senses=senses, stalls=(), slips=slips), spec
    if name == "inverted":
        return replace(setup, inverted=True, low_mm=None), spec
    if name == "wrong profile":
        grid = np.arange(-70.0, 70.5, 0.5)
        lift = simulate.harmonic_lobe(14.0, 44.0, 2.0, 0.0, 0.25)(grid)
        spec = {**spec, "datum": {"kind": "lobe-profile", "profile": [
            [float(a), float(v)] for a, v in zip(grid, lift, strict=True)]}}
        return replace(setup, lift=simulate.parabolic_lobe(20.0, 66.0, 12.0), low_mm=None, base_mm=1.0,
                       crank_per_datum=float(spec["crank_per_datum"]),
                       reach_deg=80.0 * float(spec["crank_per_datum"])), spec
    if name == "base only":
        return replace(setup, lift=_moved(setup.lift, setup.reach_deg * 2.2 / setup.crank_per_datum)), spec
    return setup, spec


def _moved(lift: simulate.Lift, by_deg: float) -> simulate.Lift:
    return lambda angle: lift(angle - by_deg)
