"""An errand is asked once, claimed by one, done once with effect, and never lost."""

from __future__ import annotations

import logging
import os
import signal
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db import OperationalError, transaction
from django.utils import timezone

from jobs.errands import actions, registry, tasks, work
from jobs.errands.models import Errand
from jobs.errands.registry import UnknownErrand
from jobs.errands.work import CannotBeDone, Claim, LostClaim
from jobs.people.models import Shop

Kind = Callable[..., None]


def finish(claim: Claim) -> None:
    with claim.finishing(weight=12):
        pass


def ask(kind: str = "weigh", subject: str = "1", **more: Any) -> Errand:
    return actions.ask(kind, subject=subject, chain="BY", arguments={"of": subject}, **more)


def claimed(errand: Errand) -> Claim:
    held = work.claim(errand.pk)
    assert held is not None
    return held


def lapse(errand: Errand) -> None:
    Errand.objects.filter(pk=errand.pk).update(lease_until=timezone.now() - timedelta(seconds=1))


@pytest.mark.django_db
class TestAsking:
    def test_the_same_work_asked_twice_is_one_errand(self, kind: Kind) -> None:
        kind("weigh", finish)
        assert ask() == ask()
        assert ask(subject="2") != ask()
        assert Errand.objects.count() == 2

    def test_work_nobody_does_is_not_asked_for(self) -> None:
        with pytest.raises(UnknownErrand):
            ask("fly")

    def test_it_goes_with_the_transaction_that_made_it_necessary(self, kind: Kind) -> None:
        kind("weigh", finish)
        with transaction.atomic():
            ask()
            transaction.set_rollback(True)
        assert not Errand.objects.exists()

    def test_only_a_failed_one_is_queued_again(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        actions.ask_again(errand)
        errand.refresh_from_db()
        assert (errand.state, errand.attempts) == ("queued", 0)
        held = claimed(errand)
        actions.ask_again(errand)
        assert held.mine().exists()
        held.fail("no scales")
        actions.ask_again(errand)
        errand.refresh_from_db()
        assert (errand.state, errand.attempts, errand.reason, errand.finished_at) == ("queued", 0, "", None)


@pytest.mark.django_db
class TestClaiming:
    def test_one_claims_and_the_other_gets_nothing(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        held = claimed(errand)
        assert work.claim(errand.pk) is None
        assert work.claim_next() is None
        assert held.errand.worker == f"{work.worker_name()}"
        assert held.errand.attempts == 1

    def test_a_lease_that_ran_out_lets_another_have_it(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        first = claimed(errand)
        lapse(errand)
        second = claimed(errand)
        assert second.token != first.token
        assert second.errand.attempts == 2

    def test_whoever_lost_the_lease_cannot_write(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        first = claimed(errand)
        lapse(errand)
        second = claimed(errand)
        effects = []
        with pytest.raises(LostClaim), first.finishing():
            effects.append("first")
        with pytest.raises(LostClaim):
            first.progress(1, 2)
        with pytest.raises(LostClaim):
            first.fail("too late")
        first.put_back("too late")
        assert second.mine().exists()
        with second.finishing():
            effects.append("second")
        assert effects == ["second"]

    def test_one_that_is_done_is_not_done_again(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        work.run(claimed(errand))
        assert work.claim(errand.pk) is None
        errand.refresh_from_db()
        assert (errand.state, errand.outcome, errand.lease_until, errand.claim) == (
            "done",
            {"weight": 12},
            None,
            None,
        )

    def test_the_oldest_is_taken_first_and_one_that_waits_is_not_taken(self, kind: Kind) -> None:
        kind("weigh", finish)
        late, early, waiting = ask(subject="1"), ask(subject="2"), ask(subject="3")
        now = timezone.now()
        for errand, due in ((late, -1), (early, -60), (waiting, 60)):
            Errand.objects.filter(pk=errand.pk).update(run_after=now + timedelta(seconds=due))
        taken = [held.errand.pk for held in iter(work.claim_next, None)]
        assert taken == [early.pk, late.pk]


@pytest.mark.django_db
class TestDoing:
    def test_effect_and_outcome_come_together_or_not_at_all(self, kind: Kind) -> None:
        def half(claim: Claim) -> None:
            with claim.finishing():
                Shop.objects.create(code="XX", name="Half a shop", railway="none")
                raise ZeroDivisionError("in the middle")

        kind("weigh", half)
        errand = ask()
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert (errand.state, Shop.objects.filter(code="XX").exists()) == ("queued", False)
        assert "in the middle" in errand.reason

    def test_the_outcome_can_be_filled_in_on_the_way(self, kind: Kind) -> None:
        def run(claim: Claim) -> None:
            with claim.finishing(unit="kg"):
                claim.outcome["weight"] = 13

        kind("weigh", run)
        errand = ask()
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert errand.outcome == {"unit": "kg", "weight": 13}

    def test_an_error_puts_it_back_with_a_pause_that_doubles_until_it_is_given_up(self, kind: Kind) -> None:
        told = []

        def broken(claim: Claim) -> None:
            raise ZeroDivisionError(f"attempt {claim.errand.attempts}")

        kind("weigh", broken, given_up=lambda claim, reason: told.append(reason))
        errand = ask()
        pauses = []
        for _ in range(3):
            Errand.objects.update(run_after=timezone.now())
            work.run(claimed(errand))
            errand.refresh_from_db()
            pauses.append(round((errand.run_after - timezone.now()).total_seconds()))
        assert pauses[:2] == [2, 4]
        assert errand.state == "failed"
        assert told == [errand.reason]
        assert "ZeroDivisionError: attempt 3" in errand.reason

    def test_what_cannot_be_done_fails_at_once(self, kind: Kind) -> None:
        def hopeless(claim: Claim) -> None:
            raise CannotBeDone("There is nothing to weigh.")

        kind("weigh", hopeless)
        errand = ask()
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert (errand.state, errand.attempts, errand.reason) == ("failed", 1, "There is nothing to weigh.")

    def test_one_that_kills_its_worker_each_time_is_given_up(self, kind: Kind) -> None:
        done = []
        kind("weigh", done.append)
        errand = ask()
        for _ in range(3):
            claimed(errand)  # and the worker dies
            lapse(errand)
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert errand.state == "failed"
        assert "did not survive" in errand.reason
        assert done == []

    def test_a_function_that_forgets_to_finish_is_an_error(self, kind: Kind) -> None:
        kind("weigh", lambda claim: None)
        errand = ask()
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert (errand.state, "without finishing" in errand.reason) == ("queued", True)

    def test_a_kind_nobody_does_any_more_fails_without_harm_to_the_worker(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        del registry._KINDS["weigh"]
        for _ in range(3):
            Errand.objects.update(run_after=timezone.now())
            work.run(claimed(errand))
        errand.refresh_from_db()
        assert errand.state == "failed"
        assert "nobody does errands of kind" in errand.reason

    def test_a_room_that_cannot_be_told_does_not_keep_it_alive(self, kind: Kind) -> None:
        def deaf(claim: Claim, reason: str) -> None:
            Shop.objects.create(code="XX", name="Half a shop", railway="none")
            raise KeyError("trace")

        def hopeless(claim: Claim) -> None:
            raise CannotBeDone("no")

        kind("weigh", hopeless, given_up=deaf)
        errand = ask()
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert (errand.state, errand.reason) == ("failed", "no")
        assert not Shop.objects.filter(code="XX").exists()

    def test_progress_is_seen_and_shows_the_whole_at_the_end(self, kind: Kind) -> None:
        seen = []

        def run(claim: Claim) -> None:
            claim.progress(2, 5, "weighing")
            errand = Errand.objects.get()
            seen.append((errand.progress_done, errand.progress_total, errand.progress_note))
            finish(claim)

        kind("weigh", run)
        errand = ask()
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert seen == [(2, 5, "weighing")]
        assert errand.progress_done == 5

    def test_one_that_failed_does_not_look_complete(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        held = claimed(errand)
        held.progress(2, 5)
        held.fail("broken scales")
        errand.refresh_from_db()
        assert errand.progress_done == 2

    def test_a_database_that_does_not_answer_leaves_it_to_its_lease(
        self, kind: Kind, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
    ) -> None:
        def gone(*args: Any, **kwargs: Any) -> None:
            raise OperationalError("server closed the connection")

        kind("weigh", gone)
        errand = ask()
        held = claimed(errand)
        monkeypatch.setattr(Claim, "put_back", gone)
        with caplog.at_level(logging.CRITICAL):
            work.run(held)
        errand.refresh_from_db()
        assert errand.state == "running"
        lapse(errand)
        assert work.claim(errand.pk) is not None


@pytest.mark.django_db(transaction=True)
class TestTheHeartbeat:
    def test_it_keeps_the_lease_while_the_work_goes_on(self, kind: Kind, settings: Any) -> None:
        settings.ERRAND_LEASE_S = 0.6
        others = []

        def slow(claim: Claim) -> None:
            until = time.monotonic() + 1.5
            while time.monotonic() < until:
                time.sleep(0.1)
                others.append(work.claim(claim.errand.pk))
            finish(claim)

        kind("weigh", slow)
        errand = ask()
        work.run(claimed(errand))
        errand.refresh_from_db()
        assert (errand.state, errand.attempts) == ("done", 1)
        assert others
        assert set(others) == {None}

    def test_a_database_away_for_a_moment_does_not_stop_it(
        self, kind: Kind, settings: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        settings.ERRAND_LEASE_S = 0.3
        answers = iter([OperationalError("away"), OperationalError("away")])
        original, calls = Claim.mine, []

        def mine(self: Claim) -> Any:
            import threading

            if threading.current_thread().name.startswith("lease"):
                calls.append(1)
                error = next(answers, None)
                if error is not None:
                    raise error
            return original(self)

        monkeypatch.setattr(Claim, "mine", mine)

        def slow(claim: Claim) -> None:
            time.sleep(0.8)
            finish(claim)

        kind("weigh", slow)
        work.run(claimed(ask()))
        assert len(calls) > 3

    def test_work_without_end_takes_its_worker_with_it(
        self, kind: Kind, settings: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        settings.ERRAND_LEASE_S, settings.ERRAND_LONGEST_S = 0.3, 0.2
        killed: list[tuple[int, int]] = []
        monkeypatch.setattr(os, "kill", lambda pid, number: killed.append((pid, number)))

        def endless(claim: Claim) -> None:
            time.sleep(0.6)
            finish(claim)

        kind("weigh", endless)
        work.run(claimed(ask()))
        assert killed[0] == (os.getpid(), signal.SIGKILL)


@pytest.mark.django_db
class TestTheBeat:
    @pytest.fixture
    def woken(self, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
        woken: list[Any] = []
        monkeypatch.setattr(actions, "wake", lambda errand_id, **more: woken.append(errand_id))
        return woken

    def test_it_picks_up_what_was_dropped_and_leaves_the_rest(self, kind: Kind, woken: list[Any]) -> None:
        kind("weigh", finish)
        subjects = ("fresh", "dropped", "held", "left behind", "done")
        errands = {subject: ask(subject=subject) for subject in subjects}
        old = timezone.now() - timedelta(minutes=1)
        Errand.objects.filter(pk=errands["dropped"].pk).update(run_after=old)
        claimed(errands["held"])
        claimed(errands["left behind"])
        lapse(errands["left behind"])
        work.run(claimed(errands["done"]))
        woken.clear()
        tasks.pick_up_dropped()
        assert set(woken) == {errands["dropped"].pk, errands["left behind"].pk}

    def test_a_task_for_an_errand_that_is_taken_or_gone_does_nothing(self, kind: Kind) -> None:
        kind("weigh", finish)
        errand = ask()
        held = claimed(errand)
        tasks.run_errand(str(errand.pk))
        assert held.mine().exists()
        tasks.run_errand("00000000-0000-0000-0000-000000000000")


@pytest.mark.django_db(transaction=True)
def test_a_broker_that_is_away_costs_time_but_not_the_errand(
    kind: Kind, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    tried = []

    def away(*args: Any, **kwargs: Any) -> None:
        tried.append(kwargs["args"])
        raise tasks.run_errand.OperationalError("connection refused")

    monkeypatch.setattr(tasks.run_errand, "apply_async", away)
    kind("weigh", finish)
    errand = ask()
    assert tried == [[str(errand.pk)]]
    assert Errand.objects.get().state == "queued"
