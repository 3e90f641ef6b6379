"""The history over the API, as an auditor takes it out."""

from __future__ import annotations

from typing import Any

import pytest
import rfc8785

from jobs.ledger.chain import leaf_hash
from jobs.orders.models import WorkOrder
from tests.api.conftest import Caller, assert_problem


def test_an_entry_carries_the_bytes_that_its_hash_is_of(as_auditor: Caller, in_work: WorkOrder) -> None:
    for entry in as_auditor.read("history/").json()["results"]:
        assert leaf_hash(entry["body"].encode()) == entry["hash"]
        assert rfc8785.dumps(entry["recorded"]).decode() in entry["body"]


def test_an_entry_is_found_by_its_number(as_auditor: Caller, in_work: WorkOrder) -> None:
    entry = as_auditor.read("history/1/").json()
    assert (entry["kind"], entry["title"], entry["group"]) == ("order.requested", "work order requested", "order")
    assert {"type": "orders.workorder", "key": str(in_work.pk), "address": f"/orders/{in_work.pk}/"} in entry["about"]


def test_the_history_of_one_thing_is_a_part_of_it(as_auditor: Caller, in_work: WorkOrder) -> None:
    found = as_auditor.read(f"history/fleet.unit/{in_work.unit_id}/", kind="order.released").json()
    assert [entry["kind"] for entry in found["results"]] == ["order.released"]
    assert_problem(as_auditor.read("history/fleet.unit/999/"), 404)
    assert_problem(as_auditor.read("history/no.noun/1/"), 404)


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ({"group": "order"}, 4),
        ({"group": "signoff"}, 0),
        ({"until_day": "2026-03-15"}, 0),
        ({"from_day": "2026-03-16", "until_day": "2026-03-16"}, 4),
        ({"at_before": "2026-03-16T08:20:00Z"}, 0),
        ({"who": "turner"}, 1),
    ],
)
def test_entries_are_filtered_as_on_the_page(
    as_auditor: Caller, in_work: WorkOrder, query: dict[str, Any], count: int
) -> None:
    assert as_auditor.read("history/", **query).json()["count"] == count


def test_the_chain_is_verified_on_request(as_auditor: Caller, in_work: WorkOrder) -> None:
    found = as_auditor.read("history/verification/").json()
    assert (found["chain"], found["size"], found["holds"], found["broken"]) == ("BY", 4, True, [])


def test_a_technician_does_not_read_the_history(as_technician: Caller, in_work: WorkOrder) -> None:
    for path in ("history/", "history/1/", "history/verification/", f"history/orders.workorder/{in_work.pk}/"):
        assert_problem(as_technician.read(path), 403)


def test_the_other_shop_has_its_own_history(as_stranger: Caller, in_work: WorkOrder, stranger: Any) -> None:
    from jobs.people.models import RoleGrant

    RoleGrant.objects.create(person=stranger, role="auditor", valid_from="2020-01-01")
    assert as_stranger.read("history/").json()["count"] == 0
    assert_problem(as_stranger.read(f"history/orders.workorder/{in_work.pk}/"), 404)
