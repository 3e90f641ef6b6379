"""From the steps of a procedure to operations, and from steps done to operations done and in hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from jobs.planning.operations import StepFacts, fitted_kinds, of_steps

BEGUN = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)


def step(position: int, phase: str, kind: str = "confirmation", skill: str = "work", minutes: int = 10,
         done: int | None = None, instruments: tuple[str, ...] = ()) -> StepFacts:  # fmt: skip
    at = None if done is None else BEGUN + timedelta(minutes=done)
    return StepFacts(position, phase, phase.capitalize(), kind, f"{kind} {position}", skill, minutes, instruments,
                     done is not None, at)  # fmt: skip


def test_steps_of_one_phase_and_skill_are_one_operation() -> None:
    found = of_steps([step(1, "prepare"), step(2, "prepare", minutes=20), step(3, "set")])
    assert [(one.code, one.minutes, one.positions) for one in found] == [("prepare", 30, (1, 2)), ("set", 10, (3,))]


def test_a_hold_point_is_an_operation_of_its_own_and_divides_its_phase() -> None:
    found = of_steps([
        step(1, "set"), step(2, "set", "hold-point", "verify", minutes=0), step(3, "set"),
    ])  # fmt: skip
    assert [(one.code, one.second_person) for one in found] == [("set", False), ("set-hold", True), ("set-2", False)]
    assert found[1].minutes == 0
    assert found[1].title == "hold-point 2"


def test_another_skill_is_another_operation() -> None:
    found = of_steps([step(1, "set", skill="a"), step(2, "set", skill="b"), step(3, "set", skill="a")])
    assert [one.code for one in found] == ["set", "set-2", "set-3"]


def test_what_takes_no_time_goes_with_the_next_operation() -> None:
    found = of_steps([step(1, "set", "caution", minutes=0), step(2, "as-left"), step(3, "close", minutes=0)])
    assert [(one.code, one.positions) for one in found] == [("as-left", (1, 2, 3))]


def test_nothing_is_in_hand_before_work_begins() -> None:
    assert {one.state for one in of_steps([step(1, "set", done=5), step(2, "close")])} == {"planned"}


def test_operations_done_in_hand_and_to_come() -> None:
    found = of_steps(
        [step(1, "prepare", done=30), step(2, "as-found", done=50), step(3, "as-found"), step(4, "set")],
        begun_at=BEGUN,
    )
    assert [one.state for one in found] == ["done", "started", "planned"]
    assert found[0].started_at == BEGUN
    assert found[0].ended_at == found[1].started_at == BEGUN + timedelta(minutes=30)


def test_the_first_operation_is_in_hand_as_soon_as_work_has_begun() -> None:
    assert [one.state for one in of_steps([step(1, "set"), step(2, "close")], begun_at=BEGUN)] == ["started", "planned"]


def test_only_one_operation_is_in_hand_when_a_step_was_opened_again() -> None:
    steps = [step(1, "prepare", done=10), step(2, "prepare"), step(3, "set", done=40), step(4, "set")]
    assert [one.state for one in of_steps(steps, begun_at=BEGUN)] == ["started", "planned"]


def test_an_operation_may_pause_only_when_it_is_long_and_records_nothing() -> None:
    long = of_steps([step(1, "set", minutes=300), step(2, "as-left", "trace", minutes=300), step(3, "close")])
    assert [one.may_pause for one in long] == [True, False, False]


def test_instruments_that_several_operations_need_stay_fitted() -> None:
    found = of_steps([
        step(1, "prepare", instruments=("probe", "check-standard")), step(2, "set", instruments=("wrench",)),
        step(3, "as-left", instruments=("probe",)),
    ])  # fmt: skip
    assert fitted_kinds(found) == {"probe"}


STEPS = st.tuples(st.sampled_from("abc"), st.booleans(), st.sampled_from("xy"), st.integers(0, 60))


@given(st.lists(STEPS, max_size=14))
def test_every_step_is_in_one_operation_and_no_minute_is_lost(given_steps: list[tuple[str, bool, str, int]]) -> None:
    steps = [
        step(number, phase, "hold-point" if hold else "confirmation", skill, minutes)
        for number, (phase, hold, skill, minutes) in enumerate(given_steps, start=1)
    ]
    found = of_steps(steps)
    positions = [position for one in found for position in one.positions]
    if found:
        assert sorted(positions) == [one.position for one in steps]
    assert sum(one.minutes for one in found) == sum(one.minutes for one in steps)
    assert len({one.code for one in found}) == len(found)
