"""Projects: drawn as they are said to be, read as published, and planned to what is known to be their best."""

import json
from datetime import datetime, timedelta
from functools import cache
from itertools import product

import pytest

from analysis.schedule.build import Builder
from analysis.schedule.check import check
from analysis.schedule.exact import prove
from analysis.schedule.fixed import fix
from analysis.schedule.lists import lists_of, relisted
from analysis.schedule.outcome import Outcome, to_json
from analysis.schedule.plan import Stand, outcome_of, plan
from analysis.schedule.problem import read
from analysis.schedule.serial import Scheme, best_rule
from tests.bench import psplib
from tests.bench.projects import (
    COMPLEXITY,
    FACTOR,
    NOW,
    STRENGTH,
    Project,
    critical_path,
    drawn,
    hard,
    makespan_of,
    peaks,
    plain,
    problem_of,
    spread,
)

PUBLISHED = """\
************************************************************************
file with basedata            : BY_HAND
jobs (incl. supersource/sink ):  6
RESOURCES
  - renewable                 :  2   R
************************************************************************
PROJECT INFORMATION:
pronr.  #jobs rel.date duedate tardcost  MPM-Time
    1      4      0        5        0        5
************************************************************************
PRECEDENCE RELATIONS:
jobnr.    #modes  #successors   successors
   1        1          3           2   3   5
   2        1          1           4
   3        1          1           6
   4        1          1           6
   5        1          1           6
   6        1          0
************************************************************************
REQUESTS/DURATIONS:
jobnr. mode duration  R 1  R 2
------------------------------------------------------------------------
  1      1     0       0    0
  2      1     3       2    0
  3      1     2       2    1
  4      1     2       1    0
  5      1     4       1    1
  6      1     0       0    0
************************************************************************
RESOURCEAVAILABILITIES:
  R 1  R 2
    3    2
************************************************************************
"""
# Sixteen units of work for the three of the first resource take six periods at least, and six are enough.
BY_HAND = Project("by hand", (3, 2, 2, 4), ((), (), (0,), ()), ((2, 0), (2, 1), (1, 0), (1, 1)), (3, 2))
BEST = """\
Instance Set   : j60
Date           : 11-12-2001
Par   Inst   Makespan
----------------------
  1     1      77
  1     2      68    by somebody
 12     3      6
"""


def at_hand(problem):
    """The problem as read, what does not move in it, its jobs, and the plan of the rules."""
    record = read(problem)
    fixed = fix(record)
    scheme = Scheme(Builder(record, fixed, record.weights))
    board, costs, _, _ = best_rule(scheme)
    return record, fixed, scheme.jobs, outcome_of(record, Stand(fixed, scheme, board, costs, ""))


def longer_ways(after):
    """Arcs that others imply."""

    @cache
    def reached(job):
        return frozenset().union(*({one} | reached(one) for one in after[job]))

    return [(one, job) for job, row in enumerate(after) for one in row
            if any(one in reached(other) for other in row if other != one)]


@pytest.mark.parametrize(("complexity", "factor", "strength"), [
    (1.5, 0.25, 0.2), (1.8, 0.5, 0.7), (2.1, 0.75, 0.5), (2.1, 1.0, 1.0), (1.5, 1.0, 0.2)])
def test_a_project_has_the_figures_it_is_drawn_with(complexity, factor, strength):
    project = drawn(complexity, factor, strength, 7)
    followed = [sum(job in row for row in project.after) for job in range(60)]
    asked = [sum(amount > 0 for amount in row) for row in project.requests]
    assert sum(map(len, project.after)) + 6 == round(complexity * 62), "source and sink have three arcs each"
    assert [job for job, row in enumerate(project.after) if not row] == [0, 1, 2]
    assert [job for job in range(60) if not followed[job]] == [57, 58, 59]
    assert max(followed) <= 3
    assert max(map(len, project.after)) <= 3
    assert longer_ways(project.after) == []
    assert sum(asked) == factor * 240
    assert min(asked) >= 1
    assert set(project.lengths) == set(range(1, 11))
    assert {amount for row in project.requests for amount in row} | {0} == set(range(11))
    for one, peak in enumerate(peaks(project.lengths, project.after, project.requests)):
        largest = max(row[one] for row in project.requests)
        assert project.capacities[one] == largest + round(strength * (peak - largest))


def test_with_all_there_could_be_of_the_resources_the_critical_path_is_the_plan():
    project = drawn(1.8, 0.75, 1.0, 3)
    found = plan(problem_of(project), seconds=1)
    assert found["status"] == "optimal"
    assert makespan_of(found) == critical_path(project)


def test_a_seed_draws_the_same_project_and_the_rows_cover_the_design():
    assert drawn(1.5, 0.5, 0.2, 1) == drawn(1.5, 0.5, 0.2, 1) != drawn(1.5, 0.5, 0.2, 2)
    assert [one.name for one in hard(7)][::6] == ["NC 1.5 RF 0.75 RS 0.2 #1", "NC 1.5 RF 0.75 RS 0.2 #2"]
    assert {one.name.rpartition(" ")[0] for one in spread(48)} == {
        f"NC {nc} RF {rf} RS {rs}" for nc, rf, rs in product(COMPLEXITY, FACTOR, STRENGTH)}


def test_a_network_with_more_arcs_than_there_can_be_is_refused():
    with pytest.raises(ValueError, match="No network of 10 jobs"):
        drawn(9.0, 0.5, 0.5, 1, jobs=10)


def test_a_published_project_is_read_without_its_source_and_sink():
    assert psplib.project(PUBLISHED, "by hand") == BY_HAND
    assert psplib.best_known(BEST) == {(1, 1): 77, (1, 2): 68, (12, 3): 6}


@pytest.mark.parametrize(("old", "new", "message"), [
    ("   3        1          1           6", "   3        1          2           6", "line 15: .*so many successors"),
    ("   3        1          1           6", "   3        1          1           7", "line 15: .*no job"),
    ("   3        1          1           6", "   3        1          1           x", "line 15: .*whole number.* x"),
    ("   3        1          1           6\n", "", "line 15: job 3 is expected, not 4"),
    ("  4      1     2       1    0\n", "", "line 26: job 4 is expected, not 5"),
    ("  4      1     2       1    0", "  4      1    -2       1    0", "line 26: .*whole number.* -2"),
    ("  4      1     2       1    0", "  4      2     2       1    0", "line 26: not one mode"),
    ("  4      1     2       1    0", "  4      1     2       1", "line 26: not one mode"),
    ("  6      1     0       0    0\n", "", "line 27: 5 jobs have durations, 6 have successors"),
    ("    3    2\n", "    3\n", "line 32: 1 resources are there, 2 are asked for"),
    ("    3    2\n", "    1    2\n", "line 32: of resource 1 .*than the 1 there are"),
    ("    3    2\n", "", "end: nothing was found under RESOURCEAVAILABILITIES"),
    ("   4        1          1           6", "   4        1          1           2", "circle"),
    ("  1      1     0       0    0", "  1      1     1       0    0", "source and a sink"),
])
def test_nonsense_is_refused_with_its_line(old, new, message):
    assert old in PUBLISHED
    with pytest.raises(ValueError, match=message):
        psplib.project(PUBLISHED.replace(old, new), "wrong")


@pytest.mark.parametrize(("text", "message"), [
    (BEST + "  2   1\n", "line 8: not a parameter"), (BEST + "  2   1  x\n", "line 8: not a parameter"),
    (BEST + "  1   1  78\n", "line 8: parameter 1, instance 1 is given twice"), ("nothing\n", "end: no makespan")])
def test_nonsense_in_a_list_of_the_best_known_is_refused(text, message):
    with pytest.raises(ValueError, match=message):
        psplib.best_known(text)


def test_a_folder_gives_its_projects_with_what_is_best_known(tmp_path):
    (tmp_path / "j6012_3.sm").write_text(PUBLISHED)
    (tmp_path / "j6012_4.sm").write_text(PUBLISHED)
    (tmp_path / "j60hrs.sm").write_text(BEST)
    (tmp_path / "readme.txt").write_text("no project")
    found = psplib.folder(tmp_path)
    assert [(one.name, known) for one, known in found] == [("j6012_3", 6), ("j6012_4", None)]
    (tmp_path / "j6012_4.sm").write_text(PUBLISHED.replace("    3    2\n", "    1    2\n"))
    with pytest.raises(ValueError, match=r"j6012_4\.sm, line 32"):
        psplib.folder(tmp_path)
    with pytest.raises(ValueError, match="no file like"):
        psplib.folder(tmp_path.parent)


def test_a_project_is_planned_to_its_known_best():
    problem = problem_of(BY_HAND)
    found = plan(problem, seconds=1)
    assert check(problem, found) == []
    assert (makespan_of(found), found["status"], found["bound"]) == (6, "optimal", 6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_small_projects_are_planned_as_well_as_a_model_of_their_own_says(seed):
    project = drawn(1.5, 1.0, 0.2, seed, jobs=14)
    best = plain(project, 60, workers=1)
    found = plan(problem_of(project), seconds=5, steps=1500)
    assert best.makespan == best.bound
    assert makespan_of(found) == best.makespan > critical_path(project)
    assert found["status"] == "optimal"


def with_nights(project):
    """The project with a resource that works by day, another that is taken for a while, and lags."""
    problem = problem_of(project)
    spans = [(NOW + timedelta(minutes=start), NOW + timedelta(minutes=start + 25)) for start in range(3, 2000, 40)]
    problem["calendars"] = {"days": [[start.isoformat(), end.isoformat()] for start, end in spans]}
    problem["resources"][0]["calendar"] = "days"
    operations = problem["orders"][0]["operations"]
    for operation in operations[4:]:
        operation["after"] = [{"id": one, "lag_minutes": 2} for one in operation["after"]]
    problem["orders"].append({"id": "beside", "release": spans[0][0].isoformat(), "operations": [
        {"id": "pinned", "minutes": 9, "pin": {"start": (NOW + timedelta(minutes=20)).isoformat(), "resources": ["R2"]},
         "needs": [{"kind": "R2", "amount": 5}]},
        {"id": "later", "minutes": 4, "after": ["pinned"], "needs": [{"kind": "R3", "amount": 9}]}]})
    return problem


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_lists_find_the_proven_best_beside_nights_lags_and_what_does_not_move(seed):
    problem = with_nights(drawn(1.5, 0.75, 0.2, seed, jobs=12))
    record, fixed, jobs, first = at_hand(problem)
    found = relisted(record, fixed, jobs, first.bookings, seconds=0.5, seed=0, over=lambda: False)
    proof = prove(record, fixed, jobs, first.bookings, first.objective(), effort=20.0, seconds=60.0, seed=0)
    made = Outcome(record, found.bookings, [])
    assert proof.optimal
    assert made.objective() == proof.bound >= found.bound >= 12
    assert check(problem, to_json(made, bound=0, proven=False, seconds=0, seed=0, solver="lists")) == []


def test_the_bound_of_the_lists_counts_the_work_that_cannot_be_done_sooner_or_later():
    problem = problem_of(BY_HAND)
    record, fixed, jobs, first = at_hand(problem)
    assert relisted(record, fixed, jobs, first.bookings, seconds=0.1, seed=0, over=lambda: False).bound == 6
    operations = problem["orders"][0]["operations"]
    for one in operations[:2]:
        one["after"] = ["before"]
    operations += [{"id": "before", "minutes": 5}, {"id": "behind", "minutes": 7, "after": ["job-1", "job-2"]}]
    record, fixed, jobs, first = at_hand(problem)
    found = relisted(record, fixed, jobs, first.bookings, seconds=0.1, seed=0, over=lambda: False)
    assert found.bound == 5 + 4 + 7, "ten units of work for three, and what comes before and after"


def test_lists_make_a_plan_better_and_the_same_again():
    problem = problem_of(drawn(1.8, 1.0, 0.2, 1))
    found = [plan(problem, seconds=1, steps=400) for _ in range(2)]
    assert json.dumps(found[0]) == json.dumps(found[1])
    assert "lists" in found[0]["solver"]
    assert makespan_of(found[0]) < makespan_of(plan(problem, seconds=0)) - 10
    assert makespan_of(plan(problem, seconds=1, steps=400, seed=1)) < makespan_of(plan(problem, seconds=0)) - 10


@pytest.mark.parametrize("change", [
    lambda problem: problem["weights"].update(tardiness=1) or problem["orders"][0].update(
        due=datetime.isoformat(NOW)),
    lambda problem: problem["resources"].append({**problem["resources"][0], "id": "another"}),
    lambda problem: problem["orders"][0]["operations"][0].update(minutes=2.5),
    lambda problem: problem["orders"][0]["operations"][0]["needs"][0].update(hold="order"),
    lambda problem: problem["resources"][0].update(usable_until=(NOW + timedelta(days=9)).isoformat()),
    lambda problem: problem.update(weights={"tardiness": 1}),
    lambda problem: problem["orders"][0]["operations"][2].update(
        pin={"start": (NOW + timedelta(minutes=4)).isoformat()}),
])
def test_a_problem_in_which_more_is_to_be_settled_has_no_lists(change):
    problem = problem_of(BY_HAND)
    record, fixed, jobs, first = at_hand(problem)
    assert lists_of(record, fixed, jobs, first.bookings) is not None
    change(problem)
    record, fixed, jobs, first = at_hand(problem)
    assert lists_of(record, fixed, jobs, first.bookings) is None
