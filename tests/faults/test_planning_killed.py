"""A worker killed while it looks for plans loses nothing and doubles nothing."""

from __future__ import annotations

import pytest

from analysis.schedule.check import check
from jobs.errands.models import Errand
from jobs.ledger import queries as ledger
from jobs.ledger.models import Entry
from jobs.planning.actions import plans
from jobs.planning.models import Plan
from tests.faults.processes import Processes
from tests.faults.test_killed_workers import is_done, kill_at, points
from tests.yard import Yard

pytestmark = [pytest.mark.faults, pytest.mark.slow]


@pytest.mark.parametrize(("point", "who"), points("planning", "plans written, not committed", child_at="planning"))
def test_plans_are_there_once(processes: Processes, yard: Yard, point: str, who: str) -> None:
    asked = plans.ask_plan(seconds=0.2, by=yard.planner, at=yard.at)
    assert asked.errand is not None
    errand = Errand.objects.get(pk=asked.errand_id)
    kill_at(processes, point, who)
    assert not Plan.objects.exists()
    processes.workers()
    processes.wait_for(lambda: is_done(errand), "the plans are found")
    assert (errand.state, errand.attempts) == ("done", 2)
    asked.refresh_from_db()
    found = list(asked.plans.all())
    assert asked.finished_at is not None
    assert len({one.title for one in found}) == len(found) == errand.outcome["alternatives"]
    assert all(check(one.problem, one.plan) == [] for one in found)
    plans.accept_plan(found[0], by=yard.planner, at=yard.at)
    assert Entry.objects.filter(kind="plan.accepted").count() == 1
    assert ledger.verify("BY").broken == ()
