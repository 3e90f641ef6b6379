"""What is compiled beforehand is what planning needs: the problem is a real one, and its plans pass the checker."""

from __future__ import annotations

from typing import Any

from analysis.__main__ import main
from analysis.schedule.check import check
from analysis.schedule.plan import plan
from analysis.schedule.ready import STEPS, problem, project


def test_the_problem_gives_the_search_something_to_do() -> None:
    made: Any = plan(problem(), seconds=0.0, steps=STEPS)
    assert check(problem(), made) == []
    assert made["unscheduled"] == []
    assert "ways ahead" in made["solver"]
    assert " steps of search" in made["solver"]
    assert made["objective"] > 0


def test_the_project_gives_the_lists_something_to_do() -> None:
    made: Any = plan(project(), seconds=0.0, steps=STEPS)
    assert check(project(), made) == []
    assert "lists" in made["solver"]
    assert "; 0 lists" not in made["solver"]
    assert made["status"] == "optimal"


def test_the_command_ends_well() -> None:
    assert main(["ready"]) == 0
