"""How good and how fast the analysis is, beside two simple peers: `python -m tests.bench.analysis [--cases N]`.

Errors are in crank degrees. Cases whose datum itself stands off by its stated geometry are left out of the errors
and kept in the coverage. The median expanded uncertainty is given over all cases, and over those that the errors are
of: what the spec says of the datum is in the former, whatever the trace is worth. Times are of the processor.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis import analyse, simulate
from analysis.traces import Trace, read_trace
from tests.bench.groups import GROUPS, Case, case

Floats = npt.NDArray[np.float64]


def largest_sample(trace: Trace) -> float:
    """Peer one: the angle of the largest sample."""
    return float(trace.angle_deg[int(np.argmax(trace.lift))])


def smoothed_top(trace: Trace) -> float:
    """Peer two: a quadratic through the smoothed top twentieth."""
    smooth = median_filter(trace.lift, 15)
    low, high = np.quantile(smooth, [0.01, 0.999])
    top = smooth > high - 0.05 * (high - low)
    if top.sum() < 3:
        return largest_sample(trace)
    angle = trace.angle_deg[top]
    middle = float(np.median(angle))
    bend, slope, _ = np.polyfit(angle - middle, smooth[top], 2)
    return middle - float(slope / (2.0 * bend)) if bend < 0 else middle


def right_reason(result: Mapping[str, object], wanted: Case) -> bool:
    """Whether a failed check names what is wrong."""
    checks = result["checks"]
    assert isinstance(checks, list)
    failed = " ".join(str(check["name"]) for check in checks if not check["passed"])
    return any(reason in failed for reason in wanted.reasons)


def group_figures(group: str, cases: int, first: int) -> dict[str, float]:
    """All figures of one group."""
    errors: list[float] = []
    peers: list[tuple[float, float]] = []
    ratios: list[float] = []
    widths: list[float] = []
    exact: list[float] = []
    none = numbers = named = 0
    spent = 0.0
    for seed in range(first, first + cases):
        one = case(group, seed)
        begun = time.process_time()
        result = analyse(one.data, one.spec)
        spent += time.process_time() - begun
        reference = result["reference_deg"]
        if one.true_deg is None or one.plain_deg is None:
            numbers += reference is not None
            named += reference is None and right_reason(result, one)
            continue
        if not isinstance(reference, float):
            none += 1
            continue
        expanded = float(str(result["expanded_uncertainty_deg"]))
        ratios.append(abs(reference - one.true_deg) / expanded)
        widths.append(expanded)
        if one.spec["u_geometry_deg"] == 0.0:
            errors.append(abs(reference - one.plain_deg))
            exact.append(expanded)
            trace, offset = read_trace(one.data), float(str(one.spec["crest_to_tdc_deg"]))
            peers.append((abs(largest_sample(trace) + offset - one.plain_deg),
                          abs(smoothed_top(trace) + offset - one.plain_deg)))
    found = {"cases": float(cases), "ms": spent / cases * 1e3, "none": none / cases}
    if group == "hopeless":
        return {**found, "numbers": float(numbers), "named": named / cases}
    ratio, peer = np.array(ratios), np.array(peers)
    return {
        **found, "median": float(np.median(errors)), "p95": float(np.quantile(errors, 0.95)),
        "coverage": float(np.mean(ratio <= 1.0)), "expanded": float(np.median(widths)),
        "exact": float(np.median(exact)),
        "wrong": float((ratio > 3.0).sum()), "largest": float(np.median(peer[:, 0])),
        "quadratic": float(np.median(peer[:, 1])),
    }


def speed(samples: int) -> tuple[float, float]:
    """Seconds for a million samples including the reading, and peak memory over the arrays' size."""
    setup = simulate.Setup(interval_s=4.0 * 300.0 / 6.0 / samples, noise_mm=0.003, encoder_step_deg=0.02,
                           lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=150.0)
    made = simulate.record(replace(setup, jitter=0.0))
    spec = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
    count = len(made.time_s)
    little = simulate.record(replace(setup, interval_s=0.05))
    figures = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "spec.json").write_text(json.dumps(spec))
        # the small one first: what remains is what the samples cost, not what the libraries do
        for one in (little, made):
            (folder / "trace.csv").write_bytes(one.csv())
            figures.append(_run("trace", str(folder / "trace.csv"), "--spec", str(folder / "spec.json")))
    (little_s, little_bytes), (made_s, made_bytes) = figures
    return (made_s - little_s) / count * 1e6, (made_bytes - little_bytes) / (count * 24)


def manifest(traces: int, samples: int = 20_000, distinct: int = 40) -> float:
    """Processor seconds for a manifest of so many typical traces of about `samples` samples each.

    `distinct` files are made, each with an encoder, noise and lash of its own, and named in turn.
    """
    rng = np.random.default_rng(20261128)
    spec = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "spec.json").write_text(json.dumps(spec))
        for k in range(distinct):
            speed = rng.uniform(4.0, 7.0)
            setup = simulate.Setup(
                lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, interval_s=4.0 * 280.0 / speed / samples,
                speeds_deg_s=tuple(speed * rng.uniform(0.95, 1.05, 4)), noise_mm=rng.uniform(0.001, 0.007),
                encoder_step_deg=rng.uniform(0.01, 0.06), lash_deg=rng.uniform(0.0, 0.2), delay_s=0.008, spikes=0.002,
                seed=k)
            (folder / f"{k}.csv").write_bytes(simulate.record(setup).csv())
        lines = [json.dumps({"trace": f"{k % distinct}.csv", "spec": "spec.json"}) for k in range(traces)]
        (folder / "all.jsonl").write_text("\n".join(lines) + "\n")
        return _run("traces", "--manifest", str(folder / "all.jsonl"))[0]


def _run(*arguments: str) -> tuple[float, float]:
    """Processor seconds and peak memory (bytes) of one run of the command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "analysis", *arguments]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return spent, after.ru_maxrss * 1024.0


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first case, for fresh ones")
    parser.add_argument("--groups", default=",".join(GROUPS))
    parser.add_argument("--samples", type=int, default=5_000_000, help="for the speed run; 0 leaves it out")
    parser.add_argument("--traces", type=int, default=1000, help="of the manifest; 0 leaves it out")
    chosen = parser.parse_args()
    print("group     cases  median    p95      cover  expanded  exact datum wrong  none   largest  quadratic  ms/trace")
    for group in chosen.groups.split(","):
        f = group_figures(group, chosen.cases, chosen.first)
        if group == "hopeless":
            print(f"{group:9s} {f['cases']:5.0f}  numbers {f['numbers']:.0f}, right reason named {f['named']:.1%}, "
                  f"{f['ms']:.0f} ms/trace", flush=True)
        else:
            print(f"{group:9s} {f['cases']:5.0f}  {f['median']:.5f}  {f['p95']:.5f}  {f['coverage']:5.1%}  "
                  f"{f['expanded']:.5f}   {f['exact']:.5f}      {f['wrong']:5.0f}  {f['none']:5.1%}  "
                  f"{f['largest']:.4f}   {f['quadratic']:.4f}    {f['ms']:.0f}", flush=True)
    if chosen.samples:
        seconds, memory = speed(chosen.samples)
        print(f"speed     {seconds:.2f} s per million samples with the reading, memory {memory:.1f} times the arrays",
              flush=True)
    if chosen.traces:
        print(f"manifest  {manifest(chosen.traces):.1f} s for {chosen.traces} traces of 20,000 samples")


if __name__ == "__main__":
    main()
