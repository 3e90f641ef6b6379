"""Instants with fractions of a second: planner and checker read the same, to the second."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from analysis.schedule.check import check
from analysis.schedule.plan import plan
from analysis.schedule.values import instant
from tests.bench.shops import shop

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def test_a_problem_whose_instants_have_fractions_gets_a_plan_that_the_checker_passes() -> None:
    problem: Any = shop(6, 3)
    problem["now"] = problem["now"].replace("Z", ".400001Z")
    for order, fraction in zip(problem["orders"], (".639681", ".5", ".000001", ".999999", ".25", ".1"), strict=True):
        order["due"] = order["due"].replace("Z", f"{fraction}Z")
        order["release"] = order["release"].replace("Z", f"{fraction}Z")
    assert check(problem, plan(problem, seconds=0.0)) == []


@given(st.integers(946_684_800_000_000, 4_102_444_800_000_000).map(lambda us: EPOCH + timedelta(microseconds=us)))
def test_an_instant_is_read_to_the_nearest_second(moment: datetime) -> None:
    read = instant(moment.isoformat(), "now")
    assert read.microsecond == 0
    assert abs((read - moment).total_seconds()) <= 0.5
