"""Planning anew after one thing has changed: what is in hand stands, little moves, and each move has its reason."""

import copy
from dataclasses import replace

import numpy as np
import pytest

import analysis.schedule.plan as plans
from analysis.schedule import fields as f
from analysis.schedule.build import Builder
from analysis.schedule.check import check
from analysis.schedule.fixed import fix
from analysis.schedule.kernel_choose import FURTHER, further
from analysis.schedule.kernel_cost import place_job, remove_job
from analysis.schedule.kernel_search import adopt, anneal
from analysis.schedule.kernel_step import put_back
from analysis.schedule.plan import plan
from analysis.schedule.problem import read
from analysis.schedule.search import LOOKS, NEVER, ROUNDS_OF_MENDING, SEEDS_APART, Effort, _mended_once, improve, mend
from analysis.schedule.serial import Scheme, best_rule
from tests.analysis.schedule import small
from tests.analysis.schedule.small import at
from tests.bench.shop_trouble import DISRUPTIONS
from tests.bench.shops import disruption, shop

CLASSES = {"pin", "past", "waits", "needs", "unfit", "absent", "taken", "follows", "awaited", "better"}


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
    effort = Effort(200, 0, most=10, keep_share=0.97, shares=(0.0, 0.0, 0.05, 0.5, 0.6, 0.3), meetings=4, dear=8.0)
    made, by_job, done = mend(scheme, board.copy(), costs.copy(), effort, lambda: False)
    assert scheme.rates.tolist() == rates.tolist()
    assert scheme.costs_of(made).tolist() == by_job.tolist()
    assert scheme.cost(made, by_job) <= before
    assert done < 240
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


def disrupted(base, kind):
    record = read(disruption(*base, 5, kind=kind))
    scheme = Scheme(Builder(record, fix(record), record.weights))
    return scheme, *best_rule(scheme)[:2]


def booked(scheme, board):
    """What is booked, resource by resource."""
    resources, width = int(board[f.BOARD_RESOURCES]), int(board[f.WIDTH])
    counts = f.table(board, f.BOOKED, resources)
    return [[f.table(board, one, resources * width).reshape(resources, width)[resource, :count].tolist()
             for one in (f.START, f.END, f.AMOUNT)] for resource, count in enumerate(counts)]


@pytest.mark.parametrize("kind", sorted(DISRUPTIONS))
def test_whoever_is_pushed_aside_in_turn_the_bookings_stay_those_of_the_plan(base, kind):
    scheme, board, costs = disrupted(base, kind)
    jobs, placed = len(costs), np.arange(len(costs))
    state, levels = np.array([7], np.uint64), np.full(2, scheme.cost(board, costs))
    kept, best, changed = board.copy(), board.copy(), np.zeros(jobs, np.bool_)
    began = levels[0]
    heat = np.array([began / jobs, began / jobs / 30, 0.0, 0.0, 0.05, 1.0, 1.0, 0.5])
    for first in range(0, 400, 100):
        looks = np.array([first, first + 100, 400]) * LOOKS
        assert anneal(scheme.shop, board, scheme.rates, costs, kept, best, state, looks, heat, 10, 0.97, levels,
                      changed, placed, NEVER) >= looks[1]
        again, by_job = scheme.empty.copy(), np.zeros(jobs)
        adopt(scheme.shop, again, scheme.rates, by_job, placed, board)
        assert booked(scheme, board) == booked(scheme, again)
        assert by_job.tolist() == costs.tolist()
        assert levels[0] == pytest.approx(scheme.cost(board, costs))
    assert levels[1] == pytest.approx(scheme.cost(best, scheme.costs_of(best)))
    assert levels[1] < began


def test_who_is_pushed_aside_takes_off_jobs_that_stand_later_each_once(base):
    scheme, board, costs = disrupted(base, "bay blocked")
    members, state = np.arange(len(costs)), np.array([3], np.uint64)
    starts, ends = (f.table(board, one, len(costs)) for one in (f.JOB_START, f.JOB_END))
    first = int(np.argsort(starts)[len(costs) // 2])
    length, numbers = int(ends[first] - starts[first]), set()
    for _ in range(200):
        chosen = np.full(8, -1, np.int64)
        chosen[0] = first
        number = further(scheme.shop, board, members, state, chosen, 1, int(starts[first]), int(ends[first]), 3)
        numbers.add(number)
        taken = chosen[1:number]
        assert len(set(chosen[:number].tolist())) == number
        assert (chosen[number:] == -1).all()
        assert (ends[taken] > starts[first]).all()
        assert (starts[taken] < starts[first] + (FURTHER + 1) * length).all()
    assert max(numbers) == 4


def test_an_operation_that_lost_its_place_may_start_earlier_only_when_it_is_let(base):
    sooner = []
    for kind in sorted(DISRUPTIONS):
        scheme, board, costs = disrupted(base, kind)
        count = len(scheme.builder.problem.operations)
        before, own = f.table(scheme.shop, f.PREV_START, count), f.table(board, f.OP_START, count)
        was = board.copy()
        for job in range(len(costs)):
            planned = [one for one in scheme.jobs.operations[job] if not f.table(scheme.shop, f.OP_FIXED, count)[one]
                       and before[one] > -f.FAR]
            for loose in (0, 1):
                remove_job(scheme.shop, board, job)
                board[board[f.NOTES] + f.NOTE_LOOSE] = loose
                assert place_job(scheme.shop, board, scheme.rates, costs, job, True, False, -f.FAR, 200)
                early = any(own[one] < before[one] for one in planned)
                sooner.append((loose, early))
                remove_job(scheme.shop, board, job)
                put_back(scheme.shop, board, scheme.rates, costs, job, was, False)
    assert (0, True) not in sooner
    assert (1, True) in sooner


def test_what_mends_is_no_worse_than_each_of_the_searches_it_is_made_of(base):
    scheme, board, costs = disrupted(base, "bay blocked")
    effort = Effort(240, 4, most=10, keep_share=0.97, shares=(0.0, 0.0, 0.05, 0.5, 0.6, 0.3), meetings=4, dear=8.0)
    made, by_job, done = mend(scheme, board.copy(), costs.copy(), effort, lambda: False)
    alone = []
    for number in range(ROUNDS_OF_MENDING):
        part = replace(effort, steps=60, seed=4 + SEEDS_APART * number)
        once, by_once, _ = _mended_once(scheme, board.copy(), part, lambda: False)
        assert by_once.tolist() == scheme.costs_of(once).tolist()
        alone.append(scheme.cost(once, by_once))
    assert 240 <= done < 300
    assert scheme.cost(made, by_job) <= min(alone) < max(alone)
    again = mend(scheme, board.copy(), costs.copy(), effort, lambda: False)
    assert again[0].tolist() == made.tolist()


def test_mending_ends_with_what_it_has_when_the_time_is_over(base):
    scheme, board, costs = disrupted(base, "bay blocked")
    looks = []
    effort = Effort(4000, 0, most=10, keep_share=0.97, shares=(0.0, 0.0, 0.05, 0.5, 0.6, 0.3), meetings=4, dear=8.0)
    made, by_job, done = mend(scheme, board.copy(), costs.copy(), effort, lambda: looks.append(1) or len(looks) > 20)
    assert 0 < done < 4000
    assert len(looks) < 60
    assert scheme.cost(made, by_job) <= scheme.cost(board, costs)


def test_an_effort_with_too_few_shares_is_refused():
    with pytest.raises(ValueError, match="6 shares, not 4"):
        Effort(10, 0, shares=(0.0, 0.0, 0.05, 0.5))


@pytest.mark.parametrize("who", ["ann", "bob"])
def test_what_has_to_move_keeps_whom_it_had_where_they_are_free_then(who):
    problem = {
        "now": at(5, "09:00"), "weights": {"tardiness": 1, "moved_start": 60, "changed_resource": 30},
        "resources": [{"id": "ann", "kind": "person"}, {"id": "bob", "kind": "person"}],
        "orders": [{"id": "order", "operations": [{"id": "look", "minutes": 30, "needs": [{"kind": "person"}]}]}],
        "previous": {"look": {"start": at(5, "08:00"), "resources": [who]}}}
    made = plan(problem, seconds=0)
    assert made["bookings"]["look"]["start"] == at(5, "09:00")
    assert made["bookings"]["look"]["resources"] == [who]
