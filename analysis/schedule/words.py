"""Sentences for what stands in the way, for a planner to read."""

from __future__ import annotations

from analysis.schedule.model import NEVER, Need, Problem
from analysis.schedule.place import Obstacle


def obstacle_words(problem: Problem, need: Need, obstacles: list[Obstacle]) -> str:
    """Why a need cannot be met: each resource when they are few, else how many and the first to be free."""
    if len(obstacles) <= 2:
        return "; ".join(_one(problem, need, obstacle) for obstacle in obstacles)
    soonest = min(obstacles, key=lambda one: (one.until, one.resource))
    until = "" if soonest.until >= NEVER else f"; the first is {_one(problem, need, soonest)}"
    return f"none of {len(obstacles)} × {need.words()} can serve{until}"


def _one(problem: Problem, need: Need, obstacle: Obstacle) -> str:
    name = problem.resources[obstacle.resource].id
    again = "" if obstacle.until >= NEVER else f" until {problem.instant(obstacle.until)}"
    if obstacle.kind == "busy" and obstacle.use is not None:
        operation = problem.operations[obstacle.use.operation]
        order = problem.orders[operation.order].id
        held = "held for" if obstacle.use.hold else f"taken by {operation.id} of"
        return f"{name} is {held} order {order} from {problem.instant(obstacle.use.start)} to " \
               f"{problem.instant(obstacle.use.end)}"
    if obstacle.kind == "calendar":
        return f"{name} is not at work long enough{again}" if again else f"{name} has no working time left"
    if obstacle.kind == "skill":
        return f"the skill {need.skill} of {name} is not valid{again or ' that long'}"
    return f"{name} is not usable{again or ' that long'}"
