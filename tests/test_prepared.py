"""What is laid down again is what was built, and no test finds what another one left (`tests/prepared.py`)."""

from __future__ import annotations

import pickle
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.db import transaction

from jobs.ledger import queries as ledger
from jobs.orders import actions
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests import prepared
from tests.cast import STEP


def everything() -> dict[str, Any]:
    """All rows of all tables, as they are in the database."""
    return {model._meta.label: list(model._base_manager.order_by("pk").values()) for model in apps.get_models()}


@pytest.fixture(autouse=True)
def beginning(db: None, monkeypatch: pytest.MonkeyPatch) -> str:
    """Nothing is kept yet, and the database can be taken back to here."""
    monkeypatch.setattr(prepared, "KEPT", {})
    return transaction.savepoint()


def test_what_is_laid_is_what_was_built(in_work: WorkOrder, beginning: str) -> None:
    (kept,) = prepared.KEPT.values()
    built = everything()
    transaction.savepoint_rollback(beginning)
    assert not WorkOrder.objects.exists()
    prepared._lay(kept)
    assert everything() == built
    assert built["orders.WorkOrder"][0]["state"] == "in-work"
    assert ledger.verify("BY").holds


def test_what_a_test_does_is_not_kept(in_work: WorkOrder, beginning: str, planner: Person, at: datetime) -> None:
    (kept,) = prepared.KEPT.values()
    built = everything()
    actions.hold_order(in_work, reason="no crane", by=planner, at=at)
    assert everything() != built
    transaction.savepoint_rollback(beginning)
    prepared._lay(kept)
    assert everything() == built


@pytest.mark.parametrize("turn", ["built", "laid"])
def test_objects_stand_to_each_other_as_they_were_built(
    turn: str,
    in_work: WorkOrder,
    released: WorkOrder,
    technician: Person,
    probe: Instrument,
    instruments: dict[str, Instrument],
) -> None:
    fixtures = {"in_work": in_work, "released": released, "probe": probe, "instruments": instruments}
    if turn == "laid":
        (kept,) = prepared.KEPT.values()
        fixtures = pickle.loads(kept.values)
    order = fixtures["in_work"]
    assert order is fixtures["released"]
    assert order == in_work
    assert order.technician == technician
    assert fixtures["instruments"]["probe"] is fixtures["probe"]
    assert order.steps.count() == len(STEP)


def test_files_are_laid_as_they_were(tmp_path: Any, settings: Any, beginning: str) -> None:
    settings.CARD_DIR = tmp_path
    name, content = Path("ab/abc"), b"a card"
    kept = prepared.Kept([], [("CARD_DIR", name, content, 0o440)], pickle.dumps({}))
    prepared._lay(kept)
    (tmp_path / name).chmod(0o640)
    (tmp_path / name).write_bytes(b"altered")
    prepared._lay(kept)
    assert (tmp_path / name).read_bytes() == content
    assert (tmp_path / name).stat().st_mode & 0o777 == 0o440
