"""The checker beside its slow twin, on random small problems, plans that hold and plans with something changed."""

from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.schedule.check import check
from tests.analysis.schedule.small_problems import advanced, changed, first_fit, problems
from tests.analysis.schedule.twin import Twin, whole_plan
from tests.examples import examples

BY_RESOURCE, BY_ORDER = ("capacity", "hold_point"), ("hold", "orders")


def both(problem, plan):
    """What the checker and what the twin finds, as pairs of rule and subject."""
    subjects = set()
    for one in check(problem, plan):
        subject = one.resource if one.rule in BY_RESOURCE else one.order if one.rule in BY_ORDER else one.operation
        subjects.add((one.rule, subject))
    return subjects, Twin(problem, plan).judge()


def place_all(problem):
    booked, left_out = first_fit(problem)
    return whole_plan(problem, booked, left_out)


@settings(max_examples=examples(60))
@given(problems())
def test_a_plan_placed_one_by_one_holds_for_both(problem):
    found, twins = both(problem, place_all(problem))
    assert found == set()
    assert twins == set()


@settings(max_examples=examples(200))
@given(st.data(), problems())
def test_both_find_the_same_in_a_plan_with_something_changed(data, problem):
    plan = changed(data, problem, place_all(problem))
    found, twins = both(problem, plan)
    assert found == twins


@settings(max_examples=examples(100))
@given(st.data(), problems())
def test_both_find_the_same_when_some_of_the_work_is_under_way(data, problem):
    plan = place_all(problem)
    later, rest = advanced(data, problem, plan)
    kept = whole_plan(later, rest, [entry["order"] for entry in plan["unscheduled"]])
    found, twins = both(later, kept)
    assert found == twins
    assert found == set(), "the rest of a plan that held holds when time goes by"
    found, twins = both(later, changed(data, later, kept))
    assert found == twins


@settings(max_examples=examples(30))
@given(st.data(), problems())
def test_a_changed_part_is_found_whatever_the_problem(data, problem):
    plan = place_all(problem)
    part = data.draw(st.sampled_from(sorted(plan["parts"])))
    plan["parts"][part] += 1
    assert ("parts", None) in both(problem, plan)[0]
