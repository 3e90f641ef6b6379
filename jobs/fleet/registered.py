"""What this room contributes to the history."""

from django.urls import reverse

from jobs.fleet.models import Engine, EngineTypeRevision, Unit
from jobs.ledger import kinds, subjects

subjects.register(
    Unit,
    "Units",
    address=lambda key: reverse("history-of", args=["fleet.unit", key]),
    page=lambda key: reverse("unit", args=[key]),
)
subjects.register(
    Engine,
    "Engines",
    address=lambda key: reverse("history-of", args=["fleet.engine", key]),
    page=lambda key: reverse("engine", args=[key]),
)
subjects.register(
    EngineTypeRevision,
    "Engine type revisions",
    address=lambda key: reverse("history-of", args=["fleet.enginetyperevision", key]),
)

kinds.register("unit.added", "unit added", group="fleet")
kinds.register("engine.added", "engine added", group="fleet")
kinds.register("engine.installed", "engine installed", group="fleet")
kinds.register("engine.removed", "engine removed", group="fleet")
kinds.register("engine-type.issued", "engine type revision issued", group="fleet")
