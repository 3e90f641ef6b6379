"""The pages: what a signer is shown, what a card says of itself, and what anybody can verify."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errands.models import Errand
from jobs.ledger.models import Entry
from jobs.orders import actions as orders
from jobs.orders import content
from jobs.orders.models import OrderStep, WorkOrder
from jobs.people.models import Person
from jobs.signoffs import filing
from jobs.signoffs.card import rendering
from jobs.signoffs.card.facts import CardFacts
from jobs.signoffs.models import JobCard, SignOff
from tests.cast import PASSWORD, STEP

Login = Callable[[Person], Client]


@pytest.fixture(scope="module")
def pages_drawn() -> list[bytes]:
    return []


@pytest.fixture(autouse=True)
def _pages_are_drawn_once(pages_drawn: list[bytes], monkeypatch: pytest.MonkeyPatch) -> None:
    """What is drawn on a card is for its own tests: here each card holds the pages of the first, sealed anew."""
    draw = rendering.render

    def render(facts: CardFacts, identity: rendering.Identity) -> bytes:
        if not pages_drawn:
            pages_drawn.append(draw(facts, identity))
        return pages_drawn[0]

    monkeypatch.setattr(rendering, "render", render)


def words(response: HttpResponse) -> str:
    text = re.sub(r"<[^>]+>", " ", response.content.decode())
    return " ".join(text.split())


def sign_page(order: WorkOrder, meaning: str) -> str:
    return reverse("sign", args=[order.pk, meaning])


def test_the_signing_page_states_the_effect_and_shows_what_is_signed(
    all_done: WorkOrder, technician: Person, login: Login
) -> None:
    page = login(technician).get(sign_page(all_done, "performed"))
    said = words(page)
    assert f"Signing ends the work on {all_done.number}" in said
    assert f"The work of work order {all_done.number} on engine 12-0457 of unit 7012 was performed" in said
    assert content.content_sha256(all_done) in said
    assert "13 done, of 13" in said
    assert "nonconforming" in said
    html = page.content.decode()
    assert html.index('class="effect"') < html.index("What is signed") < html.index('type="password"')


def test_signing_through_the_page(all_done: WorkOrder, technician: Person, login: Login) -> None:
    client = login(technician)
    seen = re.search(r'name="seen_sha256" value="(\w+)"', client.get(sign_page(all_done, "performed")).content.decode())
    assert seen is not None
    answer = client.post(sign_page(all_done, "performed"), {"password": PASSWORD, "seen_sha256": seen[1]})
    assert (answer.status_code, answer["Location"]) == (302, reverse("work-order", args=[all_done.pk]))
    assert SignOff.objects.get(meaning="performed").signer == technician


def test_a_wrong_password_is_told_at_its_field_and_not_given_back(
    all_done: WorkOrder, technician: Person, login: Login
) -> None:
    seen = content.content_sha256(all_done)
    page = login(technician).post(sign_page(all_done, "performed"), {"password": "guess-it", "seen_sha256": seen})
    assert page.status_code == 422
    assert "That is not your password" in words(page)
    assert "What you typed is still here" not in words(page)
    assert "guess-it" not in page.content.decode()
    assert Entry.objects.filter(kind="signoff.refused").count() == 1


def test_a_form_without_what_was_seen_signs_nothing(all_done: WorkOrder, technician: Person, login: Login) -> None:
    page = login(technician).post(sign_page(all_done, "performed"), {"password": PASSWORD})
    assert page.status_code == 422
    assert not SignOff.objects.filter(meaning="performed").exists()


def test_a_stale_page_is_shown_anew_with_the_digest_of_now(
    all_done: WorkOrder, technician: Person, login: Login
) -> None:
    seen = content.content_sha256(all_done)
    reading = all_done.steps.get(position=STEP["torque"]).readings.get(point="bolt 1")
    orders.correct_reading(
        reading, entered="91", unit="N·m", reason="misread", by=technician, at=timezone.now() - timedelta(minutes=1)
    )
    page = login(technician).post(sign_page(all_done, "performed"), {"password": PASSWORD, "seen_sha256": seen})
    assert page.status_code == 409
    assert "changed while you were reading" in words(page)
    assert content.content_sha256(all_done) in page.content.decode()


def test_what_cannot_be_signed_now_says_every_reason_and_asks_no_password(
    past_hold_point: WorkOrder, technician: Person, login: Login
) -> None:
    page = login(technician).get(sign_page(past_hold_point, "performed"))
    assert "steps are still open" in words(page)
    assert 'type="password"' not in page.content.decode()


def test_a_hold_point_is_signed_by_its_position(
    at_hold_point: WorkOrder, hold_step: OrderStep, inspector: Person, login: Login
) -> None:
    address = f"{sign_page(at_hold_point, 'hold-point')}?step={hold_step.position}"
    client = login(inspector)
    page = client.get(address)
    assert "Signing releases the hold point at step 5" in words(page)
    seen = content.content_sha256(at_hold_point, up_to=hold_step)
    assert client.post(address, {"password": PASSWORD, "seen_sha256": seen}).status_code == 302
    hold_step.refresh_from_db()
    assert hold_step.state == OrderStep.State.DONE


@pytest.mark.parametrize("query", ["", "?step=99", "?step=x"])
def test_a_hold_point_that_is_not_there_is_not_found(
    at_hold_point: WorkOrder, inspector: Person, login: Login, query: str
) -> None:
    assert login(inspector).get(sign_page(at_hold_point, "hold-point") + query).status_code == 404


@pytest.mark.parametrize(
    ("who", "meaning", "status"),
    [
        ("technician", "performed", 200), ("inspector", "performed", 403), ("planner", "performed", 403),
        ("inspector", "verified", 200), ("technician", "verified", 403), ("auditor", "verified", 403),
        ("manager", "released", 200), ("inspector", "released", 403), ("stranger", "performed", 404),
        ("technician", "approved", 404),
    ],
)  # fmt: skip
def test_who_gets_which_signing_page(
    released: WorkOrder, login: Login, request: pytest.FixtureRequest, who: str, meaning: str, status: int
) -> None:
    assert login(request.getfixturevalue(who)).get(sign_page(released, meaning)).status_code == status


def test_a_sign_off_shows_its_statement_and_digests(verified: WorkOrder, auditor: Person, login: Login) -> None:
    signoff = SignOff.objects.get(meaning="verified")
    page = login(auditor).get(reverse("signoff", args=[signoff.pk]))
    said = words(page)
    assert signoff.document_sha256 in said
    assert "I verified the record" in said
    assert "This sign-off stands" in said


def test_a_void_sign_off_says_who_changed_what(
    verified: WorkOrder, technician: Person, auditor: Person, login: Login
) -> None:
    reading = verified.steps.get(position=STEP["ring-shift"]).readings.get()
    orders.correct_reading(reading, entered="-4.28", unit="mm", reason="misread", by=technician, at=timezone.now())
    page = login(auditor).get(reverse("signoff", args=[SignOff.objects.get(meaning="verified").pk]))
    assert "This sign-off is void" in words(page)
    assert "by Tom Turner" in words(page)


def test_the_work_order_page_shows_sign_offs_cards_and_the_next_signature(
    performed: WorkOrder, inspector: Person, technician: Person, login: Login
) -> None:
    address = reverse("work-order", args=[performed.pk])
    assert sign_page(performed, "verified") in login(inspector).get(address).content.decode()
    mine = login(technician).get(address)
    assert sign_page(performed, "verified") not in mine.content.decode()
    assert "No job card has been filed yet" in words(mine)


def test_the_foot_of_the_work_order_leads_to_the_signature_that_is_still_missing(
    performed: WorkOrder, sign: Any, inspector: Person, manager: Person, login: Login
) -> None:
    def main(person: Person) -> Any:
        return login(person).get(reverse("work-order", args=[performed.pk])).context["main"]

    assert main(inspector) == ("Sign: verified", sign_page(performed, "verified"))
    assert main(manager) is None
    sign(performed, "verified", by=inspector)
    assert main(inspector) is None
    assert main(manager) == ("Sign: released to service", sign_page(performed, "released"))


def test_asking_for_a_card_leads_to_its_errand(released: WorkOrder, planner: Person, login: Login) -> None:
    answer = login(planner).post(reverse("ask-card", args=[released.pk]))
    assert answer["Location"] == reverse("errand", args=[Errand.objects.get(kind="render-card").pk])


def test_a_card_page_says_that_the_file_is_intact_and_leads_to_it(
    filed: JobCard, auditor: Person, login: Login
) -> None:
    client = login(auditor)
    page = client.get(reverse("job-card", args=[filed.pk]))
    assert "The filed card is intact" in words(page)
    file = client.get(reverse("job-card-file", args=[filed.pk]))
    assert file["Content-Type"] == "application/pdf"
    assert b"".join(file.streaming_content) == filing.store().read(filed.sha256)  # type: ignore[attr-defined]


def test_an_altered_card_is_not_handed_out(filed: JobCard, auditor: Person, login: Login) -> None:
    path = filing.store().path(filed.sha256)
    path.chmod(0o640)
    path.write_bytes(b"%PDF something else")
    client = login(auditor)
    assert client.get(reverse("job-card-file", args=[filed.pk])).status_code == 409
    assert "The filed card is not intact" in words(client.get(reverse("job-card", args=[filed.pk])))


@pytest.mark.parametrize("name", ["job-card", "job-card-file"])
def test_another_shops_card_is_not_found(filed: JobCard, stranger: Person, login: Login, name: str) -> None:
    assert login(stranger).get(reverse(name, args=[filed.pk])).status_code == 404


# --- The public page ------------------------------------------------------------------------------------


def compare(card: JobCard, pdf: bytes) -> HttpResponse:
    file = SimpleUploadedFile("card.pdf", pdf, content_type="application/pdf")
    return Client().post(reverse("verify-card", args=[card.token]), {"file": file})


def test_anybody_with_the_address_sees_how_the_card_stands(filed: JobCard) -> None:
    page = Client().get(reverse("verify-card", args=[filed.token]))
    said = words(page)
    assert page.status_code == 200
    assert filed.sha256 in said
    assert "The filed card is intact" in said
    for signoff in filed.work_order.signoffs.all():
        assert signoff.signer_name in said
    assert "Demo data" in said


def test_nobody_guesses_an_address(filed: JobCard) -> None:
    assert len(filed.token) >= 32
    assert Client().get(reverse("verify-card", args=["a" * 32])).status_code == 404


def test_the_filed_pdf_is_this_card(filed: JobCard) -> None:
    assert "What you hold is this card" in words(compare(filed, filing.store().read(filed.sha256)))


def test_a_pdf_with_one_other_byte_is_not(filed: JobCard) -> None:
    pdf = bytearray(filing.store().read(filed.sha256))
    pdf[len(pdf) // 3] ^= 1
    assert "What you hold is not this card" in words(compare(filed, bytes(pdf)))


def test_an_empty_form_says_what_is_missing(filed: JobCard) -> None:
    assert Client().post(reverse("verify-card", args=[filed.token])).status_code == 422


def test_a_huge_file_is_not_read(filed: JobCard) -> None:
    answer = Client().post(
        reverse("verify-card", args=[filed.token]), {"file": SimpleUploadedFile("x.pdf", b"x" * (17 * 1024 * 1024))}
    )
    assert answer.status_code == 413


def test_a_card_of_a_record_that_changed_since_says_so(filed: JobCard, manager: Person) -> None:
    orders.reopen_order(filed.work_order, reason="smoke", by=manager, at=timezone.now())
    said = words(Client().get(reverse("verify-card", args=[filed.token])))
    assert "has changed since this card was rendered" in said
    assert "void" in said
    assert "The filed card is intact" in said


def test_a_card_that_could_not_be_rendered_says_why_and_what_to_do(
    in_work: WorkOrder, technician: Person, auditor: Person, login: Login, settings: Any, run_errands: Callable[[], int]
) -> None:
    settings.SIGNING_P12 = "/nowhere/{shop}.p12"
    client = login(technician)
    errand = client.post(reverse("ask-card", args=[in_work.pk]))["Location"]
    assert run_errands() == 1
    order = reverse("work-order", args=[in_work.pk])
    page = client.get(order)
    said = words(page)
    assert "The job card: failed." in said
    assert f"No signing key for {in_work.shop.name}" in said
    assert "Only the PDF is missing: the record and its sign-offs stand." in said
    assert "render the card again below" in said
    assert "Render the job card as it stands" in said
    assert "Tell the administrator the reason; a technician" in words(login(auditor).get(order))
    told = client.get(errand)
    assert "The job card: failed." in words(told)
    assert f'href="{order}"' in told.content.decode()


def test_the_api_says_of_a_filed_card_that_it_is_intact(filed: JobCard, auditor: Person, login: Login) -> None:
    client = login(auditor)
    shown = client.get(f"/api/v1/cards/{filed.pk}/").json()
    assert (shown["intact"], shown["faults"], shown["file_sha256"]) == (True, [], filed.sha256)


def test_sign_offs_and_cards_lead_to_their_history_and_back(filed: JobCard, auditor: Person, login: Login) -> None:
    client = login(auditor)
    signed = SignOff.objects.first()
    assert signed is not None
    for type_, page in (
        ("signoffs.signoff", reverse("signoff", args=[signed.pk])),
        ("signoffs.jobcard", reverse("job-card", args=[filed.pk])),
    ):
        history = reverse("history-of", args=[type_, page.rstrip("/").rpartition("/")[2]])
        assert f'href="{history}"' in client.get(page).content.decode()
        assert f'href="{page}">Page of' in client.get(history).content.decode()
