"""The planner on random small problems: what it gives passes the checker, and it places what can be placed."""

import copy
import json
from unittest import mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.schedule import search
from analysis.schedule.check import check
from analysis.schedule.plan import plan
from tests.analysis.schedule.small_problems import advanced, first_fit, problems
from tests.analysis.schedule.twin import Twin
from tests.examples import examples


def left_out(made):
    return {entry["order"] for entry in made["unscheduled"]}


@settings(max_examples=examples(60))
@given(problems())
def test_the_plan_of_the_rules_holds_for_checker_and_twin_and_places_what_first_fit_places(problem):
    before = copy.deepcopy(problem)
    made = plan(problem, seconds=0)
    assert problem == before
    assert check(problem, made) == []
    assert Twin(problem, made).judge() == set()
    pinned = any("pin" in operation for order in problem["orders"] for operation in order["operations"])
    if not pinned and not first_fit(problem)[1]:
        assert left_out(made) == set()


def holds(problem, made):
    """The checker's word on each plan that the planner asks it about, none of which may be broken."""
    broken = check(problem, made)
    assert broken == []
    return broken


@pytest.mark.parametrize("apart", [2, search.APART], ids=["each a part of the time", "both all of it"])
@settings(max_examples=examples(40))
@given(problems(), st.integers(0, 2**40))
def test_the_search_is_never_worse_holds_and_is_the_same_again(apart, problem, seed):
    first = plan(problem, seconds=0)
    # Were a plan of the search broken, that of the rules would stand in its place, and nothing here would show it.
    with mock.patch.object(search, "APART", apart), mock.patch("analysis.schedule.plan.check", holds):
        _never_worse_and_the_same_again(problem, seed, first)


def _never_worse_and_the_same_again(problem, seed, first):
    made = plan(problem, seconds=60, seed=seed, steps=60)
    assert made["objective"] <= first["objective"]
    assert left_out(made) == left_out(first)
    assert json.dumps(made) == json.dumps(plan(problem, seconds=60, seed=seed, steps=60))


@settings(max_examples=examples(60))
@given(st.data(), problems())
def test_work_under_way_is_planned_on(data, problem):
    made = plan(problem, seconds=0)
    for entry in made["unscheduled"]:
        problem["orders"] = [order for order in problem["orders"] if order["id"] != entry["order"]]
    later, rest = advanced(data, problem, made)
    again = plan(later, seconds=0)
    assert check(later, again) == []
    assert left_out(again) == set(), "the rest of the plan in force still stands"
    for order in later["orders"]:
        for operation in order["operations"]:
            if operation.get("state") == "started":
                assert again["bookings"][operation["id"]] == rest[operation["id"]]
