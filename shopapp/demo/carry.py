"""Carry one timing job from request to signed card, over HTTP, as the people of the demo railway would.

Whatever was done before stands: each turn asks the server where the job is and does what comes next, so that a
job that was interrupted goes on, and one that is closed is only shown.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.utils import timezone

from analysis import simulate
from shopapp.demo import railway
from shopapp.demo.client import Api

UNIT = "K7 7003"
FOUND_OFF_BY_DEG = 0.9  # where the demo's engine stands before the job; its target is that of its type
NOTES = {
    "Track protection checked": "Road 4, blue flags at both ends, derail D2 locked.",
    "Own lock on each isolating point": "Locks 11 to 14, own.",
    "Every lock removed by its owner": "Locks 11 to 14, own.",
    "Covers off, tools counted in": "3 covers, 14 tools.",
    "Instruments off, tools counted out, covers on": "3 covers, 14 tools.",
    "Reference cylinder and stroke identified": "A1 as painted; both valves shut, fuel lobe up.",
    "Run check": "Started at the second turn, synchronised, pressures as posted.",
}
READINGS = {"probe error on the check standard": "0.004", "travel left": "9.8", "block temperature": "19.5"}
TORQUES = {"Ring clamp, first stage": "40", "Ring clamp, final stage": "95"}
INSTRUMENTS = {"probe": "PR-07", "encoder": "EN-03", "torque-wrench": "TW-21", "check-standard": "CS-02"}


class Carrier:
    """The people of one job, and where it stands."""

    def __init__(self, address: str, say: Callable[[str], None]) -> None:
        names = ("planner", "technician", "inspector", "manager")
        self.people = {name: Api(address, name, railway.PASSWORD) for name in names}
        self.technician = self.people["technician"]
        self.inspector = self.people["inspector"]
        self.say = say

    def carry(self) -> dict[str, Any]:
        """The newest job card of the closed job."""
        order = self._order()
        ways = {
            "requested": self._plan,
            "planned": lambda order: self.people["planner"].post(f"orders/{order['id']}/release/"),
            "released": lambda order: self.technician.post(f"orders/{order['id']}/start/"),
            "in-work": self._work,
            "to-verify": self._verify,
        }
        told = ""
        while order["state"] != "closed":
            if order["state"] != told:
                self.say(f"{order['number']} on unit {order['unit']} is {order['state'].replace('-', ' ')}.")
                told = order["state"]
            ways[order["state"]](order)
            order = self.technician.get(f"orders/{order['id']}/")
        self.say(f"{order['number']} on unit {order['unit']} is closed.")
        return self._card(order)

    def plan_the_rest(self) -> dict[str, Any]:
        """The plan of everything else that is open, asked for and accepted by the planner where none is in force."""
        planner = self.people["planner"]
        accepted = planner.get("plans/?accepted=true&sort=-version")["results"]
        if not accepted:
            asked = planner.post("plannings/", {"why": "The first plan of the demo.", "seconds": 2.0})
            done = planner.wait_for(f"errands/{asked['errand']}/", seconds=300)
            if done["state"] != "done":
                raise RuntimeError(f"the worker made no plan: {done['reason']}")
            found = planner.get(f"plannings/{asked['id']}/")["plans"]
            accepted = [planner.post(f"plans/{found[0]['id']}/accept/")]
        return dict(accepted[0])

    def _order(self) -> dict[str, Any]:
        found = self.technician.get(f"orders/?unit={UNIT.replace(' ', '%20')}&sort=requested_at")["results"]
        kept = [order for order in found if order["state"] != "cancelled"]
        return dict(kept[0])

    def _plan(self, order: dict[str, Any]) -> None:
        start = timezone.now().replace(second=0, microsecond=0)
        self.people["planner"].post(
            f"orders/{order['id']}/plan/",
            {
                "bay": "Bay 2",
                "planned_start": start.isoformat(),
                "planned_end": (start + timedelta(hours=5)).isoformat(),
                "promised_at": (start + timedelta(hours=8)).isoformat(),
                "technician": "technician",
                "inspector": "inspector",
            },
        )

    def _work(self, order: dict[str, Any]) -> None:
        steps = self.technician.get(f"orders/{order['id']}/steps/")
        open_steps = [step for step in steps if step["state"] == "open"]
        if not open_steps:
            self._sign(self.technician, order, "performed")
            return
        self._do(order, steps, open_steps[0])

    def _do(self, order: dict[str, Any], steps: list[dict[str, Any]], step: dict[str, Any]) -> None:
        at = f"orders/{order['id']}/steps/{step['position']}/"
        kind = step["kind"]
        if kind == "caution":
            self.technician.post(at + "acknowledge/")
        elif kind in {"reading", "torque"}:
            self._read(at, steps, step)
        elif kind == "trace":
            self._record(at, order, steps, step)
        elif kind == "photo":
            self.technician.upload(at + "photos/", "ring-and-clamp.png", picture())
            self.technician.post(at + "confirm/")
        elif kind == "hold-point":
            self._acknowledge_before(self.inspector, order, steps, step)
            self._sign(self.inspector, order, "hold-point", step=step["position"])
        else:
            self.technician.post(at + "confirm/", {"note": NOTES.get(step["title"], "")})

    def _acknowledge_before(
        self, person: Api, order: dict[str, Any], steps: list[dict[str, Any]], step: dict[str, Any]
    ) -> None:
        """Whoever joins a phase reads its cautions for themselves."""
        for other in steps:
            if other["kind"] == "caution" and other["phase"] == step["phase"] and other["position"] < step["position"]:
                person.post(f"orders/{order['id']}/steps/{other['position']}/acknowledge/")

    def _read(self, at: str, steps: list[dict[str, Any]], step: dict[str, Any]) -> None:
        value = READINGS.get(step["quantity"]) or TORQUES.get(step["title"]) or f"{self._shift_mm(steps):.1f}"
        named = [INSTRUMENTS[kind] for kind in step["instrument_kinds"]]
        read_already = {reading["point"] for reading in step["readings"]}
        for point in step["points"] or [""]:
            if point in read_already:
                continue
            values = {"point": point, "entered": value, "unit": step["unit"]}
            if named:
                values.update(instrument=named[0], also=named[1:])
            self.technician.post(at + "readings/", values)

    def _result(self, steps: list[dict[str, Any]], stage: str) -> dict[str, Any]:
        (step,) = (step for step in steps if step["kind"] == "trace" and step["stage"] == stage)
        trace = self.technician.get(f"traces/{step['traces'][-1]['id']}/")
        return dict(trace["analyses"][-1]["result"])

    def _shift_mm(self, steps: list[dict[str, Any]]) -> float:
        return float(self._result(steps, "as-found")["correction"]["ring_shift_mm"])

    def _record(
        self, at: str, order: dict[str, Any], steps: list[dict[str, Any]], step: dict[str, Any]
    ) -> None:
        spec = order["spec"]
        reference = spec["target_deg"] + FOUND_OFF_BY_DEG
        if step["stage"] == "as-left":
            # What the engine does when its ring is shifted by the reading above, not what we wish to see.
            reference += math.degrees(round(self._shift_mm(steps), 1) / spec["index_radius_mm"])
        data = recording(spec, reference, seed=7003 + step["position"])
        uploaded = self.technician.upload(
            at + "traces/", f"{UNIT.replace(' ', '-')}-{step['stage']}.csv.gz", data, probe="PR-07", encoder="EN-03"
        )
        done = self.technician.wait_for(uploaded["errand"])
        if done["state"] != "done":
            raise RuntimeError(f"the worker did not analyse the trace: {done['reason']}")
        analysed = self.technician.get(f"traces/{uploaded['id']}/")["latest_analysis"]
        deviation, expanded = analysed["deviation_deg"], analysed["expanded_uncertainty_deg"]
        self.say(f"  {step['stage']}: deviation {deviation:+.4f}° ± {expanded:.4f}°, {analysed['verdict']}.")
        self.technician.post(at + "confirm/")

    def _verify(self, order: dict[str, Any]) -> None:
        signed = {
            signoff["meaning"]
            for signoff in self.technician.get(f"signoffs/?order={order['id']}&is_void=false")["results"]
        }
        if "verified" not in signed:
            self._sign(self.inspector, order, "verified")
        self._sign(self.people["manager"], order, "released")

    def _sign(self, person: Api, order: dict[str, Any], meaning: str, *, step: int | None = None) -> None:
        where = f"?step={step}" if step is not None else ""
        seen = person.get(f"orders/{order['id']}/content/{where}")["content_sha256"]
        values = {"meaning": meaning, "password": railway.PASSWORD, "seen_sha256": seen, "step": step}
        signoff = person.post(f"orders/{order['id']}/signoffs/", values)
        self.say(f"  Signed {meaning.replace('-', ' ')} by {signoff['signer_name']}.")

    def _card(self, order: dict[str, Any]) -> dict[str, Any]:
        cards = self.technician.get(f"cards/?order={order['id']}")["results"]
        if not cards:
            waiting = self.technician.get("errands/?kind=render-card")["results"]
            for errand in waiting:
                self.technician.wait_for(f"errands/{errand['id']}/")
            cards = self.technician.get(f"cards/?order={order['id']}")["results"]
        if not cards:
            raise RuntimeError(f"no job card of {order['number']} was filed; see the errands page")
        return dict(cards[0])


def recording(spec: dict[str, Any], reference_deg: float, *, seed: int) -> bytes:
    """A simulated recording of an engine whose TDC stands at `reference_deg` on the encoder, as .csv.gz."""
    crest = reference_deg - spec.get("crest_to_tdc_deg", 0.0)
    data, _ = simulate.trace(
        seed=seed,
        crest_deg=crest,
        sweeps=4,
        noise_mm=0.003,
        lash_deg=0.06,
        crank_per_datum=spec["crank_per_datum"],
        metadata={"probe": "PR-07", "encoder": "EN-03"},
        packed=True,
    )
    return data


def picture() -> bytes:
    """A small grey PNG with a lighter ring: what the demo has instead of a photo."""
    size = 160
    rows = []
    for y in range(size):
        row = [220 if 50 < math.hypot(x - size / 2, y - size / 2) < 62 else 120 for x in range(size)]
        rows.append(b"\x00" + bytes(row))

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", size, size, 8, 0, 0, 0, 0)
    body = zlib.compress(b"".join(rows), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
