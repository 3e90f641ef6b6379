"""Planning anew after one thing has changed: what is in hand stands, little moves, and each move has its reason."""

import copy

import pytest

import analysis.schedule.plan as plans
from analysis.schedule.build import Builder
from analysis.schedule.check import check
from analysis.schedule.fixed import fix
from analysis.schedule.plan import plan
from analysis.schedule.problem import read
from analysis.schedule.search import Effort, improve, mend
from analysis.schedule.serial import Scheme, best_rule
from tests.analysis.schedule import small
from tests.analysis.schedule.small import at
from tests.bench.shop_trouble import DISRUPTIONS
from tests.bench.shops import disruption, shop

CLASSES = {"pin", "past", "waits", "needs", "unfit", "absent", "taken", "better"}


@pytest.fixture(scope="module")
def base():
    problem = shop(16, 3, load=1.0)
    return problem, plan(problem, seconds=9, steps=50)


@pytest.mark.parametrize("kind", sorted(DISRUPTIONS))
def test_after_a_disruption_the_plan_holds_and_moves_less_than_a_fresh_one(base, kind):
    problem, made = base
    later = disruption(problem, made, 5, kind=kind)
    again = plan(later, seconds=9, steps=200)
    assert check(later, again) == []
    assert again["unscheduled"] == []
    assert {entry["class"] for entry in again["moved"]} <= CLASSES
    fresh = copy.deepcopy(later)
    fresh["weights"] = {"tardiness": 1}
    assert len(again["moved"]) < len(plan(fresh, seconds=0)["moved"])


def test_where_moves_cost_nothing_a_plan_is_not_mended_but_made_anew(base, monkeypatch):
    later = disruption(*base, 5, kind="bay blocked")
    asked = []
    monkeypatch.setattr(plans, "mend", lambda *_: asked.append("mend") or improve(*_))
    plan({**later, "weights": {"tardiness": 1, "makespan": 1}}, seconds=9, steps=20)
    assert asked == []
    plan(later, seconds=9, steps=20)
    assert asked == ["mend"]


@pytest.mark.parametrize("kind", sorted(DISRUPTIONS))
def test_mending_costs_by_the_real_price_what_it_says_and_no_more_than_before(base, kind):
    record = read(disruption(*base, 5, kind=kind))
    scheme = Scheme(Builder(record, fix(record), record.weights))
    board, costs, *_ = best_rule(scheme)
    before, rates = scheme.cost(board, costs), scheme.rates.copy()
    assert scheme.costs_of(board).tolist() == costs.tolist()
    effort = Effort(200, 0, most=10, keep_share=0.97, shares=(0.0, 0.0, 0.05, 0.5), meetings=4, dear=8.0)
    made, by_job, done = mend(scheme, board.copy(), costs.copy(), effort, lambda: False)
    assert scheme.rates.tolist() == rates.tolist()
    assert scheme.costs_of(made).tolist() == by_job.tolist()
    assert scheme.cost(made, by_job) <= before
    assert done <= 200
    dearer = scheme.priced(8.0)
    assert dearer.cost(made, dearer.costs_of(made)) >= scheme.cost(made, by_job)


def previous_of(made):
    return {name: {key: place[key] for key in ("start", "resources")} for name, place in made["bookings"].items()}


def test_nothing_moves_when_nothing_has_changed():
    problem = small.shop()
    problem["previous"] = previous_of(plan(problem, seconds=9, steps=50))
    again = plan(problem, seconds=9, steps=50)
    assert again["moved"] == []
    assert {name: place["start"] for name, place in again["bookings"].items()} == {
        name: place["start"] for name, place in problem["previous"].items()}


def test_the_work_of_who_is_ill_moves_and_what_it_pushes_aside():
    problem = small.shop()
    problem["weights"] = {"tardiness": 1, "moved_start": 60, "changed_resource": 30}
    problem["previous"] = previous_of(plan(small.shop(), seconds=0))
    ill = next(one for one in problem["previous"]["lift"]["resources"] if one in ("ann", "bob", "cat"))
    small.resource(problem, ill)["usable_from"] = at(5, "00:00")
    again = plan(problem, seconds=9, steps=100)
    assert check(problem, again) == []
    assert again["unscheduled"] == []
    moved = {entry["operation"]: entry for entry in again["moved"]}
    hit = {name for name, place in problem["previous"].items() if ill in place["resources"]}
    assert hit <= set(moved)
    assert ill in moved["lift"]["reason"]
    assert {moved[name]["class"] for name in set(moved) - hit} <= {"waits", "taken"}
