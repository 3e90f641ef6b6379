"""One work order on the screen, and what can be done with it: every reason when it is refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from jobs.orders import actions
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Instrument

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]

DAY = f"{datetime.now(UTC) + timedelta(days=2):%Y-%m-%d}"
PLAN = {"bay": "Bay 2", "planned_start": f"{DAY}T08:00", "planned_end": f"{DAY}T16:00"}


def test_it_shows_unit_engine_plan_and_steps(login: Login, technician: Person, in_work: WorkOrder) -> None:
    page = login(technician).get(f"/orders/{in_work.pk}/").text
    for text in ("7012", "12-0457", "Bay 2", "Own lock on, wheels secured", "re-time revision 1", "Title block"):
        assert text in page
    assert f'href="/orders/{in_work.pk}/steps/1/"' in page


def test_another_shops_order_is_not_found_whatever_is_asked(
    login: Login, stranger: Person, in_work: WorkOrder
) -> None:
    client = login(stranger)
    for path in ("", "steps/1/", "hold/", "plan/"):
        assert client.get(f"/orders/{in_work.pk}/{path}").status_code == 404
    assert client.post(f"/orders/{in_work.pk}/hold/", {"reason": "x"}).status_code == 404


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_it_leads_the_technician_to_the_step_that_is_next(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    assert "Go to step 3" in login(technician).get(f"/orders/{in_work.pk}/").text


def test_before_work_starts_the_foot_leads_on_to_whoever_it_waits_for(
    login: Login, planner: Person, technician: Person, released: WorkOrder
) -> None:
    order = released

    def main(person: Person) -> Any:
        return login(person).get(f"/orders/{order.pk}/").context["main"]

    for state, person, words, act in (
        ("requested", planner, "Plan it", "plan"),
        ("planned", planner, "Release it to the floor", "release"),
        ("released", technician, "Start work", "start"),
        ("held", technician, "Let it go on", "resume"),
    ):
        held_from = "in-work" if state == "held" else ""
        WorkOrder.objects.filter(pk=order.pk).update(state=state, held_from=held_from, held_reason=held_from)
        assert main(person) == (words, f"/orders/{order.pk}/{act}/")
    WorkOrder.objects.filter(pk=order.pk).update(state="planned", held_from="", held_reason="")
    assert main(technician) is None


def test_what_stands_at_the_foot_is_not_offered_twice(login: Login, planner: Person, requested: WorkOrder) -> None:
    assert login(planner).get(f"/orders/{requested.pk}/").text.count("Plan it") == 1


def test_only_what_ones_role_may_do_is_offered(
    login: Login, planner: Person, technician: Person, auditor: Person, requested: WorkOrder
) -> None:
    assert "Plan it" in login(planner).get(f"/orders/{requested.pk}/").text
    assert "Plan it" not in login(technician).get(f"/orders/{requested.pk}/").text
    assert "What can be done with it" not in login(auditor).get(f"/orders/{requested.pk}/").text


def test_a_planner_plans_and_releases(
    login: Login,
    planner: Person,
    requested: WorkOrder,
    technician: Person,
    inspector: Person,
    instruments: dict[str, Instrument],
) -> None:
    client = login(planner)
    people = {"technician": technician.pk, "inspector": inspector.pk}
    assert client.post(f"/orders/{requested.pk}/plan/", {**PLAN, **people}).status_code == 302
    assert client.post(f"/orders/{requested.pk}/release/").status_code == 302
    requested.refresh_from_db()
    assert requested.state == "released"
    assert requested.steps.count() == 13


def test_a_plan_that_cannot_be_kept_tells_every_reason_and_keeps_what_was_typed(
    login: Login, planner: Person, requested: WorkOrder, technician: Person, inspector: Person
) -> None:
    people = {"technician": technician.pk, "inspector": inspector.pk}  # and no instrument in the shop
    answer = login(planner).post(f"/orders/{requested.pk}/plan/", {**PLAN, **people})
    assert answer.status_code == 409
    assert "probe" in answer.text
    assert "torque wrench" in answer.text
    assert 'value="Bay 2"' in answer.text
    requested.refresh_from_db()
    assert requested.state == "requested"


def test_a_plan_made_on_an_old_page_does_not_overwrite_a_newer_one(
    login: Login,
    planner: Person,
    requested: WorkOrder,
    technician: Person,
    inspector: Person,
    instruments: dict[str, Instrument],
) -> None:
    client = login(planner)
    people = {"technician": technician.pk, "inspector": inspector.pk, "seen_revision": requested.revision}
    assert client.post(f"/orders/{requested.pk}/plan/", {**PLAN, **people}).status_code == 302
    late = client.post(f"/orders/{requested.pk}/plan/", {**PLAN, **people, "bay": "Bay 9"})
    assert late.status_code == 409
    assert "changed meanwhile" in late.text
    requested.refresh_from_db()
    assert requested.bay == "Bay 2"


def test_a_release_that_is_not_possible_says_so_before_it_is_asked(
    login: Login, planner: Person, planned: WorkOrder, make_procedure_revision: Any
) -> None:
    make_procedure_revision(2, issued=False)
    client = login(planner)
    page = client.get(f"/orders/{planned.pk}/release/").text
    assert "Not possible now." in page
    assert ">Release it</button>" not in page
    assert client.post(f"/orders/{planned.pk}/release/").status_code == 409


@pytest.mark.parametrize("act", ["plan", "release", "start", "hold", "resume", "cancel", "findings"])
def test_what_cannot_be_done_with_a_closed_order_says_so_and_offers_no_button(
    login: Login, planner: Person, technician: Person, in_work: WorkOrder, act: str
) -> None:
    WorkOrder.objects.filter(pk=in_work.pk).update(state="closed")
    client = login(technician if act in {"start", "findings"} else planner)
    page = client.get(f"/orders/{in_work.pk}/{act}/").text
    assert "Not possible now." in page
    assert f"{in_work.number} is closed" in page
    assert 'form="act"' not in page
    assert "<textarea" not in page


def test_a_page_that_was_refused_can_be_sent_again(login: Login, planner: Person, in_work: WorkOrder) -> None:
    page = login(planner).post(f"/orders/{in_work.pk}/hold/").text
    assert '<button class="main" form="act">Hold it</button>' in page


def test_holding_needs_a_reason_and_letting_go_on_returns_where_it_was(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    client = login(technician)
    assert client.post(f"/orders/{in_work.pk}/hold/", {"reason": " "}).status_code == 422
    client.post(f"/orders/{in_work.pk}/hold/", {"reason": "Waits for a clamp bolt."})
    assert "Waits for a clamp bolt." in client.get(f"/orders/{in_work.pk}/").text
    client.post(f"/orders/{in_work.pk}/resume/")
    in_work.refresh_from_db()
    assert in_work.state == "in-work"


def test_a_wrong_person_is_told_who_may(login: Login, technician: Person, requested: WorkOrder) -> None:
    answer = login(technician).post(f"/orders/{requested.pk}/cancel/", {"reason": "no"})
    assert answer.status_code == 403
    assert "Only a planner or shop manager may" in answer.text


def test_a_finding_is_raised_by_one_and_decided_by_another(
    login: Login, technician: Person, inspector: Person, in_work: WorkOrder
) -> None:
    raised = login(technician).post(f"/orders/{in_work.pk}/findings/?step=2", {"text": "A stud is bent."})
    assert raised.status_code == 302
    finding = in_work.findings.get()
    assert finding.step is not None
    assert finding.step.position == 2
    client = login(inspector)
    assert "Decide about it" in client.get(f"/orders/{in_work.pk}/").text
    decide = f"/orders/{in_work.pk}/decide/?finding={finding.number}"
    assert "A stud is bent." in client.get(decide).text
    assert client.post(decide, {"decision": "accept", "reason": "Within the manual's limit."}).status_code == 302
    finding.refresh_from_db()
    assert finding.decision == "accept"


def test_a_finding_that_waits_is_the_next_thing_for_whoever_may_decide_but_did_not_raise_it(
    login: Login, technician: Person, inspector: Person, manager: Person, in_work: WorkOrder, at: datetime
) -> None:
    def main(person: Person) -> Any:
        return login(person).get(f"/orders/{in_work.pk}/").context["main"]

    actions.raise_finding(in_work, text="Clamp bolt 3 is bent.", by=inspector, at=at)
    assert main(manager) == ("Decide about finding 1", f"/orders/{in_work.pk}/decide/?finding=1")
    assert main(technician) == main(inspector) == ("Go to step 1", f"/orders/{in_work.pk}/steps/1/")


def test_nobody_decides_about_a_finding_that_is_not_there(
    login: Login, inspector: Person, in_work: WorkOrder
) -> None:
    assert login(inspector).get(f"/orders/{in_work.pk}/decide/?finding=7").status_code == 404
    assert login(inspector).get(f"/orders/{in_work.pk}/decide/").status_code == 404


def test_an_act_that_does_not_exist_is_not_found(login: Login, planner: Person, requested: WorkOrder) -> None:
    assert login(planner).get(f"/orders/{requested.pk}/demolish/").status_code == 404


def test_an_auditor_reads_everything_and_does_nothing(login: Login, auditor: Person, in_work: WorkOrder) -> None:
    client = login(auditor)
    assert client.get(f"/orders/{in_work.pk}/").status_code == 200
    assert client.get(f"/orders/{in_work.pk}/steps/1/").status_code == 200
    for act in ("plan", "release", "start", "hold", "cancel", "findings", "reopen"):
        assert client.post(f"/orders/{in_work.pk}/{act}/", {"reason": "x", "text": "x"}).status_code == 403
    answer = client.post(f"/orders/{in_work.pk}/steps/1/", {"act": "acknowledge"})
    assert answer.status_code == 403


def test_a_longer_history_of_findings_costs_no_more_queries(
    login: Login, technician: Person, in_work: WorkOrder, at: datetime, django_assert_max_num_queries: Any
) -> None:
    client = login(technician)
    for number in range(3):
        actions.raise_finding(in_work, text=f"Stud {number}.", by=technician, at=at + timedelta(minutes=number))
    with django_assert_max_num_queries(45):
        client.get(f"/orders/{in_work.pk}/")
    for number in range(30):
        actions.raise_finding(in_work, text=f"Nut {number}.", by=technician, at=at + timedelta(hours=number))
    with django_assert_max_num_queries(45):
        assert "Nut 29." in client.get(f"/orders/{in_work.pk}/").text


def test_a_finding_shows_its_negative_figures_with_a_true_minus(
    login: Login, manager: Person, inspector: Person, in_work: WorkOrder, at: datetime
) -> None:
    actions.raise_finding(in_work, text="Rim off by -4.9 mm on 2026-07-01.", by=inspector, at=at)
    client = login(manager)
    for address in ("", "decide/?finding=1"):
        page = client.get(f"/orders/{in_work.pk}/{address}").text
        assert "Rim off by −4.9 mm on 2026-07-01." in page
