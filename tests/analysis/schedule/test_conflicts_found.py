"""Random small problems made hard: sets are smallest, remedies work, and how long that takes with a full shop."""

import copy

from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from analysis.schedule.check import check
from analysis.schedule.clashing import Asked, smallest, terms_of
from analysis.schedule.explained import explain
from analysis.schedule.fixed import fix
from analysis.schedule.jobs import jobs_of
from analysis.schedule.plan import _first, plan
from analysis.schedule.problem import read
from analysis.schedule.relax import changed
from tests.analysis.schedule.changed import remedied
from tests.analysis.schedule.small_problems import advanced, moment, problems
from tests.bench.schedule import loaded
from tests.examples import examples


@st.composite
def hard(draw):
    """A problem in which somebody is pinned, lapses, or is at work for less than is asked."""
    problem = draw(problems())
    for order in problem["orders"]:
        one = draw(st.sampled_from(order["operations"]))
        trouble = draw(st.sampled_from(["pin", "long", "late", "none"]))
        if trouble == "pin":
            one["pin"] = {"start": moment(30 * draw(st.integers(12, 100)))}
        elif trouble == "long":
            one["minutes"] = draw(st.sampled_from([540, 900]))
        elif trouble == "late":
            order["release"] = moment(60 * draw(st.integers(30, 100)))
    return problem


@settings(max_examples=examples(120), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(hard())
def test_each_remedy_gives_the_order_a_place(problem):
    made = plan(problem, seconds=0)
    out = {one["order"] for one in made["unscheduled"]}
    for entry in made["unscheduled"]:
        event(f"{len(entry['remedies'])} remedies")
        for remedy in entry["remedies"]:
            better = remedied(problem, remedy["change"])
            again = plan(better, seconds=0)
            assert check(better, again) == []
            left = {one["order"] for one in again["unscheduled"]}
            assert entry["order"] not in left, remedy
            assert len(left) < len(out), remedy


@settings(max_examples=examples(60), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data(), problems())
def test_remedies_work_as_well_when_the_day_has_moved_on_and_somebody_is_gone(data, problem):
    problem, _ = advanced(data, problem, plan(problem, seconds=0))
    calendar = data.draw(st.sampled_from(sorted(problem["calendars"])))
    problem["calendars"][calendar] = [span for span in problem["calendars"][calendar] if span[0] < moment(30 * 60)]
    made = plan(problem, seconds=0)
    for entry in made["unscheduled"]:
        event(f"{len(entry['remedies'])} remedies")
        for remedy in entry["remedies"]:
            again = plan(remedied(problem, remedy["change"]), seconds=0)
            assert entry["order"] not in {one["order"] for one in again["unscheduled"]}, remedy


@settings(max_examples=examples(120), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(hard())
def test_no_fact_of_a_set_can_be_missing(problem):
    known = read(problem)
    trial = changed(known, ())
    fixed = fix(trial)
    before = frozenset(one.order for one in trial.left_out)
    for orders, operations in zip(*(lambda jobs: (jobs.orders, jobs.operations))(jobs_of(known, fixed, known.orders)),
                                  strict=True):
        mine = {known.orders[one].id for one in orders}
        clash = smallest(Asked(known, operations, 200, before - mine), fixed)
        if clash is None:
            continue
        assert clash.whole
        afresh = Asked(known, operations, 200, before - mine)
        everything = list(terms_of(known, fixed, operations))
        event(f"{len(clash.terms)} of {len(everything)} facts")
        gone = [one for one in everything if one not in clash.terms and one not in clash.given]
        assert not afresh.fits([change for term in gone for change in term.changes])
        for term in clash.terms:
            assert afresh.fits([change for one in [*gone, term] for change in one.changes]), term.kind


def test_five_orders_of_sixty_are_all_explained():
    problem = copy.deepcopy(loaded(60, 3))
    for order in problem["orders"][::12]:
        order["operations"][2]["minutes"] = 900
        order["operations"][2].pop("may_pause", None)
    known = read(problem)
    _first(known)
    explain(problem, known)
    assert [bool(one.named and one.remedies) for one in known.left_out] == [True] * 5
