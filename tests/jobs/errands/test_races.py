"""Several workers at once: one winner each time, and a control that shows the race without the condition."""

from __future__ import annotations

import threading
import uuid
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection, connections

from jobs.errands import actions, work
from jobs.errands.models import Errand
from jobs.errands.work import Claim

WORKERS, ERRANDS = 4, 25
Kind = Callable[..., None]


def at_once(function: Callable[[int], Any], number: int = WORKERS) -> list[Any]:
    """Run it in threads that start together; the results, or the first error."""
    start, results, errors = threading.Barrier(number), [], []

    def run(index: int) -> None:
        try:
            start.wait()
            results.append(function(index))
        except Exception as error:  # noqa: BLE001 - raised again in the test's own thread
            errors.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(index,)) for index in range(number)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if errors:
        raise errors[0]
    return results


@pytest.mark.usefixtures("floor")
def test_each_errand_is_done_by_exactly_one_of_several_workers(kind: Kind) -> None:
    effects: Counter[str] = Counter()
    lock = threading.Lock()

    def run(claim: Claim) -> None:
        with claim.finishing(), lock:
            effects[claim.arguments["of"]] += 1

    kind("weigh", run)
    for number in range(ERRANDS):
        actions.ask("weigh", subject=str(number), chain="BY", arguments={"of": str(number)})

    def worker(index: int) -> int:
        done = 0
        while (held := work.claim_next()) is not None:
            work.run(held)
            done += 1
        return done

    counts = at_once(worker)
    assert sum(counts) == ERRANDS
    assert effects == Counter({str(number): 1 for number in range(ERRANDS)})
    assert set(Errand.objects.values_list("state", "attempts")) == {("done", 1)}


@pytest.mark.usefixtures("floor")
def test_a_claim_has_one_winner_where_look_then_write_has_several(kind: Kind) -> None:
    kind("weigh", lambda claim: None)
    winners, control = [], []
    for number in range(8):
        errand = actions.ask("weigh", subject=str(number), chain="BY", arguments={})
        winners.append(sum(found is not None for found in at_once(lambda _, pk=errand.pk: work.claim(pk))))
        looked = threading.Barrier(WORKERS)

        def look_then_write(_: int, pk: uuid.UUID = errand.pk, looked: threading.Barrier = looked) -> bool:
            free = Errand.objects.filter(pk=pk, state=Errand.State.RUNNING).exists()
            looked.wait()
            return free and bool(Errand.objects.filter(pk=pk).update(claim=uuid.uuid4()))

        control.append(sum(at_once(look_then_write)))
    assert winners == [1] * 8
    assert control == [WORKERS] * 8


@pytest.mark.usefixtures("floor")
def test_the_same_work_asked_for_by_several_at_once_is_one_errand(kind: Kind) -> None:
    kind("weigh", lambda claim: None)

    def ask(_: int) -> uuid.UUID:
        return actions.ask("weigh", subject="one", chain="BY", arguments={}).pk

    assert len(set(at_once(ask))) == 1
    assert Errand.objects.count() == 1
    assert connection.vendor in {"sqlite", "postgresql"}
