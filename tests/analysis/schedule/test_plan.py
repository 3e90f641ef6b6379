"""The planner's contract on small shops: figures, seeds, refusals, and the command line."""

import json

import pytest

from analysis.__main__ import main
from analysis.schedule.check import check
from analysis.schedule.plan import ProblemRefused, plan
from tests.analysis.schedule import small
from tests.analysis.schedule.small import at


def test_the_small_shop_is_planned_and_holds():
    made = plan(small.shop(), seconds=0)
    assert check(small.shop(), made) == []
    assert made["unscheduled"] == []
    assert set(made["bookings"]) == {"safe", "found", "seen", "set", "lift"}


def test_the_same_seed_gives_the_same_bytes():
    once, twice = (json.dumps(plan(small.shop(), seconds=3, seed=7, steps=40)) for _ in range(2))
    assert once == twice


def test_no_orders_is_a_plan_of_nothing():
    made = plan({**small.shop(), "orders": []}, seconds=0)
    assert (made["status"], made["bookings"], made["objective"]) == ("optimal", {}, 0)


def test_one_bad_order_does_not_block_the_rest():
    problem = small.shop()
    problem["orders"][1]["operations"][0]["minutes"] = -5
    made = plan(problem, seconds=0)
    assert [entry["order"] for entry in made["unscheduled"]] == ["W-2"]
    assert "lift" in made["unscheduled"][0]["ids"]
    assert "safe" in made["bookings"]


@pytest.mark.parametrize(("key", "value", "place"), [
    ("now", "2026-03-02T05:00:00", "now"), ("grid_minutes", 0, "grid_minutes"),
    ("weights", {"speed": 1}, "weights.speed"),
    ("resources", [{"id": "bay-1", "kind": "bay", "calendar": "never"}], "resources[0].calendar"),
])
def test_what_concerns_all_orders_is_refused_with_its_place(key, value, place):
    with pytest.raises(ProblemRefused) as refused:
        plan({**small.shop(), key: value}, seconds=0)
    assert refused.value.place == place


@pytest.mark.parametrize("seconds", [-1, float("nan"), float("inf")])
def test_a_time_that_is_none_is_refused(seconds):
    with pytest.raises(ProblemRefused):
        plan(small.shop(), seconds=seconds)


def run(tmp_path, problem, *options):
    file = tmp_path / "problem.json"
    file.write_text(problem if isinstance(problem, str) else json.dumps(problem), encoding="utf-8")
    return main(["schedule", str(file), "--seconds", "0", *options])


def test_the_command_prints_a_plan_that_check_plan_takes(tmp_path, capsys):
    assert run(tmp_path, small.shop(), "--seed", "3") == 0
    made = capsys.readouterr().out
    assert json.loads(made)["seed"] == 3
    (tmp_path / "plan.json").write_text(made, encoding="utf-8")
    assert main(["check-plan", str(tmp_path / "problem.json"), str(tmp_path / "plan.json")]) == 0


def test_the_command_says_by_its_status_what_became_of_it(tmp_path, capsys):
    nobody = small.shop()
    nobody["resources"] = [one for one in nobody["resources"] if one["kind"] != "person"]
    assert run(tmp_path, nobody) == 1
    assert json.loads(capsys.readouterr().out)["status"] == "infeasible"
    assert run(tmp_path, {**small.shop(), "now": "soon"}) == 2
    assert json.loads(capsys.readouterr().out)["refused"]["place"] == "now"
    assert run(tmp_path, "{") == 3


def test_a_late_order_says_what_binds_it():
    problem = small.shop()
    problem["orders"][0]["due"] = at(2, "06:00")
    made = plan(problem, seconds=0)
    reasons = made["orders"]["W-1"]["late_because"]
    assert 1 <= len(reasons) <= 3
    assert all(reason.endswith(".") for reason in reasons)


def test_of_orders_that_do_not_all_fit_those_that_weigh_more_are_planned():
    bay = {"kind": "bay", "hold": "order"}
    urgent, *routine = [
        {"id": name, "release": at(2, "06:00"), "due": at(2, due), "weight": weight,
         "operations": [{"id": f"{name}/work", "minutes": minutes, "needs": [bay]}]}
        for name, due, weight, minutes in (("urgent", "18:00", 9, 420), ("one", "08:00", 1, 240),
                                           ("two", "09:00", 1, 240))]
    problem = {"now": at(2, "06:00"), "calendars": {"day": [[at(2, "06:00"), at(2, "14:00")]]},
               "resources": [{"id": "bay-1", "kind": "bay", "calendar": "day"}],
               "orders": [*routine, urgent], "weights": {"tardiness": 1}}
    assert [entry["order"] for entry in plan(problem, seconds=0)["unscheduled"]] == ["one", "two"]
    urgent["weight"] = 1.5          # now the two of them weigh more
    assert [entry["order"] for entry in plan(problem, seconds=0)["unscheduled"]] == ["urgent"]


def test_an_order_waits_for_work_in_hand_of_an_order_that_is_left_out():
    bay = {"kind": "bay"}
    pinned = {"id": "A/next", "minutes": 60, "needs": [{"any_of": ["bay-1"]}], "pin": {"resources": ["bay-2"]}}
    problem = {"now": at(2, "06:00"), "resources": [{"id": "bay-1", "kind": "bay"}, {"id": "bay-2", "kind": "bay"}],
               "orders": [{"id": "A", "operations": [{"id": "A/work", "minutes": 60, "state": "started",
                                                      "started_at": at(2, "05:30"), "needs": [bay]}, pinned]},
                          {"id": "B", "operations": [{"id": "B/work", "minutes": 60, "after": [{"id": "A/work"}],
                                                      "needs": [bay]}]}]}
    made = plan(problem, seconds=0)
    assert [entry["order"] for entry in made["unscheduled"]] == ["A"]
    assert made["bookings"]["B/work"]["start"] == made["bookings"]["A/work"]["end"] == at(2, "07:00")
