"""What a plan moves, order by order: a reason that several operations share is said once."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django.template.loader import render_to_string

from jobs.planning.moves import moves

ZONE = ZoneInfo("Europe/London")
CODES = {"safe": "make safe", "found": "as-found", "left": "as-left", "close": "close"}
NAMES = {"BY-1": "K7 7019", "BY-2": "R4 4107", "person-1": "Una Farrow", "person-2": "Petra Voss"} | {
    f"{order}/{code}": f"{words} of {name}"
    for order, name in (("BY-1", "K7 7019"), ("BY-2", "R4 4107"))
    for code, words in CODES.items()
}


def stands(hour: int, *resources: str) -> dict[str, Any]:
    return {"start": f"2026-03-16T{hour:02d}:00:00Z", "resources": list(resources)}


def move(operation: str, cause: str, reason: str) -> dict[str, Any]:
    return {"operation": operation, "changed": [], "class": cause, "reason": f"{operation} {reason}"}


def told(*some: tuple[dict[str, Any], dict[str, Any], dict[str, Any]]) -> Any:
    """The moves, each with where it stood and stands."""
    made = {"moved": [one for one, _, _ in some], "bookings": {one["operation"]: after for one, _, after in some}}
    return moves(made, {one["operation"]: before for one, before, _ in some}, NAMES, ZONE)


def with_another_probe(operation: str, hour: int) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    reason = f"cannot start 2026-03-16T{hour:02d}:00:00Z: PR-07 is not to be had any more."
    return move(operation, "absent", reason), stands(hour, "PR-07"), stands(hour, "PR-09")


def test_operations_of_an_order_that_change_the_same_for_the_same_reason_are_one_line() -> None:
    (order,) = told(with_another_probe("BY-1/found", 9), with_another_probe("BY-1/left", 11))
    assert order.name == "K7 7019"
    (reason,) = order.reasons
    assert reason.why == "PR-07 is not to be had any more."
    assert reason.lines == [("As-found, as-left", "PR-07 → PR-09")]


def test_a_single_operation_keeps_its_whole_sentence_without_the_name_of_its_order() -> None:
    (order,) = told(with_another_probe("BY-1/found", 9))
    assert order.reasons[0].why == "As-found cannot start Mon 2026-03-16 09:00: PR-07 is not to be had any more."


def test_orders_stand_apart_and_what_waits_in_turn_is_said_once() -> None:
    def later(operation: str, hour: int, why: str) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
        return move(operation, "waits", why), stands(hour, "person-1"), stands(hour + 2, "person-2")

    first, second = told(
        with_another_probe("BY-1/found", 9),
        later("BY-1/left", 10, "was to start then; BY-1/found, which it waits for, ends later."),
        later("BY-1/close", 11, "was to start then; BY-1/left, which it waits for, ends later."),
        with_another_probe("BY-2/found", 9),
    )
    assert [one.name for one in (first, second)] == ["K7 7019", "R4 4107"]
    assert [len(one.lines) for one in first.reasons] == [1, 2]
    assert first.reasons[1].why == "Each waits for what comes before it in its order."
    assert first.reasons[1].lines[0] == (
        "As-left", "from Mon 2026-03-16 10:00 to Mon 2026-03-16 12:00; Una Farrow → Petra Voss")  # fmt: skip


def test_what_follows_another_operation_does_not_stand_with_what_lost_the_probe_itself() -> None:
    keeps = "follows BY-1/left, for which order BY-1 keeps the same probe: PR-07 is not to be had any more."
    (order,) = told(
        (move("BY-1/safe", "follows", keeps), stands(8, "PR-07"), stands(8, "PR-09")),
        (move("BY-1/found", "follows", keeps), stands(9, "PR-07"), stands(9, "PR-09")),
        with_another_probe("BY-1/left", 11),
    )
    assert [one.why for one in order.reasons] == [
        "They follow as-left, for which order K7 7019 keeps the same probe: PR-07 is not to be had any more.",
        "As-left cannot start Mon 2026-03-16 11:00: PR-07 is not to be had any more.",
    ]


def test_the_page_heads_each_order_once_and_counts_operations_and_orders() -> None:
    found = told(with_another_probe("BY-1/found", 9), with_another_probe("BY-1/left", 11))
    page = render_to_string("planning/_plan_told.html", {"one": {"moves": found, "plan": {"cost": {"moved": 2}}}})
    assert page.count("K7 7019") == 1
    assert "(2 operations of 1 order)" in page
    assert page.count("is not to be had any more") == 1
