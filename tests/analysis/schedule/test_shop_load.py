"""The figures that say how busy a synthetic shop is: shares are shares, and what cannot stay is what has gone."""

import pytest

from analysis.schedule.plan import plan
from tests.bench.shop_load import cannot_stay, listed
from tests.bench.shop_trouble import operations
from tests.bench.shops import disruption, shop


@pytest.fixture(scope="module")
def base():
    problem = shop(16, 3, load=1.0)
    return problem, plan(problem, seconds=0)


def test_more_orders_in_the_same_time_take_more_of_the_bays():
    calm, busy = (listed(shop(40, 2, load=load)) for load in (0.4, 2.0))
    assert 0 < calm.bays < busy.bays < 1
    assert 0 < calm.people < busy.people < 1
    assert calm.bound <= calm.tardiness < busy.tardiness


def test_an_instrument_withdrawn_makes_its_operations_unable_to_stay(base):
    problem, made = base
    later = disruption(problem, made, 5, kind="instrument withdrawn")
    gone = next(one["id"] for one in later["resources"] if one.get("usable_until") == later["now"])
    had = {one["id"] for one in operations(later) if one.get("state", "planned") == "planned"
           and gone in later["previous"][one["id"]]["resources"]}
    again = plan(later, seconds=0)
    assert had
    assert cannot_stay(later) >= len(had)
    assert {entry["operation"] for entry in again["moved"]} >= had
