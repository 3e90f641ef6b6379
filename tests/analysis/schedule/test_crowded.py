"""Orders with a place alone and none beside the orders planned: who stands in the way, and what of them would do."""

import copy
import time

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from analysis.schedule import explained as explaining
from analysis.schedule.alike import signature, transferred
from analysis.schedule.check import check
from analysis.schedule.clashing import Asked, smallest, terms_of
from analysis.schedule.crowded import crowd_of
from analysis.schedule.explained import explain
from analysis.schedule.fixed import fix
from analysis.schedule.jobs import jobs_of
from analysis.schedule.plan import _first, plan
from analysis.schedule.problem import read
from analysis.schedule.relax import changed
from tests.analysis.schedule.changed import remedied
from tests.analysis.schedule.small import at, operation, resource
from tests.analysis.schedule.test_conflicts import explained, kinds, planned
from tests.analysis.schedule.test_situations import EVER, order, shop, timing
from tests.bench.schedule import loaded
from tests.examples import examples

ONE_SHIFT = {"early": [[at(2, "06:00"), at(2, "14:00")]], "late": []}


def probed(name, minutes, **more):
    """An order of one operation that needs a probe and anybody who may measure."""
    return order(name, {"id": f"{name}/a", "minutes": minutes, "needs": [
        {"kind": "instrument"}, {"kind": "person", "skill": "timing"}]}, **more)


def one_probe(*orders, until, **more):
    problem = shop(*orders, **more)
    problem["resources"] = [one for one in problem["resources"] if one["id"] != "PR-08"]
    resource(problem, "PR-07")["usable_until"] = until
    return problem


def test_of_two_orders_for_one_gap_the_other_is_told_which_one_has_it():
    problem = shop(order("W-1", timing("a", 300)), order("W-2", timing("b", 300)), calendars=ONE_SHIFT)
    conflict = explained(problem, "W-2")
    assert ("beside", "W-1") in kinds(conflict)
    assert "ann is planned for W-1 from 2026-03-02T06:00:00Z to 2026-03-02T11:00:00Z" in conflict["sentence"]
    assert [one["change"]["kind"] for one in conflict["remedies"]] == ["calendar", "calendar"]


def test_the_plans_of_several_aims_are_explained_once_and_alike(monkeypatch):
    worked_out, work_out = [], explaining._explain

    def counted(raw, read_problem):
        worked_out.append(raw)
        work_out(raw, read_problem)

    monkeypatch.setattr(explaining, "_explain", counted)
    explaining.LAST.clear()
    problem = shop(order("W-1", timing("a", 300)), order("W-2", timing("b", 300)), calendars=ONE_SHIFT)
    told = [plan({**problem, "weights": weights}, seconds=0)["unscheduled"]
            for weights in ({"tardiness": 1}, {"tardiness": 3, "moved_promise": 2}, {"makespan": 1})]
    assert told[0] == told[1] == told[2]
    assert told[0][0]["remedies"]
    assert len(worked_out) == 1
    longer = shop(order("W-1", timing("a", 300)), order("W-2", timing("b", 330)), calendars=ONE_SHIFT)
    assert plan(longer, seconds=0)["unscheduled"] != told[0]
    assert len(worked_out) == 2
    explaining.LAST.clear()
    assert plan({**problem, "weights": {"tardiness": 3}}, seconds=0)["unscheduled"] == told[0], "by itself the same"


def test_a_probe_that_falls_due_and_is_booked_until_then_may_be_usable_longer_or_the_other_order_later():
    def probed_by(name, minutes, who, probes):
        return [{"id": f"{name}/a", "minutes": minutes, "needs": [{"any_of": probes}, {"any_of": [who]}]}]

    problem = one_probe(
        order("K7 7001", {"id": "K7 7001/a", "minutes": 120, "needs": [{"kind": "person", "skill": "lifting"}]},
              due=at(2, "08:00")),
        order("K7 7003", *probed_by("K7 7003", 180, "bob", ["PR-07", "PR-01"]), due=at(2, "10:00"), weight=9),
        order("R4 4107", *probed_by("R4 4107", 180, "ann", ["PR-07"])), until=at(2, "11:00"))
    problem["resources"].append({"id": "PR-01", "kind": "old probe", "usable_from": at(2, "12:00")})
    resource(problem, "ann")["skills"]["lifting"] = [at(1, "00:00"), at(2, "08:00")]
    resource(problem, "bob")["calendar"] = "whole day"
    problem["calendars"]["whole day"] = [[at(2, "06:00"), at(2, "22:00")]]
    conflict = explained(problem, "R4 4107")
    assert {("usable", "PR-07"), ("beside", "K7 7003"), ("beside", "PR-07")} <= kinds(conflict)
    assert "PR-07 is usable until 2026-03-02T11:00" in conflict["sentence"]
    assert "PR-07 is planned for K7 7003 from 2026-03-02T06:00:00Z to 2026-03-02T09:00:00Z" in conflict["sentence"]
    assert {one["change"]["kind"]: one["hours"] for one in conflict["remedies"]} == {"usable": 1, "release": 5}
    assert conflict["remedies"][1]["sentence"] == (
        "Order K7 7003 begun no sooner than 2026-03-02T11:00:00Z, and not 2026-03-02T06:00:00Z, would do.")


def test_one_more_probe_is_offered_where_nothing_cheaper_would_do():
    problem = one_probe(probed("W-1", 240), probed("W-2", 240), until=at(2, "10:00"))
    for name in ("ann", "bob"):
        resource(problem, name)["skills"]["timing"] = [at(1, "00:00"), at(2, "14:00")]
    resource(problem, "bob").pop("calendar")
    conflict = explained(problem, "W-2")
    assert {one["change"]["kind"] for one in conflict["remedies"]} <= {"usable", "more"}
    assert conflict["remedies"]


def test_of_five_orders_in_the_way_three_are_named_in_the_sentence_and_the_rest_counted():
    names = [f"K7 700{number}" for number in range(5)]
    problem = shop(*(order(name, timing(f"{name}/a", 60), due=at(2, "09:00")) for name in names),
                   order("R4 4107", timing("z", 240), due=at(4, "09:00"), release=at(2, "06:00")))
    problem["resources"] = [one for one in problem["resources"] if one["id"] not in ("bob", "cat")]
    problem["calendars"]["early"] = [[at(day, "06:00"), at(day, "10:00")] for day in (2, 3, 4, 5, 6)]
    for day, name in zip((2, 3, 4, 5, 6), names, strict=True):
        operation(problem, f"{name}/a")["needs"].append({"any_of": [f"hoist-{day}"]})
        problem["resources"].append({"id": f"hoist-{day}", "kind": "hoist", "usable_from": at(day, "00:00"),
                                     "usable_until": at(day, "23:00")})
    conflict = explained(problem, "R4 4107")
    assert [one["kind"] for one in conflict["named"]].count("beside") == 5
    assert conflict["sentence"].count("ann is planned for") == 3
    assert ", and 2 others of the orders planned" in conflict["sentence"]


@pytest.mark.parametrize("orders", [2, 4, 8])
def test_three_probes_out_of_date_at_once_are_mended_by_one_calibration(orders):
    problem = shop(*(probed(f"W-{number}", 120) for number in range(orders)))
    for name in ("PR-07", "PR-08"):
        resource(problem, name)["usable_until"] = at(1, "00:00")
    problem["resources"].append({"id": "PR-09", "kind": "instrument", "usable_until": at(1, "00:00")})
    made = planned(problem)
    assert len(made["unscheduled"]) == orders
    for entry in made["unscheduled"]:
        assert "No single change" not in entry["reason"]
        assert [one["change"]["kind"] for one in entry["remedies"]] == ["usable", "usable"]
        for remedy in entry["remedies"]:
            again = planned(remedied(problem, remedy["change"]))
            assert entry["order"] not in {one["order"] for one in again["unscheduled"]}


def test_of_many_orders_all_are_told_what_does_for_others_and_would_do_for_them():
    problem = shop(*(probed(f"W-{number:02}", 60) for number in range(26)),
                   order("W-bad", timing("z", after=["nothing"])))
    for name in ("PR-07", "PR-08"):
        resource(problem, name)["usable_until"] = at(1, "00:00")
    made = plan(problem, seconds=0)
    remedies = {one["order"]: one["remedies"] for one in made["unscheduled"]}
    assert remedies.pop("W-bad") == []
    assert len(remedies) == 26
    named = {one["sentence"]: len(one["named"]) for one in made["conflicts"]}
    assert {named[one["reason"]] for one in made["unscheduled"] if one["order"] != "W-bad"} == {2}
    for name, found in remedies.items():
        for remedy in found:
            again = plan(remedied(problem, remedy["change"]), seconds=0)
            assert name not in {one["order"] for one in again["unscheduled"]}
    assert all(remedies.values())


def test_of_five_people_in_a_sentence_three_are_named_and_the_rest_counted():
    problem = shop(order("W-1", timing("a", 540)))
    for number in range(2):
        problem["resources"].append({"id": f"dan-{number}", "kind": "person", "calendar": "early",
                                     "skills": {"timing": [at(1, "00:00"), at(30, "00:00")]}})
    conflict = explained(problem)
    assert len([one for one in conflict["named"] if one["kind"] == "calendar"]) == 4
    assert conflict["sentence"].count("at work for at most") == 3
    assert ", and 1 other" in conflict["sentence"]


@st.composite
def crowded(draw):
    """A small shop with a shift or two of work in it, for which a few orders compete that would fit one by one."""
    end = draw(st.integers(13, 18))
    people = ["ann", "bob"][:draw(st.sampled_from([1, 2]))]
    probes = ["PR-07", "PR-08"][:draw(st.sampled_from([1, 2]))]
    kinds = [[{"kind": "person"}], [{"kind": "probe"}], [{"kind": "bay", "hold": "order"}, {"kind": "person"}],
             [{"kind": "probe", "hold": "order"}, {"kind": "person", "skill": "x"}], [{"any_of": ["ann"]}]]
    orders = [order(f"W-{number}", *(
        {"id": f"{number}/{place}", "minutes": 60 * draw(st.integers(1, 4)), "needs": copy.deepcopy(
            draw(st.sampled_from(kinds)))} for place in range(draw(st.sampled_from([1, 2])))),
        due=at(2, f"{draw(st.integers(8, 20)):02}:00"), weight=draw(st.integers(1, 4)))
        for number in range(draw(st.integers(3, 6)))]
    return {"now": at(2, "06:00"), "calendars": {"day": [[at(2, "06:00"), at(2, f"{end}:00")]]}, "orders": orders,
            "weights": {"tardiness": 1}, "resources": [
                {"id": "bay-1", "kind": "bay", "calendar": "day"},
                *({"id": name, "kind": "person", "calendar": "day", "skills": {"x": EVER}} for name in people),
                *({"id": name, "kind": "probe", "usable_until": at(2, f"{draw(st.integers(10, end))}:00")}
                  for name in probes)]}


@settings(max_examples=examples(80), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(crowded())
def test_each_remedy_gives_the_order_a_place_and_takes_none_from_another(problem):
    made = plan(problem, seconds=0)
    out = {one["order"] for one in made["unscheduled"]}
    for entry in made["conflicts"]:
        event("beside" if any(one["kind"] == "beside" for one in entry["named"]) else "alone")
    for entry in made["unscheduled"]:
        for remedy in entry["remedies"]:
            event(remedy["change"]["kind"])
            better = remedied(problem, remedy["change"])
            again = plan(better, seconds=0)
            assert check(better, again) == []
            left = {one["order"] for one in again["unscheduled"]}
            assert entry["order"] not in left, remedy
            assert left < out, remedy


@settings(max_examples=examples(80), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(crowded())
def test_no_fact_of_a_set_beside_others_can_be_missing(problem):
    known = read(problem)
    _first(known)
    if not known.left_out:
        return
    out = {one.order for one in known.left_out}
    apart, crowd = read(problem, short=True), crowd_of(problem, known)
    fixed = fix(changed(apart, ()))
    jobs = jobs_of(apart, fixed, [one for one in apart.orders if one.id in out])
    for operations in jobs.operations:
        clash = smallest(Asked(apart, operations, 300, frozenset(out), crowd=crowd), fixed)
        if clash is None or not Asked(apart, operations, 9, frozenset(out)).fits(()):
            continue
        assert clash.whole
        afresh = Asked(apart, operations, 300, frozenset(out), crowd=crowd)
        everything = list(terms_of(apart, fixed, operations, crowd))
        event(f"{len(clash.terms)} of {len(everything)} facts")
        gone = [one for one in everything if one not in clash.terms and one not in clash.given]
        assert not afresh.fits([change for term in gone for change in term.changes])
        for term in clash.terms:
            assert afresh.fits([change for one in [*gone, term] for change in one.changes]), term.kind


@settings(max_examples=examples(60), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(crowded())
def test_what_is_found_for_one_job_is_what_would_be_found_for_another_like_it(problem):
    twin = copy.deepcopy(problem["orders"][-1]) | {"id": "W-twin"}
    for number, one in enumerate(twin["operations"]):
        one |= {"id": f"twin/{number}", "after": [f"twin/{number - 1}"] if number else []}
    problem["orders"].append(twin)
    known = read(problem)
    _first(known)
    out = {one.order for one in known.left_out}
    apart, crowd = read(problem, short=True), crowd_of(problem, known)
    fixed = fix(changed(apart, ()))
    jobs = jobs_of(apart, fixed, [one for one in apart.orders if one.id in out]).operations
    for one, two in ((a, b) for a in jobs for b in jobs if a != b and signature(apart, a) == signature(apart, b)):
        event("two alike")
        first, second = (smallest(Asked(apart, some, 300, frozenset(out), crowd=crowd), fixed) for some in (one, two))
        if first is not None:
            moved = transferred(apart, first, one, two)
            assert second is not None
            assert (moved.terms, moved.operation, moved.at) == (second.terms, second.operation, second.at)


@pytest.mark.parametrize(("orders", "seed", "share"), [(60, 3, 90), (60, 5, 90), (150, 3, 96)])
def test_a_shop_whose_probes_fall_due_is_explained_in_bounded_time_and_every_change_offered_does(orders, seed, share):
    problem = copy.deepcopy(loaded(orders, seed))
    ends = sorted(one["end"] for one in plan(problem, seconds=0)["bookings"].values())
    for one in problem["resources"]:
        if one["id"].startswith("PR-"):
            one["usable_until"] = min(one.get("usable_until", ends[-1]), ends[len(ends) * share // 100])
    known = read(problem)
    _first(known)
    began = time.process_time()
    explain(problem, known)
    assert time.process_time() - began < 30     # a few seconds on one core of 2026; without bounds it takes minutes
    assert len(known.left_out) >= 3
    assert any(one.kind == "beside" for entry in known.left_out for one in entry.named)
    assert all(entry.remedies for entry in known.left_out)
    assert all(len(entry.remedies) == len({one.sentence for one in entry.remedies}) for entry in known.left_out)
    left = {}
    for entry in known.left_out:
        for remedy in entry.remedies:
            if remedy.sentence not in left:
                again = plan(remedied(problem, remedy.change), seconds=0)
                left[remedy.sentence] = {one["order"] for one in again["unscheduled"]}
            assert entry.order not in left[remedy.sentence], remedy
            assert left[remedy.sentence] < {one.order for one in known.left_out}
