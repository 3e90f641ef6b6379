"""The orders of a synthetic shop: timing jobs and other work on its units, invented durations."""

from __future__ import annotations

import random
from typing import Any

Json = dict[str, Any]
PROBES = ["PR-05", "PR-06", "PR-07", "PR-08"]
ENCODERS = ["EN-01", "EN-02", "EN-03"]
WRENCHES = ["TW-01", "TW-02", "TW-03"]
STANDARDS = ["CS-01", "CS-02"]
UNDER_CRANE = ["bay-1", "bay-2", "bay-3", "bay-4"]
PRIORITIES = (1, 1, 1, 1, 1, 2, 2, 2, 4, 8)
KINDS = ("timing", "timing", "timing", "timing", "brake", "motor", "cooling", "electric", "electric")


def person(skill: str, count: int = 1) -> Json:
    """A need for people with a skill."""
    return {"kind": "person", "skill": skill, "count": count}


def held(names: list[str]) -> Json:
    """A need for one of these instruments, kept for the order."""
    return {"any_of": names, "hold": "order"}


PROBE, ENCODER = held(PROBES), held(ENCODERS)
CRANE = {"kind": "crane", "amount": 1}
Step = tuple[str, tuple[int, int], tuple[str, ...], list[Json], int, bool]


def step(name: str, minutes: tuple[int, int] | int, after: str, *needs: Json, lag: int = 0,
         pause: bool = False) -> Step:
    """One operation of a kind of work: the range of its minutes, what it comes after, what it needs beside the bay."""
    least, most = minutes if isinstance(minutes, tuple) else (minutes, minutes)
    return name, (least, most), tuple(after.split()), list(needs), lag, pause


TIMING = (
    step("safe", 30, "", person("timing")),
    step("covers-off", (45, 90), "safe", person("fitting"), pause=True),
    step("isolation-seen", 0, "safe", person("inspection")),
    step("pre-check", 30, "covers-off isolation-seen", person("timing"), PROBE, ENCODER, {"any_of": STANDARDS}),
    step("as-found", (45, 75), "pre-check", person("timing"), person("fitting"), PROBE, ENCODER),
    step("verdict-seen", 0, "as-found", person("inspection")),
    step("set", (60, 150), "verdict-seen", person("timing"), PROBE, ENCODER, {"any_of": WRENCHES}),
    step("as-left", (45, 75), "set", person("timing"), person("fitting"), PROBE, ENCODER),
    step("as-left-seen", 0, "as-left", person("inspection")),
    step("restore", (60, 120), "as-left-seen", person("fitting"), pause=True),
    step("run-check", 30, "restore", person("timing"), lag=30),
    step("release", 15, "run-check", person("release")),
)
CAM_SECTION = (
    *TIMING[:2],
    step("hoist-off", (30, 60), "covers-off", person("lifting"), person("fitting"), CRANE),
    step("pre-check", 30, "hoist-off", person("timing"), PROBE, ENCODER, {"any_of": STANDARDS}),
    *TIMING[4:9],
    step("hoist-on", (30, 60), "as-left-seen", person("lifting"), person("fitting"), CRANE),
    step("run-check", 30, "hoist-on", person("timing"), lag=30),
    step("release", 15, "run-check", person("release")),
)
BRAKE = (
    step("safe", 30, "", person("fitting")),
    step("strip", (60, 120), "safe", person("fitting"), pause=True),
    step("valves", (45, 90), "strip", person("fitting"), pause=True),
    step("rigging", (60, 120), "strip", person("fitting"), {"any_of": WRENCHES}),
    step("test", (30, 60), "valves rigging", person("electrics"), person("fitting")),
    step("test-seen", 0, "test", person("inspection")),
    step("release", 15, "test-seen", person("release")),
)
MOTOR = (
    step("safe", 30, "", person("lifting")),
    step("leads-off", (30, 60), "safe", person("electrics")),
    step("bolts-out", (45, 90), "safe", person("fitting"), pause=True),
    step("lift-out", (45, 90), "leads-off bolts-out", person("lifting"), person("fitting", 2), CRANE),
    step("lift-in", (45, 90), "lift-out", person("lifting"), person("fitting", 2), CRANE, lag=60),
    step("leads-on", (30, 60), "lift-in", person("electrics")),
    step("torque", (30, 60), "lift-in", person("fitting"), {"any_of": WRENCHES}),
    step("test", 30, "leads-on torque", person("electrics")),
    step("release", 15, "test", person("release")),
)
COOLING = (
    step("drain", (30, 60), "", person("fitting")),
    step("renew", (60, 150), "drain", person("fitting"), pause=True),
    step("fill", 30, "renew", person("fitting")),
    step("test", 30, "fill", person("fitting"), lag=60),
    step("release", 15, "test", person("release")),
)
ELECTRIC = (
    step("diagnose", (30, 90), "", person("electrics")),
    step("repair", (30, 180), "diagnose", person("electrics"), pause=True),
    step("test", 30, "repair", person("electrics")),
    step("release", 15, "test", person("release")),
)
WORK = {"brake": BRAKE, "motor": MOTOR, "cooling": COOLING, "electric": ELECTRIC}


def order(number: int, chance: random.Random) -> Json:
    """One order without its dates; its bay is kept from its first operation to its last."""
    unit = f"K7 {chance.randint(7001, 7038)}" if chance.random() < 0.7 else f"R4 {chance.randint(4101, 4116)}"
    kind = chance.choice(KINDS)
    steps = WORK.get(kind) or (CAM_SECTION if chance.random() < 0.25 else TIMING)
    lifted = any(CRANE in needs for _, _, _, needs, _, _ in steps)
    bay = {"any_of": UNDER_CRANE, "hold": "order"} if lifted else {"kind": "bay", "hold": "order"}
    name = f"{number:04d} {unit}"
    operations = []
    for step_name, (least, most), after, needs, lag, pause in steps:
        operation: Json = {
            "id": f"{name} {step_name}", "minutes": chance.randrange(least, most + 1, 15) if most else 0,
            "after": [{"id": f"{name} {before}", "lag_minutes": lag} for before in after],
            # a hold point needs the one who signs, not the bay: the order keeps that all the same
            "needs": [dict(need) for need in ([bay, *needs] if most else needs)],
        }
        if pause:
            operation["may_pause"] = True
            if chance.random() < 0.3:
                operation["release_in_pause"] = True
        operations.append(operation)
    return {"id": name, "unit": unit, "work": kind, "weight": chance.choice(PRIORITIES), "operations": operations}
