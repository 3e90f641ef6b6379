from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from io import BytesIO
from typing import Any

import pytest

from analysis import simulate
from jobs.orders import actions
from jobs.orders.models import Trace, WorkOrder
from jobs.people.models import Person, Shop
from jobs.signoffs import keys
from jobs.tooling.models import Instrument
from tests.cast import STEP
from tests.faults.processes import Processes, processes_on
from tests.floor import Floor
from tests.walking import Walk

# Not skipped in silence: the run on PostgreSQL and Redis, part of `.ci/run`, collects it.
collect_ignore = [] if os.environ.get("REDIS_URL") else ["test_broker.py"]


@pytest.fixture
def processes(floor: Floor) -> Iterator[Processes]:
    with processes_on(floor) as running:
        yield running


@pytest.fixture
def reached(floor: Floor, in_work: WorkOrder, walk: Walk) -> WorkOrder:
    """An order in work whose next step takes the as-found trace, on data that other processes share."""
    return walk(in_work, until="as-found")


@pytest.fixture
def hand_in(
    reached: WorkOrder, technician: Person, probe: Instrument, encoder: Instrument, at: datetime
) -> Callable[[int], Trace]:
    """`hand_in(seed)`: hand in a real recording at the as-found step."""

    def give(seed: int) -> Trace:
        content, _ = simulate.trace(seed=seed, crest_deg=141.0, sweeps=2)
        trace, _ = actions.upload_trace(
            reached.steps.get(position=STEP["as-found"]),
            file=BytesIO(content),
            filename=f"sweep-{seed}.csv.gz",
            probe=probe,
            encoder=encoder,
            by=technician,
            at=at,
        )
        return trace

    return give


@pytest.fixture
def signing_key(floor: Floor, brackwater: Shop, settings: Any) -> None:
    """A demo key of the shop, where the processes look for it too."""
    places = {
        "SIGNING_P12": str(floor.folder / "{shop}.p12"),
        "SIGNING_PASSPHRASE_FILE": str(floor.folder / "passphrase"),
        "SIGNING_PASSPHRASE": "",
    }
    for name, value in places.items():
        setattr(settings, name, value)
        floor.environ[f"MIDFLANK_{name}"] = value
    keys.make_demo_key(brackwater, now=datetime.now(UTC))
