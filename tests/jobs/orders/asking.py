"""Helpers for tests of refusals."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from jobs.errors import NotAllowed, Refusal
from jobs.orders.models import OrderStep, WorkOrder
from tests.cast import STEP


def refused(
    act: Callable[..., Any], *args: Any, error: type[Refusal] = NotAllowed, **kwargs: Any
) -> list[str]:
    """The codes of all reasons for which the action is refused; fails when it is not."""
    with pytest.raises(error) as refusal:
        act(*args, **kwargs)
    assert all(reason.sentence for reason in refusal.value.reasons)
    return [reason.code for reason in refusal.value.reasons]


def step_of(order: WorkOrder, name: str) -> OrderStep:
    """The step of an order by its name in `cast.STEP`."""
    steps = OrderStep.objects.select_related("definition__skill", "work_order__shop")
    return steps.get(work_order=order, position=STEP[name])
