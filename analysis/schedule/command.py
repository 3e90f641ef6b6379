"""`python -m analysis schedule`: a problem file in, a plan on standard output."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from analysis.schedule.plan import PlanBroken, ProblemRefused, plan

PLANNED, NOTHING, REFUSED, UNUSABLE = 0, 1, 2, 3


def command(problem_file: Path, *, seconds: float, seed: int, steps: int | None) -> int:
    """Print the plan, or the refusal in the shape of the contract; the exit status is that of `analysis.__main__`."""
    try:
        problem = json.loads(problem_file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as wrong:
        print(f"The problem file cannot be used: {wrong}", file=sys.stderr)
        return UNUSABLE
    try:
        made = plan(problem, seconds=seconds, seed=seed, steps=steps)
    except (ProblemRefused, PlanBroken) as refused:
        print(json.dumps(refused.to_json(), indent=1, allow_nan=False))
        return REFUSED
    print(json.dumps(made, indent=1, allow_nan=False))
    return NOTHING if made["status"] == "infeasible" else PLANNED
