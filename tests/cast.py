"""The fixed cast of the tests: two shops, their people, a unit with its engine, instruments, orders.

Rows of the rooms below are made directly; a work order goes its way through the actions, as in the shop.
Everybody's password is `PASSWORD`. Qualifications and calibrations of the cast hold for a long time, so
that a page that looks at today finds them in date as well as an action that is given `at`.

The procedure has thirteen steps, of all seven kinds, over all phases; `STEP` names their positions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from jobs.errands import work
from jobs.fleet.models import Engine, EngineType, EngineTypeRevision, Installation, Unit
from jobs.orders.models import Procedure, ProcedureRevision, ProcedureStep, WorkOrder
from jobs.people.models import Person, Qualification, RoleGrant, Shop, Skill
from jobs.tooling.models import Calibration, Instrument
from tests.prepared import prepared

PASSWORD = "ballast-and-blue-flag"
AT = datetime(2026, 3, 16, 8, 20, tzinfo=UTC)
RAILWAY = "Strathlune & Western"
SINCE = date(2020, 1, 1)
IN_DATE = date(2066, 1, 10)

SKILLS = {
    "perform-timing": "Perform a timing job",
    "verify-timing": "Verify a timing job",
    "release-to-service": "Release a unit to service",
    "bar-engine": "Bar an engine",
}
SPEC: dict[str, Any] = {
    "datum": {"kind": "lobe"},
    "crank_per_datum": 2,
    "crest_to_tdc_deg": 0.0,
    "target_deg": 140.0,
    "tolerance_deg": 0.25,
    "index_radius_mm": 250.0,
    "coverage": 0.95,
    "u_encoder_deg": 0.01,
    "u_probe_mm": 0.002,
    "u_geometry_deg": 0.0,
}
# Positions of the procedure's steps.
STEP = {
    "lock-caution": 1,
    "own-lock": 2,
    "pre-use-check": 3,
    "probe-photo": 4,
    "stroke-hold": 5,
    "barring-caution": 6,
    "as-found": 7,
    "clamp-caution": 8,
    "ring-shift": 9,
    "torque": 10,
    "as-left": 11,
    "locks-off": 12,
    "card-read": 13,
}
_FITTER = ("perform-timing", "bar-engine")
BOLTS = ["bolt 1", "bolt 2", "bolt 3", "bolt 4"]


@pytest.fixture
def at() -> datetime:
    """The instant at which everything in a test happens, unless the test says otherwise."""
    return AT


# --- Shops and people ---------------------------------------------------------------------------------


@pytest.fixture
def brackwater(db: None) -> Shop:
    return Shop.objects.create(
        code="BY", name="Brackwater Yard", railway=RAILWAY, time_zone="Europe/London", is_demo=True
    )


@pytest.fixture
def port_ansel(db: None) -> Shop:
    return Shop.objects.create(
        code="PA", name="Port Ansel", railway=RAILWAY, time_zone="Europe/London", is_demo=True
    )


@pytest.fixture
def skills(db: None) -> dict[str, Skill]:
    return {code: Skill.objects.create(code=code, title=title) for code, title in SKILLS.items()}


@pytest.fixture
def hire(skills: dict[str, Skill]) -> Callable[..., Person]:
    """`hire(shop, username, name, roles=(…), skills=(…))`: a person who has held them for years."""

    def make(
        shop: Shop, username: str, name: str, *, roles: Sequence[str] = (), skills_held: Sequence[str] = ()
    ) -> Person:
        person = Person.objects.create_user(username, PASSWORD, name=name, shop=shop)
        for role in roles:
            RoleGrant.objects.create(person=person, role=role, valid_from=SINCE)
        for code in skills_held:
            Qualification.objects.create(
                person=person, skill=skills[code], valid_from=SINCE, valid_until=IN_DATE, evidence="course 12"
            )
        return person

    return make


@pytest.fixture
def planner(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "planner", "Pia Planner", roles=("planner",))


@pytest.fixture
def technician(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "technician", "Tom Turner", roles=("technician",), skills_held=_FITTER)


@pytest.fixture
def technician2(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "technician2", "Tess Tyler", roles=("technician",), skills_held=_FITTER)


@pytest.fixture
def inspector(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "inspector", "Ines Inskip", roles=("inspector",), skills_held=("verify-timing",))


@pytest.fixture
def keeper(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "keeper", "Kit Keeling", roles=("keeper",))


@pytest.fixture
def auditor(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "auditor", "Ada Audley", roles=("auditor",))


@pytest.fixture
def manager(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "manager", "Max Mansell", roles=("manager",), skills_held=("release-to-service",))


@pytest.fixture
def admin(hire: Callable[..., Person], brackwater: Shop) -> Person:
    return hire(brackwater, "admin", "Alex Adair", roles=("administrator",))


@pytest.fixture
def stranger(hire: Callable[..., Person], port_ansel: Shop) -> Person:
    """A technician of the other shop, to whom Brackwater's work does not exist."""
    return hire(port_ansel, "stranger", "Sam Stray", roles=("technician",), skills_held=_FITTER)


@pytest.fixture
def login() -> Callable[[Person], Client]:
    """`login(person)`: a test client signed in as that person."""

    def sign_in(person: Person) -> Client:
        client = Client()
        client.force_login(person, backend="django.contrib.auth.backends.ModelBackend")
        return client

    return sign_in


# --- Unit, engine, instruments ------------------------------------------------------------------------


@pytest.fixture
def unit(brackwater: Shop) -> Unit:
    return Unit.objects.create(number="7012", unit_class="K7", home_shop=brackwater)


@pytest.fixture
def engine_type(db: None) -> EngineType:
    return EngineType.objects.create(code="KV12", title="V12 four-stroke, demo data")


@pytest.fixture
def engine_type_revision(engine_type: EngineType, admin: Person) -> EngineTypeRevision:
    return EngineTypeRevision.objects.create(
        engine_type=engine_type,
        number=1,
        issued_at=AT - timedelta(days=400),
        issued_by=admin,
        cycle=4,
        layout="vee",
        cylinders=12,
        firing_order="A1 B2 A5 B4 A3 B1 A6 B5 A2 B3 A4 B6",
        convention="iso-1204",
        rotation="clockwise",
        viewing_end="driving-end",
        reference_cylinder="A1",
        datum_note="inlet lobe of cylinder A1",
        hysteresis_limit_deg=0.2,
        spec=SPEC,
    )


@pytest.fixture
def engine(engine_type_revision: EngineTypeRevision, unit: Unit) -> Engine:
    """Engine 12-0457, of a type with an issued revision, installed in the unit."""
    engine = Engine.objects.create(serial="12-0457", engine_type=engine_type_revision.engine_type)
    Installation.objects.create(engine=engine, unit=unit, from_on=date(2021, 5, 3))
    return engine


@pytest.fixture
def calibrated(keeper: Person, brackwater: Shop) -> Callable[..., Instrument]:
    """`calibrated(asset_number, kind, valid_until=…, shop=…)`: an instrument with one calibration."""
    def make(
        asset_number: str, kind: str, *, valid_until: date = IN_DATE, shop: Shop = brackwater, **more: Any
    ) -> Instrument:
        instrument = Instrument.objects.create(
            shop=shop, asset_number=asset_number, kind=kind, due_on=valid_until, **more
        )
        Calibration.objects.create(
            instrument=instrument,
            performed_on=date(2026, 1, 10),
            performed_by="Strathlune standards room",
            certificate=f"C-{Calibration.objects.count() + 1:04d}",
            as_found="conforming",
            as_left="conforming",
            valid_until=valid_until,
            recorded_by=keeper,
        )
        return instrument

    return make


@pytest.fixture
def probe(calibrated: Callable[..., Instrument]) -> Instrument:
    return calibrated("PR-07", "probe", range_low=0.0, range_high=12.0, range_unit="mm")


@pytest.fixture
def encoder(calibrated: Callable[..., Instrument]) -> Instrument:
    return calibrated("EN-03", "encoder")


@pytest.fixture
def torque_wrench(calibrated: Callable[..., Instrument]) -> Instrument:
    return calibrated("TW-11", "torque-wrench", range_low=20.0, range_high=200.0, range_unit="N·m")


@pytest.fixture
def check_standard(calibrated: Callable[..., Instrument]) -> Instrument:
    return calibrated("CS-02", "check-standard")


@pytest.fixture
def instruments(
    probe: Instrument, encoder: Instrument, torque_wrench: Instrument, check_standard: Instrument
) -> dict[str, Instrument]:
    """The four calibrated instruments of the shop, by kind."""
    return {one.kind: one for one in (probe, encoder, torque_wrench, check_standard)}


# --- Procedure ----------------------------------------------------------------------------------------

_TIMING, _BARRING, _VERIFY = "perform-timing", "bar-engine", "verify-timing"
_STEPS: tuple[dict[str, Any], ...] = (
    {
        "phase": "make-safe", "kind": "caution", "title": "Cranking disabled and locked", "skill": _TIMING,
        "signal_word": "danger", "hazard": "The engine can turn.", "consequence": "Crushed or cut-off limbs.",
        "avoidance": "Isolate, lock with your own lock, try to start.",
    },
    {"phase": "make-safe", "kind": "confirmation", "title": "Own lock on, wheels secured", "skill": _TIMING},
    {
        "phase": "prepare", "kind": "reading", "title": "Pre-use check of the probe", "skill": _TIMING,
        "quantity": "check standard", "unit": "mm", "low": "9.98", "high": "10.02",
        "instrument_kinds": ["probe", "check-standard"],
    },
    {"phase": "prepare", "kind": "photo", "title": "Probe on the lobe of cylinder A1", "skill": _TIMING},
    {"phase": "prepare", "kind": "hold-point", "title": "Reference cylinder and stroke", "skill": _VERIFY},
    {
        "phase": "as-found", "kind": "caution", "title": "Barring the engine", "skill": _BARRING,
        "signal_word": "warning", "hazard": "Moving parts.", "consequence": "Trapped hands.",
        "avoidance": "Call out before every movement.",
    },
    {
        "phase": "as-found", "kind": "trace", "title": "As-found sweeps", "skill": _BARRING,
        "stage": "as-found", "instrument_kinds": ["probe", "encoder"],
    },
    {
        "phase": "set", "kind": "caution", "title": "Ring clamp under load", "skill": _TIMING,
        "signal_word": "caution", "hazard": "The clamp springs open.", "consequence": "Bruised hands.",
        "avoidance": "Slacken in turns.", "optional_when": "as-found-conforming",
    },
    {
        "phase": "set", "kind": "reading", "title": "Ring shift along the rim", "skill": _TIMING,
        "quantity": "ring shift", "unit": "mm", "low": "-40", "high": "40",
        "optional_when": "as-found-conforming",
    },
    {
        "phase": "set", "kind": "torque", "title": "Clamp bolts", "skill": _TIMING, "quantity": "torque",
        "unit": "N·m", "low": "81", "high": "99", "points": BOLTS, "instrument_kinds": ["torque-wrench"],
        "optional_when": "as-found-conforming",
    },
    {
        "phase": "as-left", "kind": "trace", "title": "As-left sweeps", "skill": _BARRING,
        "stage": "as-left", "instrument_kinds": ["probe", "encoder"],
    },
    {"phase": "restore", "kind": "confirmation", "title": "Locks removed by their owners", "skill": _TIMING},
    {"phase": "close", "kind": "confirmation", "title": "Record read through", "skill": _TIMING},
)  # fmt: skip


@pytest.fixture
def procedure(db: None) -> Procedure:
    return Procedure.objects.create(code="re-time", title="Re-time the engine")


@pytest.fixture
def make_procedure_revision(
    procedure: Procedure, skills: dict[str, Skill], admin: Person
) -> Callable[..., ProcedureRevision]:
    """`make_procedure_revision(number, issued=True)`: a revision with the thirteen steps."""

    def make(number: int, *, issued: bool = True) -> ProcedureRevision:
        revision = ProcedureRevision.objects.create(procedure=procedure, number=number)
        for position, step in enumerate(_STEPS, start=1):
            fields = {**step, "skill": skills[step["skill"]], "planned_minutes": 10}
            ProcedureStep.objects.create(revision=revision, position=position, **fields)
        if issued:
            revision.issued_at, revision.issued_by = AT - timedelta(days=300), admin
            revision.save(update_fields=["issued_at", "issued_by"])
        return revision

    return make


@pytest.fixture
def procedure_revision(make_procedure_revision: Callable[..., ProcedureRevision]) -> ProcedureRevision:
    return make_procedure_revision(1)


# --- Work orders on their way -------------------------------------------------------------------------


@pytest.fixture
@prepared
def requested(
    engine: Engine, unit: Unit, procedure_revision: ProcedureRevision, planner: Person, at: datetime
) -> WorkOrder:
    from jobs.orders import actions

    return actions.request_order(
        unit=unit,
        procedure=procedure_revision.procedure,
        reason="ring-disturbed",
        needed_by=at + timedelta(days=2),
        by=planner,
        at=at,
    )


@pytest.fixture
@prepared
def planned(
    requested: WorkOrder,
    technician: Person,
    inspector: Person,
    planner: Person,
    instruments: dict[str, Instrument],
    at: datetime,
) -> WorkOrder:
    from jobs.orders import actions

    actions.plan_order(
        requested,
        bay="Bay 2",
        planned_start=at,
        planned_end=at + timedelta(hours=8),
        technician=technician,
        inspector=inspector,
        by=planner,
        at=at,
    )
    requested.refresh_from_db()
    return requested


@pytest.fixture
@prepared
def released(planned: WorkOrder, planner: Person, at: datetime) -> WorkOrder:
    from jobs.orders import actions

    actions.release_order(planned, by=planner, at=at)
    planned.refresh_from_db()
    return planned


@pytest.fixture
@prepared
def in_work(released: WorkOrder, technician: Person, at: datetime) -> WorkOrder:
    from jobs.orders import actions

    actions.start_order(released, by=technician, at=at)
    released.refresh_from_db()
    return released


@pytest.fixture
def walk(
    technician: Person, inspector: Person, instruments: dict[str, Instrument], at: datetime
) -> Callable[..., Any]:
    """`walk(order, until="as-found")`: do the steps of an order in work up to, not including, the named one.

    Without `until` all steps are done. See `tests.walking.Walk`.
    """
    from tests.walking import Walk

    return Walk(technician=technician, inspector=inspector, instruments=instruments, at=at)


# --- Errands ------------------------------------------------------------------------------------------


@pytest.fixture
def run_errands() -> Callable[[], int]:
    """`run_errands()`: claim and do every errand that waits, in this process; the number of errands done."""

    def run() -> int:
        return sum(1 for _ in _worked())

    return run


def _worked() -> Iterator[None]:
    for _ in range(1000):
        held = work.claim_next()
        if held is None:
            return
        work.run(held)
        yield
    raise AssertionError("errands do not come to an end: each one asks for another")
