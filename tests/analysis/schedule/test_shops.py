"""The synthetic shops that the planner is measured on: a plan for them holds, and a day that goes wrong can be read."""

import pytest

from analysis.schedule.check import check
from tests.bench.shop_plain import plain_plan, with_figures
from tests.bench.shop_trouble import DISRUPTIONS, operations
from tests.bench.shops import disruption, shop


@pytest.fixture(scope="module")
def small():
    problem = shop(8, 3)
    return problem, with_figures(problem, plain_plan(problem))


def test_the_plainest_plan_of_a_shop_holds(small):
    problem, plan = small
    assert check(problem, plan) == []
    assert len(plan["orders"]) > 4, "most orders have a place"


def test_the_same_seed_makes_the_same_shop_and_another_one_another():
    assert shop(5, 1) == shop(5, 1)
    assert shop(5, 1) != shop(5, 2)


def test_more_load_releases_the_orders_sooner():
    last = [shop(30, 1, load=load)["orders"][-1]["release"] for load in (0.8, 1.2)]
    assert last[1] < last[0]


def test_a_shop_without_orders_or_load_is_refused():
    for orders, load in ((0, 0.8), (5, 0.0)):
        with pytest.raises(ValueError, match="an order and a load"):
            shop(orders, 1, load=load)


@pytest.mark.parametrize("kind", sorted(DISRUPTIONS))
def test_a_disruption_moves_time_on_and_breaks_one_thing(small, kind):
    problem, plan = small
    later = disruption(problem, plan, 4, kind=kind)
    states = {one.get("state", "planned") for one in operations(later)}
    assert later["now"] > problem["now"]
    assert states > {"planned"}
    assert set(later["previous"]) == set(plan["bookings"])
    assert later != disruption(problem, plan, 4, kind=next(one for one in sorted(DISRUPTIONS) if one != kind))
