"""Issuing a procedure revision."""

from __future__ import annotations

from datetime import datetime

import pytest

from jobs.errors import NotAllowed, WrongPerson
from jobs.ledger.models import Entry
from jobs.orders import actions
from jobs.orders.models import ProcedureRevision
from jobs.people.models import Person, Shop


@pytest.fixture
def draft(procedure_revision: ProcedureRevision) -> ProcedureRevision:
    """A newer revision with one step, not issued yet."""
    newer = ProcedureRevision.objects.create(procedure=procedure_revision.procedure, number=2)
    step = procedure_revision.steps.order_by("position")[0]
    step.pk, step.revision, step.position = None, newer, 1
    step.save(force_insert=True)
    return newer


def test_an_issued_revision_stands_in_the_ledger(
    draft: ProcedureRevision, admin: Person, brackwater: Shop, at: datetime
) -> None:
    actions.issue_procedure(draft, by=admin, at=at, shop=brackwater)
    assert Entry.objects.get(kind="procedure.issued").sentence == f"{draft} issued, 1 steps."


def test_an_issued_revision_is_never_changed(
    draft: ProcedureRevision, admin: Person, brackwater: Shop, at: datetime
) -> None:
    actions.issue_procedure(draft, by=admin, at=at, shop=brackwater)
    draft.change_note = "after the fact"
    with pytest.raises(TypeError, match="never changed"):
        draft.save()


def test_it_is_issued_once(draft: ProcedureRevision, admin: Person, brackwater: Shop, at: datetime) -> None:
    actions.issue_procedure(draft, by=admin, at=at, shop=brackwater)
    with pytest.raises(NotAllowed, match="issued already"):
        actions.issue_procedure(draft, by=admin, at=at, shop=brackwater)


def test_a_gap_in_its_steps_is_refused(
    draft: ProcedureRevision, admin: Person, brackwater: Shop, at: datetime
) -> None:
    draft.steps.update(position=3)
    with pytest.raises(NotAllowed, match="without a gap"):
        actions.issue_procedure(draft, by=admin, at=at, shop=brackwater)


def test_a_planner_may_not_issue(draft: ProcedureRevision, planner: Person, brackwater: Shop, at: datetime) -> None:
    with pytest.raises(WrongPerson):
        actions.issue_procedure(draft, by=planner, at=at, shop=brackwater)
