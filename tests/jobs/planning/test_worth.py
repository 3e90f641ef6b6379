"""What one more bay, shift, instrument or person would have been worth."""

from __future__ import annotations

import copy
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.test import Client

from analysis.schedule.plan import plan as planner
from jobs.errands.models import Errand
from jobs.errors import NotAllowed, WrongPerson
from jobs.people.models import Person
from jobs.planning import worth
from jobs.planning.actions.worth import ask_worth, plans_of
from jobs.planning.models import Plan
from tests.yard import Yard

Login = Callable[[Person], Client]
LONDON = ZoneInfo("Europe/London")
NOW = "2026-03-16T08:00:00Z"
ALWAYS = ["2020-01-01T00:00:00Z", "2030-01-01T00:00:00Z"]


def crowded(*, bays: int = 1, people: int = 4) -> dict[str, Any]:
    """Four orders of four hours, all due in four hours: 24 h late in one bay, 8 h in two, 0 in four."""
    return {
        "now": NOW,
        "calendars": {f"person-{number}": [[NOW, "2026-03-20T16:00:00Z"]] for number in range(people)},
        "resources": [
            *({"id": f"place-{number}", "kind": "bay"} for number in range(bays)),
            *(
                {"id": f"person-{number}", "kind": "person", "calendar": f"person-{number}", "skills": {"time": ALWAYS}}
                for number in range(people)
            ),
        ],
        "orders": [
            {
                "id": f"A-{number}", "release": NOW, "due": "2026-03-16T12:00:00Z", "weight": 1,
                "operations": [{
                    "id": f"A-{number}/only", "minutes": 240, "after": [],
                    "needs": [{"kind": "bay", "hold": "order"}, {"kind": "person", "skill": "time"}],
                }],
            }
            for number in range(4)
        ],
        "weights": {"tardiness": 1.0},
    }  # fmt: skip


def weigh(problem: dict[str, Any]) -> dict[str, Any]:
    return worth.weighed(problem, LONDON, {}, seconds=0.1, planner=planner, step=lambda _: None)


def saved(found: dict[str, Any]) -> dict[str, float]:
    return {one["code"]: one["saved"] for one in found["additions"]}


def test_one_more_bay_saves_what_the_bay_held_up_and_a_person_too_many_nothing() -> None:
    found = weigh(crowded())
    assert (found["hours"], found["apart"], found["left_out"]) == (24, 0, 0)
    assert saved(found) == {"more-bay": 16, "more-technician": 0, "more-shift": 0}


def test_one_more_person_saves_where_people_are_short() -> None:
    found = weigh(crowded(bays=4, people=1))
    assert found["hours"] == 24
    assert saved(found) == {"more-bay": 0, "more-technician": 16, "more-shift": 0}


def test_a_problem_without_lateness_has_nothing_to_save() -> None:
    found = weigh(crowded(bays=4))
    assert found["hours"] == 0
    assert set(saved(found).values()) == {0}


def test_an_order_that_finds_a_place_only_with_the_addition_is_told() -> None:
    problem = crowded(bays=4)
    problem["orders"][0]["operations"][0]["needs"].append({"kind": "probe"})
    problem["resources"].append({"id": "PR-07", "kind": "probe", "usable_until": "2026-03-16T09:00:00Z"})
    found = weigh(problem)
    assert found["left_out"] == 1
    [probe] = [one for one in found["additions"] if one["code"] == "more-probe"]
    assert probe["more_orders"] == 1


def test_what_stood_before_binds_only_work_in_hand() -> None:
    problem = crowded()
    first, second = (order["operations"][0] for order in problem["orders"][:2])
    first |= {"state": "started", "started_at": NOW, "remaining_minutes": 60}
    problem["previous"] = {
        one["id"]: {"start": NOW, "resources": ["place-0", "person-0"]} for one in (first, second)
    }
    before = copy.deepcopy(problem)
    stated = worth.stripped(problem)
    assert list(stated["previous"]) == [first["id"]]
    assert stated["weights"] == {"tardiness": 1.0}
    assert problem == before


def test_the_saturday_shift_lies_at_six_on_the_clock_in_winter_and_summer() -> None:
    problem = crowded(people=1)
    problem["calendars"]["person-0"] = [["2026-03-16T08:00:00Z", "2026-03-16T16:00:00Z"],
                                        ["2026-04-06T08:00:00Z", "2026-04-06T16:00:00Z"]]  # fmt: skip
    [shift] = [one for one in worth.additions(problem, LONDON, {}) if one.code == "more-shift"]
    shift.apply(problem)
    spans = [tuple(map(datetime.fromisoformat, span)) for span in problem["calendars"]["person-0"]]
    saturdays = [span for span in spans if span[0].weekday() == 5]
    assert [f"{start.astimezone(LONDON):%m-%d %H:%M}" for start, _ in saturdays] == [
        "03-21 06:00", "03-28 06:00", "04-04 06:00",
    ]  # fmt: skip
    assert all(end - start == timedelta(hours=8) for start, end in saturdays)
    assert spans == sorted(spans)


def test_additions_of_several_plans_are_put_together() -> None:
    weeks = [
        {"additions": [{"code": "a", "words": "one more t, like X", "saved": 2.0, "more_orders": 0}]},
        {"additions": [{"code": "a", "words": "one more t, like Y", "saved": 1.5, "more_orders": 1},
                       {"code": "b", "words": "b", "saved": 9.0, "more_orders": 0}]},
        {"failure": "x"},
    ]  # fmt: skip
    assert worth.together(weeks) == [
        {"code": "a", "words": "one more t", "saved": 3.5, "more_orders": 1, "plans": 2},
        {"code": "b", "words": "b", "saved": 9.0, "more_orders": 0, "plans": 1},
    ]


# --- Through the shop ---------------------------------------------------------------------------------


def accepted_before(yard: Yard, problem: dict[str, Any]) -> Plan:
    """A version of the week before: what is accepted cannot be laid back."""
    empty = {"bookings": {}, "orders": {}, "unscheduled": [], "conflicts": []}
    return Plan.objects.create(shop=yard.shop, title="Before", problem=problem, plan=empty, version=1,
                               accepted_by=yard.planner, accepted_at=yard.at - timedelta(days=5))  # fmt: skip


@pytest.mark.django_db
def test_each_week_is_weighed_on_the_first_plan_accepted_in_it(yard: Yard, plan_now: Callable[..., Plan]) -> None:
    accepted_before(yard, crowded())
    plan_now()
    plan_now(yard.at + timedelta(minutes=15))
    assert [one.version for one in plans_of(yard.shop, yard.at + timedelta(days=1))] == [1, 2]
    assert [one.version for one in plans_of(yard.shop, yard.at + timedelta(weeks=6))] == [2]


@pytest.mark.django_db
def test_the_worker_weighs_what_was_accepted_and_the_page_says_what_came_of_it(
    yard: Yard, plan_now: Callable[..., Plan], run_errands: Callable[[], int], login: Login, monkeypatch: Any
) -> None:
    monkeypatch.setattr("jobs.planning.actions.worth.SECONDS", 0.05)
    accepted = plan_now()
    errand = ask_worth(by=yard.planner, at=yard.at)
    assert ask_worth(by=yard.planner, at=yard.at).pk == errand.pk
    assert "Weighing what one more is worth" in login(yard.planner).get("/plan/worth/").text
    run_errands()
    errand.refresh_from_db()
    assert errand.state == Errand.State.DONE
    [week] = errand.outcome["weeks"]
    assert (week["plan"], week["orders"]) == (accepted.pk, 6)
    codes = {one["code"] for one in week["additions"]}
    assert codes == {"more-bay", "more-probe", "more-encoder", "more-torque-wrench", "more-check-standard",
                     "more-technician", "more-inspector", "more-shift"}  # fmt: skip
    assert all(one["saved"] >= 0 for one in week["additions"] if not one["more_orders"])
    page = login(yard.planner).get("/plan/worth/").text
    assert "One more bay" in page
    assert "As they stood:" in page
    assert ("savings below that say nothing" in page) == bool(week["hours"])
    assert ("no lateness could be saved" in page) != bool(week["hours"])


@pytest.mark.django_db
def test_a_plan_that_cannot_be_made_again_says_so_and_holds_up_no_other(
    yard: Yard, plan_now: Callable[..., Plan], run_errands: Callable[[], int], login: Login, monkeypatch: Any
) -> None:
    monkeypatch.setattr("jobs.planning.actions.worth.SECONDS", 0.05)
    accepted_before(yard, {**crowded(), "now": "yesterday"})
    plan_now()
    errand = ask_worth(by=yard.planner, at=yard.at + timedelta(hours=1))
    run_errands()
    errand.refresh_from_db()
    one, other = errand.outcome["weeks"]
    assert "failure" in one
    assert other["additions"]
    assert "could not be made again" in login(yard.planner).get("/plan/worth/").text


@pytest.mark.django_db
def test_without_a_plan_there_is_nothing_to_weigh(planner: Person, login: Login) -> None:
    with pytest.raises(NotAllowed, match="No plan was accepted in the past 6 weeks"):
        ask_worth(by=planner, at=datetime(2026, 3, 16, tzinfo=UTC))
    assert "There is none yet." in login(planner).get("/plan/worth/").text


@pytest.mark.django_db
def test_who_keeps_bays_and_shifts_may_ask(technician: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson):
        ask_worth(by=technician, at=at)
