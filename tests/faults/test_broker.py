"""The broker wakes a worker at once; without its message the work is done all the same, only later.

Collected where REDIS_URL names a broker, as in the run on PostgreSQL and Redis; there is none to lose elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
import redis
from django.conf import settings

from jobs.errands.models import Errand
from jobs.orders.models import Analysis, Trace
from tests.faults.processes import CELERY_WORKER, Processes

pytestmark = [pytest.mark.faults, pytest.mark.slow]
HandIn = Callable[[int], Trace]


@pytest.fixture(autouse=True)
def queue() -> redis.Redis:
    """The broker, with nothing left in the queue by earlier tests."""
    broker = redis.Redis.from_url(settings.REDIS_URL, socket_connect_timeout=3)
    broker.delete(settings.CELERY_TASK_DEFAULT_QUEUE)
    return broker


def is_analysed() -> bool:
    return Analysis.objects.exists() and Errand.objects.get().state == "done"


def test_a_message_wakes_a_worker_without_any_beat(processes: Processes, hand_in: HandIn) -> None:
    processes.start("-m", "celery", "-A", "shopapp", "worker", *CELERY_WORKER)
    hand_in(1)
    processes.wait_for(is_analysed, "the worker was woken")
    assert Errand.objects.get().attempts == 1


def test_a_lost_message_is_made_good_by_the_beat(processes: Processes, hand_in: HandIn, queue: redis.Redis) -> None:
    hand_in(1)
    assert queue.llen(settings.CELERY_TASK_DEFAULT_QUEUE) == 1
    queue.delete(settings.CELERY_TASK_DEFAULT_QUEUE)
    processes.workers()
    processes.wait_for(is_analysed, "the dropped errand is picked up")
    assert Errand.objects.get().attempts == 1


def test_a_message_that_comes_twice_is_one_analysis(processes: Processes, hand_in: HandIn, queue: redis.Redis) -> None:
    hand_in(1)
    (message,) = queue.lrange(settings.CELERY_TASK_DEFAULT_QUEUE, 0, -1)
    queue.rpush(settings.CELERY_TASK_DEFAULT_QUEUE, message, message)
    processes.workers(2)
    processes.wait_for(is_analysed, "the trace is analysed")
    processes.wait_for(lambda: queue.llen(settings.CELERY_TASK_DEFAULT_QUEUE) == 0, "all messages are taken")
    assert Analysis.objects.count() == 1
    assert Errand.objects.get().attempts == 1
