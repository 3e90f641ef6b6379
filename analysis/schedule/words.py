"""Sentences for what stands in the way, for a planner to read."""

from __future__ import annotations

from analysis.schedule.model import MINUTE, NEVER, Need, Problem
from analysis.schedule.place import Obstacle


def lasting(length: int) -> str:
    """A length of time in microseconds, in hours and minutes as people say them, such as 3 h 55 min."""
    hours, rest = divmod(length, 60 * MINUTE)
    return " ".join([*([f"{hours} h"] if hours else []), *([f"{rest / MINUTE:g} min"] if rest or not hours else [])])


def several(kind: str, skill: str | None = None) -> str:
    """More than one of a kind, with a skill where one is asked for."""
    if kind == "person":
        words = "people"
    elif kind.endswith(("s", "x", "z", "ch", "sh")):
        words = f"{kind}es"
    else:
        words = f"{kind}s"
    return f"{words} with skill {skill}" if skill else words


def counted(count: int, need: Need) -> str:
    """So many of what is asked for: `3 bays`, `2 of PR-07 or PR-08`."""
    if count == 1:
        return f"1 {need.words()}"
    return f"{count} {several(need.kind, need.skill)}" if need.kind else f"{count} of {need.words()}"


def obstacle_words(problem: Problem, need: Need, obstacles: list[Obstacle]) -> str:
    """Why a need cannot be met: each resource when they are few, else how many and the first to be free."""
    if len(obstacles) <= 2:
        return "; ".join(" ".join(_parts(problem, need, obstacle)) for obstacle in obstacles)
    none = f"none of the {counted(len(obstacles), need)} can serve"
    soonest = min(obstacles, key=lambda one: (one.until, one.resource))
    if soonest.until >= NEVER:
        return none
    name, what = _parts(problem, need, soonest)
    return f"{none}: {name}, the first to be free, {what}"


def _parts(problem: Problem, need: Need, obstacle: Obstacle) -> tuple[str, str]:
    """Who or what cannot serve, and why."""
    resource = problem.resources[obstacle.resource]
    again = "" if obstacle.until >= NEVER else f" until {problem.instant(obstacle.until)}"
    if obstacle.kind == "busy" and obstacle.use is not None:
        operation = problem.operations[obstacle.use.operation]
        order = problem.orders[operation.order].id
        held = "held for" if obstacle.use.hold else f"taken by {operation.id} of"
        what = f"is {held} order {order} from {problem.instant(obstacle.use.start)} to " \
               f"{problem.instant(obstacle.use.end)}"
    elif obstacle.kind == "calendar" and resource.works:
        what = f"is not at work for that long{again}" if again else "has no working time left"
    elif obstacle.kind == "calendar":
        what = f"is not to be had for that long{again}" if again else "is not to be had any more"
    elif obstacle.kind == "skill":
        what = f"does not have the skill {need.skill}{again or ' that long'}"
    else:
        what = f"is not usable{again or ' that long'}"
    return resource.id, what
