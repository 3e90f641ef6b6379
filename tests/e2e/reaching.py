"""A work order brought to the step that a test is about, over the API, as the people of the demo would."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from shopapp.demo import carry

Step = dict[str, Any]


class Reaching(carry.Carrier):
    """Requests work on a unit and does its steps up to, not including, the one asked for.

    `before` is called with each step and its address before it is done, so that it can be looked at as it is then.
    """

    def __init__(self, url: str, unit: str, before: Callable[[Step, str], None] | None = None) -> None:
        super().__init__(url, lambda line: None)
        self.url, self.unit = url, unit
        self.before = before or (lambda step, address: None)

    def to_step(self, position: int) -> str:
        """The address of the order, in work, with this step the next."""
        planner = self.people["planner"]
        asked = {"unit": self.unit, "procedure": "re-time", "reason": "ring-disturbed"}
        order = planner.post("orders/", asked)
        self._plan(order)
        planner.post(f"orders/{order['id']}/release/")
        self.technician.post(f"orders/{order['id']}/start/")
        order = self.technician.get(f"orders/{order['id']}/")
        address = f"{self.url}/orders/{order['id']}/"
        for place in range(1, position):
            steps = self.technician.get(f"orders/{order['id']}/steps/")
            self.before(steps[place - 1], f"{address}steps/{place}/")
            self._do(order, steps, steps[place - 1])
        return address

    def _record(self, at: str, order: dict[str, Any], steps: list[Step], step: Step) -> None:
        """Hand in a recording that no other order has, of an engine that stands a little too late."""
        spec, seed = order["spec"], int(self.unit[-4:]) * 100 + step["position"]
        data = carry.recording(spec, spec["target_deg"] + carry.FOUND_OFF_BY_DEG, seed=seed)
        sent = self.technician.upload(at + "traces/", "sweeps.csv.gz", data, probe="PR-07", encoder="EN-03")
        self.technician.wait_for(sent["errand"])
        self.technician.post(at + "confirm/")
