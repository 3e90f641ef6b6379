from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import analysis
from analysis import simulate
from jobs.orders import actions as orders
from jobs.orders import queries, storage
from jobs.orders.models import Analysis, OrderStep, WorkOrder
from jobs.people.models import Person, Shop
from jobs.signoffs import actions, keys
from jobs.signoffs.models import JobCard, SignOff
from tests.cast import PASSWORD, SPEC, STEP
from tests.prepared import prepared
from tests.walking import Walk

Sign = Callable[..., SignOff]


@pytest.fixture
def sign(at: datetime) -> Sign:
    """`sign(order, meaning, by=person, step=…)`: sign with the right password, as of the usual instant."""

    def make(order: WorkOrder, meaning: str, *, by: Person, **more: Any) -> SignOff:
        fields = {"password": PASSWORD, "at": at, **more}
        signoff = actions.sign(order, meaning=meaning, by=by, **fields)
        order.refresh_from_db()
        return signoff

    return make


@pytest.fixture
@prepared
def at_hold_point(in_work: WorkOrder, walk: Walk) -> WorkOrder:
    """An order in work whose next step is its hold point."""
    return walk(in_work, until="stroke-hold")


@pytest.fixture
def hold_step(at_hold_point: WorkOrder) -> OrderStep:
    return at_hold_point.steps.get(position=STEP["stroke-hold"])


@pytest.fixture
@prepared
def past_hold_point(at_hold_point: WorkOrder, hold_step: OrderStep, sign: Sign, inspector: Person) -> WorkOrder:
    sign(at_hold_point, "hold-point", by=inspector, step=hold_step)
    return at_hold_point


@pytest.fixture
@prepared
def all_done(past_hold_point: WorkOrder, walk: Walk) -> WorkOrder:
    """An order in work with every step done and its hold point signed."""
    return walk(past_hold_point)


@pytest.fixture
@prepared
def performed(all_done: WorkOrder, sign: Sign, technician: Person) -> WorkOrder:
    sign(all_done, "performed", by=technician)
    return all_done


@pytest.fixture
@prepared
def verified(performed: WorkOrder, sign: Sign, inspector: Person) -> WorkOrder:
    sign(performed, "verified", by=inspector)
    return performed


@pytest.fixture
@prepared
def closed(verified: WorkOrder, sign: Sign, manager: Person) -> WorkOrder:
    sign(verified, "released", by=manager)
    return verified


@pytest.fixture(scope="session")
def _keys_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("keys")


@pytest.fixture
def signing_key(_keys_folder: Path, brackwater: Shop, settings: Any) -> Path:
    """A demo signing key for Brackwater, made once for the session: two RSA keys take their time."""
    settings.SIGNING_P12 = str(_keys_folder / "{shop}.p12")
    settings.SIGNING_PASSPHRASE_FILE = str(_keys_folder / "passphrase")
    settings.SIGNING_PASSPHRASE = ""
    return keys.make_demo_key(brackwater, now=datetime.now(UTC))


@pytest.fixture
@prepared
def filed(closed: WorkOrder, signing_key: Path, run_errands: Callable[[], int]) -> JobCard:
    """The job card that closing an order asked for, rendered and filed by a worker."""
    assert run_errands() == 1
    return JobCard.objects.get(work_order=closed)


@pytest.fixture
def measure(walk: Walk) -> Callable[..., Analysis]:
    """`measure(order, crest_deg)`: hand in a recorded sweep at the current step and really analyse it."""

    def give(order: WorkOrder, crest_deg: float) -> Analysis:
        step = queries.current_step(order)
        assert step is not None
        data, _ = simulate.trace(seed=step.position, packed=False, crest_deg=crest_deg, sweeps=4)
        storage.traces().keep([data])
        trace = walk.give_trace(step, data)
        result = analysis.analyse(data, SPEC)
        found = Analysis.objects.create(
            trace=trace,
            number=1,
            outcome="result",
            verdict=result["verdict"],
            reference_deg=result["reference_deg"],
            deviation_deg=result["deviation_deg"],
            expanded_uncertainty_deg=result["expanded_uncertainty_deg"],
            hysteresis_deg=result["hysteresis_deg"],
            result=result,
            spec=SPEC,
            spec_sha256="0" * 64,
            calibrations={},
            analysis_version=analysis.__version__,
            input_sha256=f"{step.position:064d}",
            made_at=walk.at,
        )
        orders.confirm_step(step, by=walk.technician, at=walk.at)
        return found

    return give
