"""A worker killed at any instant loses nothing and doubles nothing.

Where REDIS_URL names a broker the workers are Celery's, with a beat; otherwise the embedded one.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from datetime import datetime

import pytest

from jobs.errands.models import Errand
from jobs.ledger import queries as ledger
from jobs.ledger.models import Entry
from jobs.orders import storage
from jobs.orders.models import Analysis, Trace, WorkOrder
from jobs.people.models import Person
from jobs.signoffs import actions as signoffs
from jobs.signoffs import verification
from jobs.signoffs.models import JobCard
from tests.faults.processes import DOOMED, Processes, kill

pytestmark = [pytest.mark.faults, pytest.mark.slow]
HandIn = Callable[[int], Trace]


def is_done(errand: Errand) -> bool:
    errand.refresh_from_db()
    return errand.ended


def kill_at(processes: Processes, point: str, who: str) -> None:
    """Let a worker come to the point, and kill the process that stands there, or all of its worker."""
    worker = processes.pausing_worker(point, **(DOOMED if who == WHOLE else {}))
    standing = processes.wait_until_paused()
    if who == WHOLE:
        os.killpg(worker.pid, signal.SIGKILL)
        worker.wait()
    else:
        kill(standing)


WHOLE, CHILD = "the whole worker", "the process at work"


def points(*names: str, child_at: str) -> list[tuple[str, str]]:
    """Where who is killed. An embedded worker is one process; one of Celery's is a parent with a child at work.

    The child alone is killed at one of the points: what its parent makes of that is the same at all of them.
    """
    alone = [(child_at, CHILD)] if os.environ.get("REDIS_URL") else []
    return [*((name, WHOLE) for name in names), *alone]


@pytest.mark.parametrize(
    ("point", "who"),
    points("analysing", "analysis written, not committed", "committed", child_at="analysis written, not committed"),
)
def test_an_analysis_is_there_once(processes: Processes, hand_in: HandIn, point: str, who: str) -> None:
    attempts = 1 if point == "committed" else 2
    trace = hand_in(1)
    errand = Errand.objects.get()
    kill_at(processes, point, who)
    errand.refresh_from_db()
    if attempts == 2:
        assert (errand.state, errand.attempts) == ("running", 1)
        assert not Analysis.objects.exists()
        assert not Entry.objects.filter(kind="trace.analysed").exists()
    processes.workers()
    processes.wait_for(lambda: is_done(errand), "the trace is analysed")
    assert (errand.state, errand.attempts) == ("done", attempts)
    made = Analysis.objects.get()
    assert made.verdict == "nonconforming"
    assert made.result["trace_sha256"] == trace.bytes_id
    assert Entry.objects.filter(kind="trace.analysed").count() == 1
    assert len(storage.traces().read(trace.bytes_id)) == trace.bytes.size_bytes
    assert ledger.verify("BY").broken == ()


@pytest.mark.parametrize(
    ("point", "who"),
    points("drawing", "signed, not filed", "filed, not recorded", "card recorded, not committed",
           child_at="filed, not recorded"),
)  # fmt: skip
def test_a_job_card_is_there_once(
    processes: Processes,
    reached: WorkOrder,
    signing_key: None,
    technician: Person,
    at: datetime,
    point: str,
    who: str,
) -> None:
    errand = signoffs.ask_card(reached, by=technician, at=at)
    kill_at(processes, point, who)
    assert not JobCard.objects.exists()
    processes.workers()
    processes.wait_for(lambda: is_done(errand), "the card is filed")
    assert (errand.state, errand.attempts) == ("done", 2)
    card = JobCard.objects.get()
    assert verification.check(card).faults == []
    assert Entry.objects.filter(kind="card.filed").count() == 1
    assert ledger.verify("BY").broken == ()


def test_work_that_takes_its_worker_down_each_time_is_given_up_and_told(processes: Processes, hand_in: HandIn) -> None:
    trace = hand_in(1)
    errand = Errand.objects.get()
    processes.beat()
    for _ in range(errand.attempts_allowed):
        kill_at(processes, "analysing", WHOLE)
        (processes.floor.folder / "paused").unlink()
    processes.workers()
    processes.wait_for(lambda: is_done(errand), "the errand is given up")
    trace.refresh_from_db()
    assert errand.state == "failed"
    assert "did not survive" in trace.failure
    assert Entry.objects.filter(kind="trace.failed").count() == 1


def test_many_traces_under_many_kills_are_each_analysed_once(processes: Processes, hand_in: HandIn) -> None:
    """No wrapped function here: whatever the workers happen to be doing, they are killed at it."""
    traces = [hand_in(seed) for seed in range(10)]
    done = 0
    for wanted in (2, 4, 6):
        processes.workers(2)
        processes.wait_for(lambda wanted=wanted: Analysis.objects.count() >= wanted, f"{wanted} traces are analysed")
        for process in processes.started[done:]:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        done = len(processes.started)
    processes.workers(2)
    processes.wait_for(
        lambda: not Errand.objects.exclude(state="done").exists(), "all traces are analysed", patience_s=120
    )
    analysed = Analysis.objects.order_by("trace").values_list("trace", "number")
    assert sorted(analysed) == sorted((trace.pk, 1) for trace in traces)
    assert Entry.objects.filter(kind="trace.analysed").count() == len(traces)
    assert ledger.verify("BY").broken == ()
