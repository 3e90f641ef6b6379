"""How good and how fast planning is, beside a list schedule by due date: `python -m tests.bench.schedule [--seeds N]`.

All plans are checked by code that shares nothing with the planner. Cost is the weighted tardiness of the same problem,
as a share of that of the list schedule by earliest due date (EDD), which is made in the same run by the same serial
scheme: orders by due date, each operation at its earliest place, gaps filled, and started as late as its order's end
allows so that bays are not kept for longer than they must be. A plainer list schedule would be later.

The shops are loaded so that this list schedule has the bays, which are what is scarcest, taken for about 80 % of all
hours from its first start to its last end, nights and weekends with them. Above that more orders come in than can go
out: the bays do not get beyond 85 to 87 %, and tardiness grows with the number of orders without an end. The nominal
load of `shop` that this takes differs with the number of orders, since a small shop starts and ends half empty; it was
set on seeds 101 to 108, which are not among those measured here. Shops of 20 orders are loaded twice as much as those
of 60, as nearly all of them would be on time. The first rows give the load that came of it, the tardiness of EDD, and
what no plan can avoid of it: what orders would be late if each were alone in the shop.

The last rows are projects of 60 jobs (see `tests.bench.projects`), where one order has four resources to itself.

Times are of the clock, with CPU seconds beside them; the line at the top says how busy the machine was.
"""

from __future__ import annotations

import argparse
import copy
import os
import statistics
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from analysis.schedule.check import check
from analysis.schedule.plan import plan
from analysis.schedule.ready import STEPS
from tests.bench import psplib
from tests.bench.projects import beside_known, beside_plain, drawn, hard, problem_of, spread
from tests.bench.shop_load import cannot_stay, listed
from tests.bench.shop_trouble import operations
from tests.bench.shop_work import Json
from tests.bench.shops import disruption, shop

CPU: list[float] = []                # seconds of each plan of the row under way
IN_FORCE = 5
LOADS = {20: 2.2, 60: 1.1, 150: 0.85, 300: 0.8, 1000: 0.77}     # nominal, by the number of orders


def loaded(orders: int, seed: int) -> Json:
    """A shop of that many orders with its load."""
    return shop(orders, seed, load=LOADS[orders])


def by_due_date(problem: Json) -> float:
    """Weighted tardiness of the list schedule by due date; raises ValueError when an order has no place in it."""
    return listed(problem).tardiness


def load_of(orders: int, seeds: Iterable[int]) -> str:
    """The load that came of it, the tardiness of the list schedule, and what of it cannot be avoided."""
    found = [listed(loaded(orders, seed)) for seed in seeds]
    late = sum(one.tardiness for one in found)
    mean = {name: 100 * statistics.mean(getattr(one, name) for one in found) for name in ("bays", "people", "skill")}
    return (f"bays taken {mean['bays']:.0f} %, people {mean['people']:.0f} %, scarcest skill {mean['skill']:.0f} %; "
            f"EDD late by {late / len(found):.0f} weighted minutes (mean), "
            f"{100 * sum(one.bound for one in found) / max(1.0, late):.1f} % of it unavoidable")


def made(problem: Json, seconds: float) -> tuple[Json, float]:
    """A plan, checked once more, and the seconds it took."""
    began, busy = time.perf_counter(), time.process_time()
    found = plan(problem, seconds=seconds)
    took = time.perf_counter() - began
    CPU.append(time.process_time() - busy)
    broken = check(problem, found)
    if broken:
        raise ValueError(broken[0].message)
    return found, took


def first_plan(orders: int, seeds: Iterable[int]) -> str:
    """Seconds to the first complete plan that has been checked."""
    took = [made(loaded(orders, seed), 0)[1] for seed in seeds]
    return f"{statistics.median(took):.3f} s (median), {max(took):.3f} s (most)"


def explained(seeds: Iterable[int]) -> str:
    """Seconds more for a first plan of 60 orders when five of them have no place and are told why and what would do."""
    more = []
    for seed in seeds:
        fits = loaded(60, seed)
        five = copy.deepcopy(fits)
        for order in five["orders"][::12]:
            order["operations"][2]["minutes"] = 900
            order["operations"][2].pop("may_pause", None)
        more.append(made(five, 0)[1] - made(fits, 0)[1])
    return f"{statistics.median(more):.3f} s more (median), {max(more):.3f} s (most)"


def searched(orders: int, seconds: float, seeds: Iterable[int]) -> str:
    """The cost after a search, as a share of EDD's; seeds on which EDD is on time count where the plan is not."""
    shares, on_time, times = [], 0, []
    for seed in seeds:
        problem = loaded(orders, seed)
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
        found, seconds = made(loaded(20, seed), 2)
        took.append(seconds)
        best += found["status"] == "optimal"
        late += found["objective"] > 0
    return f"{best} of {len(took)} proven ({late} of them not on time); {max(took):.2f} s at most"


def planned_anew(orders: int, seconds: float, seeds: Iterable[int]) -> str:
    """After one disruption: operations moved among those still open, and tardiness over all seeds beside free plans.

    The plan in force was made in IN_FORCE seconds. In a free plan moves cost nothing; it is made in the same time as
    the one that mends. Some operations cannot stay wherever they are, since what they had is gone or their start is
    over: their share is given as well.
    """
    shares, forced, late, free = [], [], 0.0, 0.0
    for seed in seeds:
        problem = loaded(orders, seed)
        later = disruption(problem, plan(problem, seconds=IN_FORCE), seed)
        found, _ = made(later, seconds)
        still = [one for one in operations(later) if one.get("state", "planned") == "planned"]
        shares.append(100 * len(found["moved"]) / len(still))
        forced.append(100 * cannot_stay(later) / len(still))
        late += found["parts"]["tardiness"]
        free += made({**later, "weights": {"tardiness": 1}}, seconds)[0]["parts"]["tardiness"]
    beside = f"{100 * (late / free - 1):+.1f} %" if free else f"{late:g} beside none"
    return (f"{statistics.mean(shares):.1f} % (mean), {max(shares):.1f} % (worst) of operations moved, "
            f"{statistics.mean(forced):.1f} % (mean), {max(forced):.1f} % (worst) cannot stay; tardiness {beside}")


def rows(seeds: int) -> list[tuple[str, str, Callable[[], str]]]:
    """Name, short name and measurement of each row."""
    many, few = range(1, seeds + 1), range(1, max(1, seeds // 5) + 1)
    return [
        *((f"{orders} orders, as they are", f"load-{orders}", lambda orders=orders: load_of(orders, few))
          for orders in LOADS),
        *((f"{orders} orders, first checked plan", f"first-{orders}", lambda orders=orders: first_plan(orders, few))
          for orders in (60, 300, 1000)),
        ("60 orders, 5 of them explained", "explain-60", lambda: explained(few)),
        ("60 orders, 5 s", "search-60", lambda: searched(60, 5, many)),
        ("300 orders, 20 s", "search-300", lambda: searched(300, 20, few)),
        ("1000 orders, 10 s", "search-1000", lambda: searched(1000, 10, few)),
        ("20 orders, at most 2 s", "exact-20", lambda: proven(many)),
        ("60 orders planned anew, 3 s", "anew-60", lambda: planned_anew(60, 3, many)),
        ("150 orders planned anew, 5 s", "anew-150", lambda: planned_anew(150, 5, few)),
        ("projects short of resources, 20 s", "project-hard",
         lambda: beside_plain(hard(max(1, 3 * seeds // 5)), made)),
        ("projects of the whole design, 20 s", "project-all",
         lambda: beside_plain(spread(max(1, 2 * seeds // 5)), made)),
    ]


def main() -> None:
    """Print the table, row by row."""
    parser = argparse.ArgumentParser(description="Speed and quality of planning.")
    parser.add_argument("--seeds", type=int, default=20, help="shops of each kind; the large ones are a fifth of that")
    parser.add_argument("--only", nargs="*", help="rows by their short names, as in first-60 or anew-150")
    parser.add_argument("--psplib", type=Path, metavar="FOLDER",
                        help="nothing but the published projects (.sm) in this folder, beside its best known makespans")
    chosen = parser.parse_args()
    warm = shop(12, 1)                  # what is compiled is compiled now, the search with it, so it has to be late
    for order in warm["orders"]:
        order["due"] = warm["now"]
    plan(warm, seconds=1, steps=STEPS)
    plan(problem_of(drawn(1.5, 1, 0.2, 1)), seconds=1, steps=60)
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; nominal load "
          f"{', '.join(f'{load:g} for {orders} orders' for orders, load in LOADS.items())}", flush=True)
    table = rows(chosen.seeds)
    if chosen.psplib:
        table = [("published projects, 20 s", "psplib", lambda: beside_known(psplib.folder(chosen.psplib), made))]
    for name, short, measure in table:
        if not chosen.only or short in chosen.only:
            CPU.clear()
            said = measure()
            print(f"{name:32} {said}" + (f"; CPU {statistics.mean(CPU):.2f} s (mean)" if CPU else ""), flush=True)


if __name__ == "__main__":
    main()
