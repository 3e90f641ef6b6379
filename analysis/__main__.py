"""Command line of the numerics.

    python -m analysis trace FILE --spec SPEC.json [--explain] [--plot OUT.html]
    python -m analysis traces --manifest FILE.jsonl
    python -m analysis hand FILE.json --spec SPEC.json
    python -m analysis schedule PROBLEM.json [--seconds S] [--seed N] [--steps N]
    python -m analysis check-plan PROBLEM.json PLAN.json
    python -m analysis ready

Exit status: 0 a result was printed (a no-result is one, and in a manifest run a refused line is one too);
2 the trace or the spec was refused; 3 the command line, the spec file or the manifest cannot be used.
`schedule` prints a plan: 0 when at least one order is planned (or there is none), 1 when none can be, 2 the problem was
refused, 3 the command line or the file cannot be used.
`check-plan` prints what is wrong with a plan: 0 nothing, 1 something, 3 a file cannot be used.
`ready` compiles the planner's inner loops where that is still to be done, so that nobody waits for it later.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis import analyse, analyse_hand
from analysis.engine import one_thread, work
from analysis.errors import SpecRefused, TraceRefused
from analysis.explain import explain
from analysis.spec import read_spec
from analysis.traces import read_trace

RESULT, REFUSED, UNUSABLE = 0, 2, 3


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> None:  # type: ignore[override]
        self.print_usage(sys.stderr)
        self.exit(UNUSABLE, f"{self.prog}: {message}\n")


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit status."""
    parser = _Parser(prog="python -m analysis", description="Reference angle from recorded traces.",
                     epilog="Exit status: 0 result, 2 refused, 3 command, spec file or manifest unusable.")
    commands = parser.add_subparsers(dest="command", required=True, parser_class=_Parser)
    one = commands.add_parser("trace", help="analyse one trace and print its result as JSON")
    one.add_argument("file", type=Path)
    one.add_argument("--spec", type=Path, required=True)
    one.add_argument("--explain", action="store_true", help="say in sentences how the figure came about")
    one.add_argument("--plot", type=Path, metavar="OUT.html", help="write a page with the sweeps and residuals")
    by_hand = commands.add_parser("hand", help="analyse hand readings and print their result as JSON")
    by_hand.add_argument("file", type=Path)
    by_hand.add_argument("--spec", type=Path, required=True)
    many = commands.add_parser("traces", help="analyse the traces of a manifest, one result a line, in order")
    many.add_argument("--manifest", type=Path, required=True)
    planned = commands.add_parser("schedule", help="print a plan for a planning problem, as JSON")
    planned.add_argument("problem", type=Path)
    planned.add_argument("--seconds", type=float, default=5.0, help="how long to look for a better plan (%(default)s)")
    planned.add_argument("--seed", type=int, default=0, help="of the search; the same seed gives the same plan")
    planned.add_argument("--steps", type=int, help="how many steps to search, whatever the clock says")
    checked = commands.add_parser("check-plan", help="print every rule that a plan breaks, as JSON")
    checked.add_argument("problem", type=Path)
    checked.add_argument("plan", type=Path)
    commands.add_parser("ready", help="compile the planner's inner loops, once")
    chosen = parser.parse_args(arguments)
    if chosen.command == "ready":
        from analysis.schedule.ready import get_ready

        get_ready()
        return RESULT
    if chosen.command == "schedule":
        from analysis.schedule.command import command as schedule

        return schedule(chosen.problem, seconds=chosen.seconds, seed=chosen.seed, steps=chosen.steps)
    if chosen.command == "check-plan":
        from analysis.schedule.check import command

        return command(chosen.problem, chosen.plan)
    if chosen.command == "traces":
        return _many(chosen.manifest)
    if chosen.command == "hand":
        return _by_hand(chosen.file, chosen.spec)
    return _one(chosen.file, chosen.spec, explained=chosen.explain, plot=chosen.plot)


def _by_hand(file: Path, spec_file: Path) -> int:
    spec = _spec_of(spec_file)
    if spec is None:
        return UNUSABLE
    try:
        print(json.dumps(analyse_hand(file, spec), indent=1, allow_nan=False))
    except (TraceRefused, SpecRefused) as refused:
        print(json.dumps(refused.to_json(), indent=1, allow_nan=False))
        return REFUSED
    return RESULT


def _spec_of(file: Path) -> Any:
    """The spec as it stands in its file, or None after saying why it cannot be used."""
    try:
        return json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as wrong:
        print(f"The spec file cannot be used: {wrong}", file=sys.stderr)
        return None


def _one(file: Path, spec_file: Path, *, explained: bool, plot: Path | None) -> int:
    spec = _spec_of(spec_file)
    if spec is None:
        return UNUSABLE
    try:
        done = work(read_trace(file), read_spec(spec))
    except (TraceRefused, SpecRefused) as refused:
        print(json.dumps(refused.to_json(), indent=1, allow_nan=False))
        return REFUSED
    if plot is not None:
        from analysis.report import write

        write(done, plot)
    if explained:
        print("\n".join(explain(done)))
    else:
        print(json.dumps(done.result.to_json(), indent=1, allow_nan=False))
    return RESULT


def _many(manifest: Path) -> int:
    try:
        lines = manifest.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError) as wrong:
        print(f"The manifest cannot be read: {wrong}", file=sys.stderr)
        return UNUSABLE
    specs: dict[str, object] = {}
    with one_thread():
        for line in lines:
            if line.strip():
                print(json.dumps(_entry(line, manifest.parent, specs), allow_nan=False), flush=True)
    return RESULT


def _entry(line: str, folder: Path, specs: dict[str, object]) -> dict[str, object]:
    """One line of a manifest to one result; relative paths are relative to the manifest."""
    try:
        entry = json.loads(line)
        trace, spec = folder / entry["trace"], entry["spec"]
    except (ValueError, KeyError, TypeError):
        return TraceRefused('A manifest line is an object with "trace" and "spec".').to_json()
    if isinstance(spec, str):
        if spec not in specs:
            try:
                specs[spec] = json.loads((folder / spec).read_text(encoding="utf-8"))
            except (OSError, ValueError) as wrong:
                return SpecRefused(f"The spec file cannot be used: {wrong}").to_json()
        spec = specs[spec]
    return outcome(trace, spec)


def outcome(file: Path, spec: Mapping[str, object]) -> dict[str, object]:
    """The result, or the refusal in the shape of the contract."""
    try:
        return analyse(file, spec)
    except (TraceRefused, SpecRefused) as refused:
        return refused.to_json()


if __name__ == "__main__":
    sys.exit(main())
