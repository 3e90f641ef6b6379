"""What a move by hand does, in words: double bookings, shifts, skills, order of operations, promises."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.errors import BadInput
from jobs.planning.board import Board

ZONE = ZoneInfo("Europe/London")
DAY = datetime(2026, 3, 16, tzinfo=UTC)  # a Monday, on winter time: the shop's clock is UTC


def at(hours: float) -> datetime:
    return DAY + timedelta(hours=hours)


def iso(hours: float) -> str:
    return at(hours).isoformat().replace("+00:00", "Z")


def operation(key: str, minutes: int, skill: str = "timing", *, more: list[dict[str, Any]] | None = None,
              **fields: Any) -> dict[str, Any]:  # fmt: skip
    needs = [{"kind": "bay", "hold": "order"}, {"kind": "person", "skill": skill}, *(more or [])]
    return {"id": key, "minutes": minutes, "needs": needs, "after": [], **fields}


PROBE = [{"kind": "probe", "hold": "order"}]


def problem() -> dict[str, Any]:
    return {
        "now": iso(6), "grid_minutes": 15,
        "calendars": {
            "person-1": [[iso(6), iso(14)], [iso(30), iso(38)]], "person-2": [[iso(6), iso(22)], [iso(30), iso(46)]],
        },
        "resources": [
            {"id": "place-1", "kind": "bay"}, {"id": "place-2", "kind": "bay"},
            {"id": "person-1", "kind": "person", "calendar": "person-1", "skills": {"timing": [iso(0), iso(900)]}},
            {"id": "person-2", "kind": "person", "calendar": "person-2", "skills": {"timing": [iso(0), iso(12)],
                                                                                 "verify": [iso(0), iso(900)]}},
            {"id": "PR-07", "kind": "probe", "usable_until": iso(24)}, {"id": "PR-09", "kind": "probe"},
        ],
        "orders": [
            {"id": "BY-1", "due": iso(12), "promise": iso(11), "operations": [
                operation("BY-1/prepare", 60, more=PROBE), operation("BY-1/hold", 0, "verify"),
                operation("BY-1/set", 60, more=PROBE)]},
            {"id": "BY-2", "due": iso(30), "operations": [operation("BY-2/set", 120, more=PROBE)]},
        ],
    }  # fmt: skip


def bookings() -> dict[str, Any]:
    def booked(start: float, end: float, *resources: str) -> dict[str, Any]:
        return {"start": iso(start), "end": iso(end), "resources": list(resources)}

    return {
        "BY-1/prepare": booked(6, 7, "place-1", "person-1", "PR-07"),
        "BY-1/hold": booked(7, 7, "place-1", "person-2"),
        "BY-1/set": booked(7, 8, "place-1", "person-1", "PR-07"),
        "BY-2/set": booked(8, 10, "place-2", "person-1", "PR-09"),
    }


NAMES = {
    "BY-1": "R4 4107", "BY-2": "K7 7003", "BY-1/prepare": "prepare of R4 4107", "BY-1/hold": "second look of R4 4107",
    "BY-1/set": "set of R4 4107", "BY-2/set": "set of K7 7003", "person-1": "Callum Strand", "person-2": "Petra Voss",
    "place-1": "Bay 1", "place-2": "Bay 2", "timing": "Performing timing jobs",
}  # fmt: skip


def board(change: Any = None) -> Board:
    stated, stands = problem(), bookings()
    if change is not None:
        change(stated, stands)
    return Board(stated, stands, NAMES, ZONE)


def test_a_plan_without_a_clash_says_what_becomes_of_the_order() -> None:
    effect = board().move("BY-1/set", start=at(9), push=False)
    assert effect.clashes == ("Callum Strand has set of K7 7003 from Mon 2026-03-16 08:00 to Mon 2026-03-16 10:00.",)
    effect = board().move("BY-1/set", start=at(10), push=False)
    assert effect.clashes == ()
    assert effect.notes == (
        "R4 4107 ends Mon 2026-03-16 11:00, 3 h later than before.",
        "Its promise, Mon 2026-03-16 11:00, is kept with 0 min left.",
    )
    assert not effect.late


def test_a_promise_and_a_due_time_that_are_missed_are_said_with_how_much() -> None:
    effect = board().move("BY-1/set", start=at(12), push=False)
    assert effect.late
    assert "That is 2 h after its promise, Mon 2026-03-16 11:00." in effect.notes
    assert "That is 1 h after the time it is needed by, Mon 2026-03-16 12:00." in effect.notes


def test_what_follows_moves_out_of_the_way_as_late_as_it_must() -> None:
    effect = board().move("BY-1/prepare", start=at(8))
    assert {key: (one.start, one.end) for key, one in effect.bookings.items()} == {
        "BY-1/prepare": (at(8), at(9)), "BY-1/hold": (at(9), at(9)), "BY-1/set": (at(9), at(10)),
    }  # fmt: skip
    alone = board().move("BY-1/prepare", start=at(8), push=False)
    assert list(alone.bookings) == ["BY-1/prepare"]
    assert "Second look of R4 4107, which comes after, starts Mon 2026-03-16 07:00." in alone.clashes


def test_what_is_pushed_waits_for_the_next_shift() -> None:
    effect = board().move("BY-1/prepare", start=at(12.75))
    assert effect.bookings["BY-1/hold"].start == at(13.75)
    assert effect.bookings["BY-1/set"].start == at(30)  # Callum Strand goes home at 14:00


def test_outside_a_shift() -> None:
    effect = board().move("BY-2/set", start=at(13))
    said = "Callum Strand is not there after Mon 2026-03-16 14:00, and this ends Mon 2026-03-16 15:00."
    assert said in effect.clashes
    effect = board().move("BY-2/set", start=at(20))
    said = "Callum Strand is not there from Mon 2026-03-16 20:00 to Mon 2026-03-16 22:00; next there from Tue"
    assert f"{said} 2026-03-17 06:00." in effect.clashes
    effect = board().move("BY-2/set", start=at(29))
    said = "Callum Strand is not there before Tue 2026-03-17 06:00, and this starts Tue 2026-03-17 05:00."
    assert said in effect.clashes


def test_before_now() -> None:
    effect = board().move("BY-2/set", start=at(5))
    assert "Set of K7 7003 would start Mon 2026-03-16 05:00, which is over." in effect.clashes


def test_somebody_whose_qualification_lapses_within_the_operation() -> None:
    effect = board().move("BY-2/set", start=at(11), swap={"person-1": "person-2"})
    assert effect.clashes == (
        "The qualification of Petra Voss, Performing timing jobs, is valid until Mon 2026-03-16 12:00.",
    )
    assert board().move("BY-2/set", start=at(10), swap={"person-1": "person-2"}).clashes == ()


def test_somebody_whose_qualification_has_not_begun() -> None:
    def later(stated: dict[str, Any], stands: dict[str, Any]) -> None:
        stated["resources"][3]["skills"]["timing"] = [iso(13), iso(900)]

    effect = board(later).move("BY-2/set", start=at(11), swap={"person-1": "person-2"})
    assert effect.clashes == (
        "The qualification of Petra Voss, Performing timing jobs, is valid from Mon 2026-03-16 13:00.",
    )


def test_somebody_without_the_qualification() -> None:
    effect = board().move("BY-1/hold", swap={"person-2": "person-1"})
    assert "Callum Strand is not qualified: verify." in effect.clashes


def test_somebody_qualified_in_another_part() -> None:
    def as_inspector(stated: dict[str, Any], stands: dict[str, Any]) -> None:
        skills = stated["resources"][3]["skills"]
        skills["timing:second-person"] = skills.pop("timing")

    effect = board(as_inspector).move("BY-2/set", start=at(11), swap={"person-1": "person-2"})
    assert effect.clashes == (
        "Petra Voss is qualified for Performing timing jobs as an inspector and not as a technician, whom it needs.",
    )


def test_an_instrument_past_its_due_time() -> None:
    effect = board().move("BY-1/set", start=at(31), push=False)
    assert "PR-07 is usable until Tue 2026-03-17 00:00." in effect.clashes


def test_what_an_order_keeps_goes_with_all_its_operations() -> None:
    effect = board().move("BY-1/prepare", swap={"place-1": "place-2"})
    assert {key: one.resources[0] for key, one in effect.bookings.items()} == dict.fromkeys(
        ["BY-1/prepare", "BY-1/hold", "BY-1/set"], "place-2"
    )
    assert effect.clashes == ()  # the other order comes into the bay when this one leaves it
    effect = board().move("BY-2/set", start=at(7), swap={"place-2": "place-1", "person-1": "person-2"})
    assert "Bay 1 has R4 4107 from Mon 2026-03-16 06:00 to Mon 2026-03-16 08:00." in effect.clashes


def test_what_an_order_keeps_is_taken_between_its_operations_too() -> None:
    def apart(_: dict[str, Any], stands: dict[str, Any]) -> None:
        stands["BY-1/set"] |= {"start": iso(12), "end": iso(13)}

    effect = board(apart).move("BY-2/set", start=at(9), swap={"PR-09": "PR-07"})
    assert "PR-07 has R4 4107 from Mon 2026-03-16 06:00 to Mon 2026-03-16 13:00." in effect.clashes


def test_work_in_hand_stays() -> None:
    def in_hand(stated: dict[str, Any], _: dict[str, Any]) -> None:
        stated["orders"][0]["operations"][0]["state"] = "started"

    effect = board(in_hand).move("BY-1/prepare", start=at(8))
    assert "Prepare of R4 4107 is in hand and stays where it is." in effect.clashes


def test_a_pin_is_said_when_the_operation_leaves_it() -> None:
    def pinned(stated: dict[str, Any], _: dict[str, Any]) -> None:
        stated["orders"][1]["operations"][0]["pin"] = {"start": iso(8)}

    effect = board(pinned).move("BY-2/set", start=at(8.5))
    assert "Set of K7 7003 is pinned to Mon 2026-03-16 08:00." in effect.clashes


def test_a_resource_of_another_kind() -> None:
    effect = board().move("BY-2/set", swap={"person-1": "place-1"})
    assert "Set of K7 7003 needs a person; Bay 1 is a bay." in effect.clashes


def test_a_longer_operation_that_may_pause_counts_working_time_only() -> None:
    def pauses(stated: dict[str, Any], _: dict[str, Any]) -> None:
        stated["orders"][1]["operations"][0]["may_pause"] = True

    effect = board(pauses).move("BY-2/set", start=at(13), minutes=120)
    assert effect.bookings["BY-2/set"].end == at(31)
    assert effect.clashes == ()


def test_starts_fall_on_the_grid() -> None:
    assert board().move("BY-2/set", start=at(8.1)).bookings["BY-2/set"].start == at(8)


@given(start=st.integers(-8, 200), push=st.booleans(), who=st.sampled_from(["person-1", "person-2"]))
def test_the_order_of_operations_holds_when_what_follows_is_pushed(start: int, push: bool, who: str) -> None:
    base = board()
    effect = base.move("BY-1/prepare", start=at(start / 4), swap={"person-1": who}, push=push)
    standing = {**base.stands, **effect.bookings}
    lasts = {key: one.end - one.start for key, one in standing.items()}
    assert lasts == {key: one.end - one.start for key, one in base.stands.items()}
    if push:
        assert standing["BY-1/prepare"].end <= standing["BY-1/hold"].start
        assert standing["BY-1/hold"].end <= standing["BY-1/set"].start
    # What is said of an order that ends later than before is true.
    assert effect.late == (max(standing[key].end for key in ("BY-1/prepare", "BY-1/hold", "BY-1/set")) > at(11))


@pytest.mark.parametrize("key", ["BY-9/set", "BY-1"])
def test_an_operation_that_is_not_on_the_board(key: str) -> None:
    with pytest.raises(KeyError):
        board().move(key, start=at(8))


def test_work_takes_time_and_a_look_at_a_hold_point_may_take_none() -> None:
    def by_a_second_person(stated: dict[str, Any], _: dict[str, Any]) -> None:
        stated["orders"][0]["operations"][1]["needs"][1]["skill"] = "verify:second-person"
        stated["resources"][3]["skills"]["verify:second-person"] = [iso(0), iso(900)]

    known = board(by_a_second_person)
    effect = known.move("BY-1/hold", minutes=0)
    assert effect.bookings["BY-1/hold"].start == effect.bookings["BY-1/hold"].end
    with pytest.raises(BadInput) as refused:
        known.move("BY-1/prepare", minutes=0)
    assert "1 to 28800" in refused.value.reasons[0].sentence
