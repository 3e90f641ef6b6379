"""Possible starts: the vectorised meeting of spans beside the plain one, and that no start that works is excluded."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.schedule import calendars, starts
from analysis.schedule.build import Builder
from analysis.schedule.fixed import fix
from analysis.schedule.place import Timeline, earliest
from analysis.schedule.problem import read
from tests.analysis.schedule.small_problems import problems
from tests.examples import examples


@st.composite
def spans(draw):
    edges = sorted(draw(st.lists(st.integers(0, 60), unique=True, max_size=14)))
    return tuple((edges[2 * one], edges[2 * one + 1]) for one in range(len(edges) // 2))


def columns(given_spans):
    return np.array(given_spans, np.int64).reshape(-1, 2).T


@settings(max_examples=examples(200))
@given(spans(), spans())
def test_spans_meet_as_in_the_plain_way(one, two):
    found = starts.both(columns(one), columns(two))
    assert tuple(map(tuple, found.T.tolist())) == calendars.both(one, two)


@settings(max_examples=examples(60))
@given(problems())
def test_every_start_of_an_operation_alone_in_the_shop_is_a_possible_one(problem):
    record = read(problem)
    builder = Builder(record, fix(record), record.weights)
    empty = Timeline(record)
    for operation in record.operations:
        found = earliest(empty, operation, record.now) if operation.state == "planned" else None
        number = builder.starts.number(operation)
        if found is not None and number:
            assert any(begin <= found.start < end for begin, end in builder.calendars.spans[number])
