"""Looking ahead where many wait: what comes of it holds, is the same again, and is what the rules do not see."""

import json
from unittest import mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.schedule import ahead
from analysis.schedule.ahead import look_ahead, ways_within
from analysis.schedule.build import Builder
from analysis.schedule.fixed import fix
from analysis.schedule.plan import plan
from analysis.schedule.problem import read
from analysis.schedule.serial import Scheme, best_rule
from tests.analysis.schedule.small import at
from tests.analysis.schedule.small_problems import problems
from tests.analysis.schedule.test_plan_twin import holds
from tests.bench.shops import shop
from tests.examples import examples

WEEK = (2, 3, 4, 5, 6)


def scheme_of(problem):
    record = read(problem)
    return Scheme(Builder(record, fix(record), record.weights))


def never():
    return False


def one_bay(*works):
    """Orders that are due as they come in, each so many minutes of the one fitter, who goes home after eight hours."""
    return {
        "now": at(2, "06:00"), "weights": {"tardiness": 1},
        "calendars": {"shifts": [[at(day, "06:00"), at(day, "14:00")] for day in WEEK]},
        "resources": [{"id": "bay", "kind": "bay"}, {"id": "ann", "kind": "person", "calendar": "shifts"}],
        "orders": [{"id": f"W-{number}", "release": at(2, "06:00"), "due": at(2, "06:00"), "weight": weight,
                    "operations": [{"id": f"work-{number}", "minutes": minutes,
                                    "needs": [{"kind": "bay", "hold": "order"}, {"kind": "person"}]}]}
                   for number, (minutes, weight) in enumerate(works)],
    }


def test_what_still_fits_today_goes_before_what_would_wait_for_tomorrow():
    # By weight and work the first goes first, and the others do not fit beside it; two of four hours fill the day.
    problem = one_bay((300, 1.3), (240, 1.0), (240, 1.0))
    scheme = scheme_of(problem)
    board, costs, _, _ = best_rule(scheme)
    assert scheme.cost(board, costs) == pytest.approx(1.3 * 300 + (1440 + 240) + (1440 + 480))
    board, costs, complete = look_ahead(scheme, 4, 2, 0, never)
    assert complete
    assert scheme.cost(board, costs) == pytest.approx(240 + 480 + 1.3 * (1440 + 300))


def test_a_queue_is_worked_off_sooner_than_by_the_rules_and_with_more_ways_sooner_still():
    ruled = alone = several = 0.0
    for seed in (11, 12, 13):
        scheme = scheme_of(shop(60, seed, load=1.3))
        ruled += scheme.cost(*best_rule(scheme)[:2])
        alone += scheme.cost(*look_ahead(scheme, 1, 1, 0, never)[:2])
        several += scheme.cost(*look_ahead(scheme, 8, 4, 0, never)[:2])
    assert several < 0.8 * alone
    assert several < 0.7 * ruled


def test_it_is_never_worse_than_with_one_way_and_ends_complete_when_the_time_is_up():
    scheme = scheme_of(shop(30, 4, load=2.0))
    alone = look_ahead(scheme, 1, 1, 0, never)
    for over in (never, lambda: True):
        board, costs, complete = look_ahead(scheme, 4, 2, 3, over)
        assert complete
        assert scheme.cost(board, costs) <= scheme.cost(*alone[:2])


def test_a_way_that_leaves_an_order_without_a_place_is_never_the_cheapest():
    # The second one weighs more and goes first by the rule; then the probe of the first one is lost to it.
    problem = one_bay((240, 1.0), (240, 1.1))
    problem["resources"].append({"id": "PR-07", "kind": "probe", "usable_until": at(2, "10:00")})
    problem["orders"][0]["operations"][0]["needs"].append({"kind": "probe"})
    scheme = scheme_of(problem)
    assert not look_ahead(scheme, 1, 1, 0, never)[2]
    board, costs, complete = look_ahead(scheme, 8, 2, 0, never)
    assert complete
    assert scheme.cost(board, costs) == pytest.approx(240 + 1.1 * 480)


def test_what_the_problem_says_is_all_that_the_number_of_ways_follows_from():
    assert ways_within(0.0, 60) == (0, 0, 0.0)
    assert ways_within(1e-4, 60) == (0, 0, 0.0)
    for seconds, jobs in ((0.01, 8), (5, 60), (20, 300), (10, 1000), (1000, 3)):
        ways, beside, share = ways_within(seconds, jobs)
        assert 1 < ways <= ahead.MOST_WAYS
        assert ways * beside * jobs * ahead.WAY_OF_JOB <= share * seconds * (1 + 1e-9)
        assert share <= ahead.MOST_OF_TIME


@settings(max_examples=examples(40))
@given(problems(), st.integers(0, 2**40))
def test_on_small_problems_it_holds_is_never_worse_and_is_the_same_again(problem, seed):
    first = plan(problem, seconds=0)
    with mock.patch.object(ahead, "WAY_OF_JOB", 1e-6), mock.patch("analysis.schedule.plan.check", holds):
        once, twice = (plan(problem, seconds=60, seed=seed, steps=60) for _ in range(2))
    assert json.dumps(once) == json.dumps(twice)
    assert once["objective"] <= first["objective"]
    assert {entry["order"] for entry in once["unscheduled"]} == {entry["order"] for entry in first["unscheduled"]}


def test_a_plan_to_be_mended_and_a_project_are_left_to_the_search():
    problem = one_bay((300, 1.3), (240, 1.0), (240, 1.0))
    made = plan(problem, seconds=1, steps=400)
    assert "ways ahead" in made["solver"]
    again = {**problem, "weights": {"tardiness": 1, "moved_start": 5},
             "previous": {name: {"start": at(2, "06:00"), "resources": one["resources"]}
                          for name, one in made["bookings"].items()}}
    assert "ways ahead" not in plan(again, seconds=1, steps=400)["solver"]
    assert "ways ahead" not in plan({**problem, "weights": {"tardiness": 1, "makespan": 1}}, seconds=1,
                                    steps=400)["solver"]
