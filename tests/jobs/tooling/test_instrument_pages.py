"""Instruments on the screen: what is due, one instrument, and the keeper's records."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from jobs.people.models import Person, Shop
from jobs.tooling.models import Instrument

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]
Calibrated = Callable[..., Instrument]


def days_from_now(days: int) -> date:
    return timezone.localdate() + timedelta(days=days)


CERTIFICATE = {
    "performed_on": "2026-02-02",
    "performed_by": "Strathlune standards room",
    "certificate": "C-0777",
    "as_found": "conforming",
    "as_left": "conforming",
    "valid_until": "2066-08-01",
}


def test_the_soonest_due_comes_first_and_an_overdue_one_says_so(
    login: Login, keeper: Person, calibrated: Calibrated
) -> None:
    calibrated("PR-01", "probe", valid_until=days_from_now(200))
    calibrated("PR-02", "probe", valid_until=days_from_now(-3))
    page = login(keeper).get("/instruments/").text
    assert page.index("PR-02") < page.index("PR-01")
    assert "overdue by 3 days" in page


@pytest.mark.parametrize(("due", "shown"), [("overdue", "PR-02"), ("soon", "PR-03"), ("in-date", "PR-01")])
def test_the_due_filter_keeps_what_it_says(
    login: Login, keeper: Person, calibrated: Calibrated, due: str, shown: str
) -> None:
    calibrated("PR-01", "probe", valid_until=days_from_now(200))
    calibrated("PR-02", "probe", valid_until=days_from_now(-3))
    calibrated("PR-03", "probe", valid_until=days_from_now(5))
    page = login(keeper).get(f"/instruments/?due={due}").text
    assert shown in page
    assert ("PR-02" in page) == (due == "overdue")


def test_the_csv_holds_what_the_filter_shows(
    login: Login, keeper: Person, probe: Instrument, encoder: Instrument
) -> None:
    answer: Any = login(keeper).get("/instruments.csv?kind=probe")
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
    assert [(row["asset number"], row["range to"], row["unit"]) for row in rows] == [("PR-07", "12.0", "mm")]


def test_another_shops_instrument_is_not_found(
    login: Login, keeper: Person, calibrated: Calibrated, port_ansel: Shop
) -> None:
    other = calibrated("PR-31", "probe", shop=port_ansel)
    client = login(keeper)
    assert client.get(f"/instruments/{other.pk}/").status_code == 404
    assert client.get(f"/calibrations/{other.calibrations.get().pk}/").status_code == 404
    assert "PR-31" not in client.get("/instruments/").text


def test_the_page_answers_whether_it_may_be_used(
    login: Login, technician: Person, probe: Instrument, calibrated: Calibrated
) -> None:
    client = login(technician)
    assert "Yes, until 2066-01-10" in client.get(f"/instruments/{probe.pk}/").text
    late = calibrated("PR-02", "probe", valid_until=days_from_now(-3))
    page = client.get(f"/instruments/{late.pk}/").text
    assert "No. Its calibration ended" in page
    assert "Record a calibration" not in page


def test_the_keeper_records_a_calibration_and_the_due_date_follows(
    login: Login, keeper: Person, probe: Instrument
) -> None:
    answer = login(keeper).post(f"/instruments/{probe.pk}/calibrate/", CERTIFICATE)
    assert answer.status_code == 302
    probe.refresh_from_db()
    assert probe.due_on == date(2066, 8, 1)


def test_a_certificate_on_record_is_refused_and_what_was_typed_stays(
    login: Login, keeper: Person, probe: Instrument
) -> None:
    known = probe.calibrations.get().certificate
    answer = login(keeper).post(f"/instruments/{probe.pk}/calibrate/", {**CERTIFICATE, "certificate": known})
    assert answer.status_code == 422
    assert f'value="{known}"' in answer.text
    assert probe.calibrations.count() == 1


def test_no_verdict_is_chosen_beforehand(login: Login, keeper: Person, probe: Instrument) -> None:
    page = login(keeper).get(f"/instruments/{probe.pk}/calibrate/").text
    assert 'type="radio"' in page
    assert not re.search(r"<input[^>]* checked", page)


def test_a_withdrawn_instrument_says_why_and_comes_back(login: Login, keeper: Person, probe: Instrument) -> None:
    client = login(keeper)
    client.post(f"/instruments/{probe.pk}/withdraw/", {"reason": "dropped"})
    page = client.get(f"/instruments/{probe.pk}/").text
    assert "withdrawn from use" in page
    assert "dropped" in page
    assert client.post(f"/instruments/{probe.pk}/return/", {"reason": "checked"}).status_code == 302
    probe.refresh_from_db()
    assert probe.state == "in-service"


def test_what_cannot_be_done_with_an_instrument_says_so_and_asks_for_nothing(
    login: Login, keeper: Person, probe: Instrument
) -> None:
    client = login(keeper)
    withdraw, put_back = f"/instruments/{probe.pk}/withdraw/", f"/instruments/{probe.pk}/return/"
    assert "Not possible now." not in client.get(withdraw).text
    page = client.get(put_back).text
    assert f"{probe.asset_number} is in service already." in page
    assert "<form class" not in page
    assert 'form="record"' not in page
    client.post(withdraw, {"reason": "dropped"})
    page = client.get(withdraw).text
    assert f"{probe.asset_number} is withdrawn already." in page
    assert 'form="record"' not in page
    assert 'form="record"' in client.get(put_back).text
    probe.calibrations.update(valid_until=days_from_now(-1))
    page = client.get(put_back).text
    assert "Not possible now." in page
    assert 'form="record"' not in page


def test_withdrawing_without_a_reason_is_refused_at_the_field(login: Login, keeper: Person, probe: Instrument) -> None:
    answer = login(keeper).post(f"/instruments/{probe.pk}/withdraw/", {"reason": ""})
    assert answer.status_code == 422
    probe.refresh_from_db()
    assert probe.state == "in-service"


@pytest.mark.parametrize("path", ["calibrate", "withdraw", "return"])
def test_a_technician_records_nothing_about_instruments(
    login: Login, technician: Person, probe: Instrument, path: str
) -> None:
    assert login(technician).get(f"/instruments/{probe.pk}/{path}/").status_code == 403


@pytest.mark.parametrize("count", [10, 1000])
def test_more_instruments_cost_no_more_queries(
    login: Login, keeper: Person, brackwater: Shop, django_assert_num_queries: Any, count: int
) -> None:
    Instrument.objects.bulk_create(
        Instrument(shop=brackwater, asset_number=f"PR-{number}", kind="probe") for number in range(count)
    )
    client = login(keeper)
    with django_assert_num_queries(6):
        page = client.get("/instruments/")
    assert f"of {count:,}" in page.text


def test_negative_figures_are_shown_with_a_true_minus(login: Login, keeper: Person, calibrated: Calibrated) -> None:
    probe = calibrated("PR-05", "probe")
    Instrument.objects.filter(pk=probe.pk).update(range_low=-5, range_high=25, range_unit="mm")
    calibration = probe.calibrations.get()
    fit = {"origin": -32768, "coefficients": [-0.5, 0.0005], "range_counts": [-100, 65535]}
    type(calibration).objects.filter(pk=calibration.pk).update(probe_calibration=fit)
    client = login(keeper)
    assert "−5 to 25 mm" in client.get("/instruments/").text
    assert "−5 to 25 mm" in client.get(f"/instruments/{probe.pk}/").text
    page = client.get(f"/calibrations/{calibration.pk}/").text
    for shown in ("−32768", "−0.5; 0.0005", "−100 to 65535"):
        assert shown in page
