"""The independent checker of plans: reads the JSON of the contract itself and shares nothing with the planner.

    check(problem, plan)    the rules that the plan breaks, each as a sentence; empty when the plan holds

A plan with bookings is judged whole, whatever its status. One that says `infeasible` or `none-yet` and books nothing
has only its conflicts and the orders it leaves out to be judged by.

Where the contract is silent, the checker reads: minutes of a pausing operation begin and end with a working minute.
Work in hand is a fact: its calendars, skills and what it comes after are not held against the plan, but nothing may be
laid over it. What a done operation had under a need kept for the order (as booked, or as in `previous`) the order has
until its last such operation, unless it is no longer fit for use. A person kept for an order does one operation at a
time. `parts` are the weighted terms, so they add up to the objective. Rules by name: status, format, unknown,
completeness, unscheduled, grid, now, release, pin, duration, calendar, needs, skill, usable, precedence, started, done,
capacity, hold, hold_point, orders, moved, parts, objective, bound, conflicts.
"""

from __future__ import annotations

import gc
import json
import sys
from dataclasses import asdict
from pathlib import Path

from analysis.schedule.check_figures import check_figures
from analysis.schedule.check_loads import check_loads
from analysis.schedule.check_places import check_places
from analysis.schedule.check_plan import Findings, check_conflicts, read_plan
from analysis.schedule.check_reading import Json, Violation, read_problem

__all__ = ["Violation", "check", "command"]

HOLDS, BROKEN, UNUSABLE = 0, 1, 3


def check(problem: Json, plan: Json) -> list[Violation]:
    """Every rule of the contract that the plan breaks, empty when it holds.

    Both are the parsed JSON of the contract. Raises ValueError when the problem itself cannot be read.
    """
    collecting = gc.isenabled()
    gc.disable()  # nothing made here refers back to its maker; looking for such rings took a third of the time
    try:
        return _check(problem, plan)
    finally:
        if collecting:
            gc.enable()


def _check(problem: Json, plan: Json) -> list[Violation]:
    shop = read_problem(problem)
    findings = Findings()
    given = read_plan(shop, plan, findings)
    check_conflicts(shop, given, findings)
    if given.booked or given.status not in ("infeasible", "none-yet"):
        check_places(shop, given, findings)
        check_loads(shop, given, findings)
        check_figures(shop, given, findings)
    return findings.found


def command(problem_file: Path, plan_file: Path) -> int:
    """Print the violations of a plan as JSON; 0 when there is none, 1 when there are, 3 when a file is unusable."""
    try:
        problem = json.loads(problem_file.read_text(encoding="utf-8"))
        plan = json.loads(plan_file.read_text(encoding="utf-8"))
        found = check(problem, plan)
    except (OSError, ValueError) as wrong:
        print(f"The problem or the plan cannot be used: {wrong}", file=sys.stderr)
        return UNUSABLE
    print(json.dumps([asdict(one) for one in found], indent=1))
    return BROKEN if found else HOLDS
