"""What somebody with the database open takes away or puts in is told by the history, on page, card and API."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.ledger.triggers import create_sql, drop_sql
from jobs.orders import actions as orders
from jobs.orders.models import Analysis, Finding, Reading, WorkOrder
from jobs.people.models import Person
from jobs.signoffs import queries
from jobs.signoffs.card import facts as card_facts
from jobs.signoffs.models import SignOff, Voiding
from tests.cast import STEP
from tests.walking import Walk

Login = Callable[[Person], Client]


def unguarded(table: str, statement: str, *parameters: object) -> None:
    """The triggers lifted, a statement, the triggers back."""
    with connection.cursor() as cursor:
        for sql in drop_sql(connection.vendor, table):
            cursor.execute(sql)
        cursor.execute(statement, parameters)
        for sql in create_sql(connection.vendor, table):
            cursor.execute(sql)


def faults(order: WorkOrder, meaning: str) -> str:
    return " ".join(next(one for one in queries.standings(order) if one.signoff.meaning == meaning).faults)


def test_a_voiding_that_was_removed_does_not_let_the_sign_off_stand_again(verified: WorkOrder, walk: Walk) -> None:
    orders.raise_finding(verified, text="A hose is chafed.", by=walk.technician, at=walk.at)
    assert Voiding.objects.exists()
    Voiding.objects.all().delete()
    Finding.objects.all().delete()  # the content is what was signed again
    assert "the mark has been removed" in faults(verified, "verified")
    assert [one.meaning for one in queries.standing(verified)] == ["hold-point"]


def test_a_voiding_put_in_by_hand_is_not_in_the_history(verified: WorkOrder, walk: Walk) -> None:
    signoff = SignOff.objects.get(meaning="performed")
    Voiding.objects.create(signoff=signoff, at=walk.at, by_name="Nobody", what="nothing")
    assert "marked as void, but the history has no entry" in faults(verified, "performed")


def test_a_sign_off_that_was_removed_is_told_on_page_and_card(
    verified: WorkOrder, login: Login, auditor: Person
) -> None:
    signoff = SignOff.objects.get(meaning="verified")
    assert queries.lost(verified) == []
    unguarded("signoffs_signoff", "DELETE FROM signoffs_signoff WHERE id = %s", signoff.pk)
    (sentence,) = queries.lost(verified)
    assert sentence.endswith("It is no longer there.")
    assert signoff.signer_name in sentence
    assert "It is no longer there." in login(auditor).get(reverse("work-order", args=[verified.pk])).text
    assert card_facts.gather(verified.pk).lost == (sentence,)


def test_what_a_result_shows_is_covered_by_the_signatures(verified: WorkOrder) -> None:
    analysis = Analysis.objects.filter(trace__work_order=verified).order_by("pk").last()
    assert analysis is not None
    altered = json.dumps({**analysis.result, "correction": {"ring_shift_mm": 0.0}})
    unguarded("orders_analysis", "UPDATE orders_analysis SET result = %s WHERE id = %s", altered, analysis.pk)
    assert "no longer what was signed" in faults(verified, "verified")


def test_the_api_says_of_a_sign_off_what_the_page_says(verified: WorkOrder, login: Login, auditor: Person) -> None:
    address = f"/api/v1/signoffs/{SignOff.objects.get(meaning='verified').pk}/"
    client = login(auditor)
    assert (client.get(address).json()["stands"], client.get(address).json()["faults"]) == (True, [])
    Reading.objects.filter(step__position=STEP["torque"], point="bolt 1").update(value="95")
    told = client.get(address).json()
    assert not told["stands"]
    assert "no longer what was signed" in told["faults"][0]
    assert "no longer what was signed" in client.get(reverse("signoff", args=[told["id"]])).text


@pytest.mark.parametrize("name", ["stands", "faults"])
def test_a_void_sign_off_does_not_stand_but_is_intact(
    verified: WorkOrder, walk: Walk, login: Login, auditor: Person, name: str
) -> None:
    orders.raise_finding(verified, text="A hose is chafed.", by=walk.technician, at=walk.at)
    told = login(auditor).get(f"/api/v1/signoffs/{SignOff.objects.get(meaning='verified').pk}/").json()
    assert told["is_void"]
    assert not told[name]
