"""How good and how fast planning is, beside a list schedule by due date: `python -m tests.bench.schedule [--seeds N]`.

All plans are checked by code that shares nothing with the planner. Cost is the weighted tardiness of the same problem,
as a share of that of the list schedule by earliest due date (EDD), which is made in the same run by the same serial
scheme. Load is nominal: at 0.8 the list schedule of 60 orders is late nowhere on most seeds, so most rows have more.
Times are of the clock; the line at the top says how busy the machine was.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable, Iterable

from analysis.schedule.build import Builder
from analysis.schedule.check import check
from analysis.schedule.fixed import fix
from analysis.schedule.plan import plan
from analysis.schedule.problem import read
from analysis.schedule.serial import Scheme, edd
from tests.bench.shop_trouble import operations
from tests.bench.shop_work import Json
from tests.bench.shops import disruption, shop

LOAD = 1.1


def by_due_date(problem: Json) -> float:
    """Weighted tardiness of the list schedule by due date; raises ValueError when an order has no place in it."""
    record = read(problem)
    scheme = Scheme(Builder(record, fix(record), record.weights))
    board, costs, lost = scheme.decoded(edd(scheme))
    if lost:
        raise ValueError(f"{lost} orders have no place in the list schedule.")
    return scheme.cost(board, costs)


def made(problem: Json, seconds: float) -> tuple[Json, float]:
    """A plan, checked once more, and the seconds it took."""
    began = time.perf_counter()
    found = plan(problem, seconds=seconds)
    took = time.perf_counter() - began
    broken = check(problem, found)
    if broken:
        raise ValueError(broken[0].message)
    return found, took


def first_plan(orders: int, seeds: Iterable[int]) -> str:
    """Seconds to the first complete plan that has been checked."""
    took = [made(shop(orders, seed, load=LOAD), 0)[1] for seed in seeds]
    return f"{statistics.median(took):.3f} s (median), {max(took):.3f} s (most)"


def searched(orders: int, seconds: float, seeds: Iterable[int]) -> str:
    """The cost after a search, as a share of EDD's; seeds on which EDD is on time count where the plan is not."""
    shares, on_time, times = [], 0, []
    for seed in seeds:
        problem = shop(orders, seed, load=LOAD)
        base = by_due_date(problem)
        found, took = made(problem, seconds)
        times.append(took)
        if base:
            shares.append(100 * found["objective"] / base)
        elif found["objective"]:
            raise ValueError(f"Seed {seed}: the list schedule is on time and the plan is not.")
        else:
            on_time += 1
    return (f"{statistics.mean(shares):.1f} % (mean), {max(shares):.1f} % (worst) of EDD on {len(shares)} seeds, "
            f"{on_time} on time both; {max(times):.1f} s at most")


def proven(seeds: Iterable[int]) -> str:
    """How many shops of 20 orders, people named, have a plan that is proven the best."""
    took, best, late = [], 0, 0
    for seed in seeds:
        found, seconds = made(shop(20, seed, load=2 * LOAD), 2)
        took.append(seconds)
        best += found["status"] == "optimal"
        late += found["objective"] > 0
    return f"{best} of {len(took)} proven ({late} of them not on time); {max(took):.2f} s at most"


def planned_anew(orders: int, seconds: float, seeds: Iterable[int]) -> str:
    """After one disruption: operations moved among those still open, and tardiness over all seeds beside free plans.

    In a free plan moves cost nothing; it is made in the same time.
    """
    shares, late, free = [], 0.0, 0.0
    for seed in seeds:
        problem = shop(orders, seed, load=LOAD)
        later = disruption(problem, plan(problem, seconds=2), seed)
        found, _ = made(later, seconds)
        still = [one for one in operations(later) if one.get("state", "planned") == "planned"]
        shares.append(100 * len(found["moved"]) / len(still))
        late += found["parts"]["tardiness"]
        free += made({**later, "weights": {"tardiness": 1}}, seconds)[0]["parts"]["tardiness"]
    beside = f"{100 * (late / free - 1):+.1f} %" if free else f"{late:g} beside none"
    return (f"{statistics.mean(shares):.1f} % (mean), {max(shares):.1f} % (worst) of operations moved; "
            f"tardiness {beside}")


def rows(seeds: int) -> list[tuple[str, str, Callable[[], str]]]:
    """Name, short name and measurement of each row."""
    many, few = range(1, seeds + 1), range(1, max(1, seeds // 5) + 1)
    return [
        *((f"{orders} orders, first checked plan", f"first-{orders}", lambda orders=orders: first_plan(orders, few))
          for orders in (60, 300, 1000)),
        ("60 orders, 5 s", "search-60", lambda: searched(60, 5, many)),
        ("300 orders, 20 s", "search-300", lambda: searched(300, 20, few)),
        ("1000 orders, 10 s", "search-1000", lambda: searched(1000, 10, few)),
        ("20 orders, at most 2 s", "exact-20", lambda: proven(many)),
        ("60 orders planned anew, 3 s", "anew-60", lambda: planned_anew(60, 3, many)),
        ("150 orders planned anew, 5 s", "anew-150", lambda: planned_anew(150, 5, few)),
    ]


def main() -> None:
    """Print the table, row by row."""
    parser = argparse.ArgumentParser(description="Speed and quality of planning.")
    parser.add_argument("--seeds", type=int, default=20, help="shops of each kind; the large ones are a fifth of that")
    parser.add_argument("--only", nargs="*", help="rows by their short names, as in first-60 or anew-150")
    chosen = parser.parse_args()
    plan(shop(2, 1), seconds=1)         # what is compiled is compiled now
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; shops of nominal load {LOAD:g}, "
          f"of {2 * LOAD:g} for 20 orders", flush=True)
    for name, short, measure in rows(chosen.seeds):
        if not chosen.only or short in chosen.only:
            print(f"{name:32} {measure()}", flush=True)


if __name__ == "__main__":
    main()
