"""The exact route: what it proves is true, beside every plan of a tiny shop and beside plans made in other ways."""

from itertools import permutations
from threading import Event, active_count
from time import sleep

import pytest
from hypothesis import given, settings

from analysis.schedule import plan as plans
from analysis.schedule.build import Builder
from analysis.schedule.check import check
from analysis.schedule.exact import prove, punctual
from analysis.schedule.fixed import fix
from analysis.schedule.outcome import Outcome, to_json
from analysis.schedule.plan import Stand, outcome_of, plan
from analysis.schedule.problem import read
from analysis.schedule.serial import Scheme, edd
from tests.analysis.schedule.small import at
from tests.analysis.schedule.small_problems import first_fit, problems
from tests.analysis.schedule.twin import whole_plan
from tests.bench.shops import shop
from tests.examples import examples


def proven(problem, effort=1.0):
    """The problem as read, a poor plan (latest due date first), and the proof from it on; None without such a plan."""
    record = read(problem)
    fixed = fix(record)
    scheme = Scheme(Builder(record, fixed, record.weights))
    board, costs, lost = scheme.decoded(edd(scheme)[::-1].copy())
    if lost:
        return record, None, None
    first = outcome_of(record, Stand(fixed, scheme, board, costs, ""))
    return record, first, prove(record, fixed, scheme.jobs, first.bookings, first.objective(), effort=effort,
                                seconds=60.0, seed=3)


def one_bench(*orders):
    """A shop with one bench; orders as (minutes, due clock, weight)."""
    return {"now": at(2, "06:00"), "resources": [{"id": "bench", "kind": "bench"}], "weights": {"tardiness": 1},
            "orders": [{"id": f"W-{number}", "due": at(2, due), "weight": weight, "operations": [
                {"id": f"{number}/1", "minutes": minutes, "needs": [{"kind": "bench"}]}]}
                for number, (minutes, due, weight) in enumerate(orders)]}


@pytest.mark.parametrize("orders", [
    [(60, "07:00", 1), (30, "06:30", 5), (90, "08:00", 2), (45, "07:30", 3)],
    [(240, "07:00", 1), (15, "06:15", 1), (15, "06:30", 9), (120, "10:00", 4)],
    [(60, "06:15", 3), (60, "06:30", 2), (60, "06:45", 7)],
])
def test_the_optimum_of_one_bench_is_that_of_the_best_of_all_sequences(orders):
    costs = []
    for sequence in permutations(orders):
        clock = cost = 0
        for minutes, due, weight in sequence:
            clock += minutes
            cost += weight * max(0, clock - (int(due[:2]) * 60 + int(due[3:]) - 360))
        costs.append(cost)
    _, poor, proof = proven(one_bench(*orders))
    assert proof.optimal
    assert poor.objective() > proof.bound
    assert proof.bound == min(costs)


@settings(max_examples=examples(25))
@given(problems())
def test_a_proven_plan_holds_and_no_plan_made_otherwise_is_cheaper(problem):
    record, first, proof = proven(problem)
    if proof is None:
        return
    made = Outcome(record, proof.bookings, [])
    found = to_json(made, bound=proof.bound, proven=not record.left_out, seconds=0, seed=0, solver="exact")
    assert check(problem, found) == []
    assert made.objective() <= first.objective() + 1e-6
    assert proof.bound <= made.objective() + 1e-6
    if proof.optimal:
        assert proof.bound == pytest.approx(made.objective())
        ruled = plan(problem, seconds=0)
        assert ruled["unscheduled"] or made.objective() <= ruled["objective"] + 1e-6
    booked, left_out = first_fit(problem)
    if not left_out:
        assert whole_plan(problem, booked)["objective"] >= proof.bound - 1e-6


def test_the_same_problem_has_the_same_proof_again():
    problem = one_bench((60, "07:00", 1), (30, "06:30", 5), (90, "08:00", 2), (60, "07:30", 1), (60, "07:30", 1))
    assert proven(problem)[2] == proven(problem)[2]


def test_a_problem_that_is_too_large_or_too_fine_is_left_to_the_search():
    many = one_bench(*[(15, "08:00", 1)] * 330)
    assert proven(many)[2] is None
    fine = one_bench((60, "07:00", 1), (30 + 1 / 777, "06:30", 5))
    assert proven(fine)[2] is None


def test_who_does_a_pinned_operation_is_not_settled_by_a_proof():
    problem = one_bench((60, "07:00", 1), (30, "06:30", 5))
    problem["resources"].append({"id": "bench-2", "kind": "bench"})
    problem["orders"][0]["operations"][0]["pin"] = {"start": at(2, "06:00")}
    assert proven(problem)[2] is None
    problem["orders"][0]["operations"][0]["pin"]["resources"] = ["bench"]
    assert proven(problem)[2].optimal


@pytest.mark.parametrize("seed", [21, 29, 30])
def test_searches_made_anew_help_where_there_is_no_time_for_a_proof(seed, monkeypatch):
    problem = shop(20, seed, load=2.2)
    monkeypatch.setattr(plans, "EFFORT_A_STEP", 1e-7)
    monkeypatch.setattr(plans, "ways_within", lambda *_: (0, 0, 0.0))       # it leaves little to find
    found = plan(problem, seconds=0, steps=150)
    assert found == plan(problem, seconds=0, steps=150)
    assert check(problem, found) == []
    monkeypatch.setattr(plans, "SEARCHES_ANEW", 0)
    assert found["objective"] < plan(problem, seconds=0, steps=150)["objective"]


def test_searches_made_anew_end_with_an_error_of_the_proof(monkeypatch):
    def broken(*_, **__):
        raise ValueError("The solver is not there.")

    monkeypatch.setattr("analysis.schedule.exact.prove", broken)
    before = active_count()
    with pytest.raises(ValueError, match="not there"):
        plan(shop(20, 3, load=2.2), seconds=0, steps=1500)
    assert active_count() == before


def test_searches_made_anew_end_with_the_time_and_it_is_told(monkeypatch):
    waited = Event()
    monkeypatch.setattr("analysis.schedule.exact.prove", lambda *_, **__: None)
    monkeypatch.setattr(plans, "improve_anew", lambda scheme, board, costs, efforts, over: waiting(waited, over)
                        or (board, costs))
    found = plan(shop(20, 3, load=2.2), seconds=0.5)
    assert waited.is_set()
    assert found["solver"].endswith("cut short by the clock")


def waiting(waited, over):
    """Until it is told to stop."""
    while not over():
        sleep(0.01)
    waited.set()


def test_what_is_said_of_orders_left_out_does_not_hold_up_the_search(monkeypatch):
    searching, waited, search = Event(), [], plans.improve
    monkeypatch.setattr(plans, "explain", lambda *_: waited.append(searching.wait(30)))
    monkeypatch.setattr(plans, "improve", lambda *given: searching.set() or search(*given))
    plan(shop(20, 3, load=2.2), seconds=0, steps=20)
    assert waited == [True]


@pytest.mark.parametrize(("orders", "load", "seed"), [(10, 3.0, 6), (12, 3.0, 12)])
def test_a_punctual_plan_is_found_where_the_rules_are_late(orders: int, load: float, seed: int) -> None:
    raw = shop(orders, seed, load=load)
    problem = read(raw)
    stand = plans._first(problem)
    late = plans.outcome_of(problem, stand)
    assert late.objective() > 0.0
    found = [punctual(problem, stand.fixed, stand.scheme.jobs, late.bookings, effort=0.3, seconds=60.0, seeds=(0, 1))
             for _ in range(2)]
    assert found[0] == found[1]                     # whichever of the two solvers was faster
    assert found[0] is not None
    assert (found[0].optimal, found[0].bound) == (True, 0.0)
    made = Outcome(problem, found[0].bookings, stand.fixed.conflicts)
    assert made.objective() == 0.0
    assert not check(raw, to_json(made, bound=0.0, proven=True, solver="", seconds=0, seed=0))


def test_no_punctual_plan_is_looked_for_where_lateness_is_not_all() -> None:
    raw = shop(10, 6, load=3.0)
    problem = read({**raw, "weights": {"tardiness": 1, "makespan": 1}})
    stand = plans._first(problem)
    late = plans.outcome_of(problem, stand)
    assert punctual(problem, stand.fixed, stand.scheme.jobs, late.bookings, effort=0.3, seconds=60.0,
                    seeds=(0,)) is None


def test_an_order_that_cannot_be_punctual_leaves_it_to_the_proof() -> None:
    raw = shop(10, 6, load=3.0)
    for order in raw["orders"]:
        order["due"] = raw["orders"][0]["release"]      # all are late, whoever comes first; not all can
    problem = read(raw)
    stand = plans._first(problem)
    late = plans.outcome_of(problem, stand)
    assert punctual(problem, stand.fixed, stand.scheme.jobs, late.bookings, effort=0.05, seconds=60.0,
                    seeds=(0, 1)) is None
