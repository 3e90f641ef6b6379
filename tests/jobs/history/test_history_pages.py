"""The auditor's pages: history of a unit, engine, instrument or person, filtered, linked, exported, verified."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.fleet.models import Engine, EngineTypeRevision, Unit
from jobs.ledger.models import Entry
from jobs.ledger.triggers import create_sql, drop_sql
from jobs.people.models import Person
from jobs.tooling.models import Instrument

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]
Write = Callable[..., Entry]


def read_csv(response: Any) -> list[dict[str, str]]:
    text = b"".join(response.streaming_content).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text)))


def test_a_units_history_shows_what_is_about_it_and_nothing_else(
    login: Login, auditor: Person, write: Write, unit: Unit
) -> None:
    write("order.requested", "Work order BY-2026-0001 requested for this unit.", about=[unit])
    write("instrument.withdrawn", "An instrument was withdrawn.")
    page = login(auditor).get(reverse("history-of", args=["fleet.unit", unit.pk]))
    assert "Work order BY-2026-0001 requested for this unit." in page.text
    assert "An instrument was withdrawn." not in page.text


def test_an_entry_links_to_the_thing_it_is_about(
    login: Login, auditor: Person, write: Write, probe: Instrument
) -> None:
    write("calibration.recorded", "Calibrated.", about=[probe])
    page = login(auditor).get(reverse("history"))
    assert f'href="{reverse("history-of", args=["tooling.instrument", probe.pk])}"' in page.text


def test_a_day_means_the_shops_day_not_the_utc_day(login: Login, auditor: Person, write: Write) -> None:
    # 23:30 UTC on 30 June is half past midnight on 1 July at Brackwater, in summer time.
    write("order.requested", "Asked for at night.", at=datetime(2026, 6, 30, 23, 30, tzinfo=UTC))
    client = login(auditor)
    assert "Asked for at night." in client.get("/history/?from_day=2026-07-01&until_day=2026-07-01").text
    assert "Asked for at night." not in client.get("/history/?until_day=2026-06-30").text


def test_the_group_filter_keeps_its_kinds_only(login: Login, auditor: Person, write: Write) -> None:
    write("signoff.made", "Signed that it was verified.")
    write("order.held", "Held for a part.")
    page = login(auditor).get("/history/?group=signoff&group=override")
    assert "Signed that it was verified." in page.text
    assert "Held for a part." not in page.text


def test_another_shops_entries_are_never_shown(
    login: Login, auditor: Person, stranger: Person, write: Write, unit: Unit
) -> None:
    write("order.requested", "Requested at Port Ansel.", chain="PA", by=stranger, about=[unit])
    client = login(auditor)
    assert "Requested at Port Ansel." not in client.get("/history/").text
    assert "Requested at Port Ansel." not in client.get(f"/history/fleet.unit/{unit.pk}/").text


def test_another_shops_person_is_not_found(login: Login, auditor: Person, stranger: Person) -> None:
    assert login(auditor).get(f"/history/people.person/{stranger.pk}/").status_code == 404


@pytest.mark.parametrize("path", ["no.such/1", "fleet.unit/not-a-number", "fleet.unit/0"])
def test_what_does_not_exist_is_not_found(login: Login, auditor: Person, path: str) -> None:
    assert login(auditor).get(f"/history/{path}/").status_code == 404


def test_a_technician_may_not_read_the_history(login: Login, technician: Person) -> None:
    assert login(technician).get("/history/").status_code == 403


def test_the_csv_holds_what_the_page_was_filtered_to(login: Login, auditor: Person, write: Write) -> None:
    write("signoff.made", "Signed.")
    write("order.held", "Held.")
    rows = read_csv(login(auditor).get("/history.csv?group=signoff"))
    assert [row["what"] for row in rows] == ["Signed."]


def test_the_csv_carries_bytes_that_hash_to_their_hash(login: Login, auditor: Person, write: Write) -> None:
    write("signoff.made", "Signed: “quoted”, with a comma\nand a second line.")
    (row,) = read_csv(login(auditor).get("/history.csv"))
    assert hashlib.sha256(b"\x00" + row["body"].encode()).hexdigest() == row["hash"]


def test_a_cell_that_looks_like_a_formula_is_defused(login: Login, auditor: Person, write: Write) -> None:
    write("finding.raised", '=HYPERLINK("http://127.0.0.1/","x")')
    (row,) = read_csv(login(auditor).get("/history.csv"))
    assert row["what"].startswith("'=")


def test_a_keeper_reads_but_does_not_export(login: Login, keeper: Person) -> None:
    client = login(keeper)
    assert client.get("/history/").status_code == 200
    assert client.get("/history.csv").status_code == 403


@pytest.mark.parametrize("count", [10, 1000])
def test_a_longer_history_costs_no_more_queries(
    login: Login,
    auditor: Person,
    write: Write,
    unit: Unit,
    probe: Instrument,
    django_assert_max_num_queries: Any,
    count: int,
    at: datetime,
) -> None:
    for number in range(count):
        write("order.held", f"Held {number}.", about=[unit, probe], at=at + timedelta(minutes=number))
    client = login(auditor)
    with django_assert_max_num_queries(16):
        page = client.get("/history/")
    assert str(count) in page.text


def test_the_button_says_that_the_chain_holds(login: Login, auditor: Person, write: Write) -> None:
    write("order.held", "Held.")
    page = login(auditor).post("/history/verify/")
    assert "holds" in page.text
    assert "does not hold" not in page.text
    assert '<a class="button" href="/history/">Back to the history</a>' in page.text


def test_the_button_names_the_entry_that_was_altered(login: Login, auditor: Person, write: Write) -> None:
    write("order.held", "Held for one hour.")
    write("order.resumed", "Let go on.")
    with connection.cursor() as cursor:
        for statement in drop_sql(connection.vendor, "ledger_entry"):
            cursor.execute(statement)
        cursor.execute("UPDATE ledger_entry SET body = REPLACE(body, 'one', 'two') WHERE number = 1")
        for statement in create_sql(connection.vendor, "ledger_entry"):
            cursor.execute(statement)
    page = login(auditor).post("/history/verify/")
    assert "does not hold" in page.text
    assert "Entry 1" in page.text


def test_a_planner_may_not_verify_the_ledger(login: Login, planner: Person) -> None:
    assert login(planner).post("/history/verify/").status_code == 403


def test_every_record_leads_to_its_history_and_back(
    login: Login, admin: Person, technician: Person, unit: Unit, engine: Engine, probe: Instrument
) -> None:
    client = login(admin)
    calibration = probe.calibrations.get()
    for type_, name, thing in (
        ("fleet.unit", "unit", unit), ("fleet.engine", "engine", engine), ("people.person", "person", technician),
        ("tooling.instrument", "instrument", probe), ("tooling.calibration", "calibration", calibration),
    ):  # fmt: skip
        history, page = reverse("history-of", args=[type_, thing.pk]), reverse(name, args=[thing.pk])
        assert f'<a class="button" href="{page}">Page of {thing}</a>' in client.get(history).text
        assert f'href="{history}"' in client.get(page).text


def test_a_noun_without_a_page_offers_none(
    login: Login, admin: Person, engine_type_revision: EngineTypeRevision
) -> None:
    page = login(admin).get(reverse("history-of", args=["fleet.enginetyperevision", engine_type_revision.pk])).text
    assert "Page of" not in page


def test_a_negative_figure_in_a_sentence_is_shown_with_a_true_minus_and_stored_as_it_was(
    login: Login, auditor: Person, write: Write
) -> None:
    entry = write("trace.analysed", "Analysed: conforming, deviation -0.053° ± 0.020°.")
    page = login(auditor).get(reverse("history")).text
    assert "deviation −0.053° ± 0.020°" in page
    assert "-0.053" in entry.body
