"""The Strathlune & Western, a freight railway that does not exist: shops, people, fleet, instruments."""

from __future__ import annotations

import math
from typing import Any

RAILWAY = "Strathlune & Western"
SHOPS = [("BY", "Brackwater Yard"), ("PA", "Port Ansel")]
TIME_ZONE = "Europe/London"
PASSWORD = "brackwater-demo"

# username, name, shop, role, skills
PEOPLE: list[tuple[str, str, str, str, list[str]]] = [
    ("planner", "Morag Tillery", "BY", "planner", []),
    ("technician", "Callum Strand", "BY", "technician", ["perform-timing", "bar-engine"]),
    ("technician2", "Una Farrow", "BY", "technician", ["perform-timing", "bar-engine"]),
    ("technician3", "Ewan Lockhart", "BY", "technician", ["perform-timing", "bar-engine"]),
    ("technician4", "Nessa Birch", "BY", "technician", ["perform-timing", "bar-engine"]),
    ("inspector", "Petra Voss", "BY", "inspector", ["perform-timing", "verify-timing"]),
    ("inspector2", "Aldous Finch", "BY", "inspector", ["perform-timing", "verify-timing"]),
    ("keeper", "Idris Quill", "BY", "keeper", []),
    ("auditor", "Hanne Brook", "BY", "auditor", []),
    ("manager", "Gareth Lowe", "BY", "manager", ["release-to-service"]),
    ("admin", "Sable Winter", "BY", "administrator", []),
    ("ansel-planner", "Rhona Keel", "PA", "planner", []),
    ("ansel-technician", "Tobias Wend", "PA", "technician", ["perform-timing", "bar-engine"]),
    ("ansel-technician2", "Brid Halloran", "PA", "technician", ["perform-timing", "bar-engine"]),
    ("ansel-inspector", "Maren Oake", "PA", "inspector", ["perform-timing", "verify-timing"]),
]
SKILLS = [
    ("perform-timing", "Performing timing jobs"),
    ("verify-timing", "Verifying timing jobs"),
    ("release-to-service", "Releasing units to service"),
    ("bar-engine", "Barring engines"),
]


def trial_lobe_profile() -> list[list[float]]:
    """An asymmetric fuel lobe, steep up and slow down: lift in mm against datum degrees, zero at the crest."""

    def lift(angle: float) -> float:
        width = 38.0 if angle < 0 else 55.0
        return 0.0 if abs(angle) >= width else 14.5 * math.cos(math.pi * angle / (2 * width)) ** 3

    return [[angle / 2, round(lift(angle / 2), 6)] for angle in range(-130, 141)]


ENGINE_TYPES: list[dict[str, Any]] = [
    {
        "code": "KV12",
        "title": "Four-stroke V12 of class K7",
        "cycle": 4,
        "layout": "vee",
        "cylinders": 12,
        "firing_order": "A1 B6 A5 B2 A3 B4 A6 B1 A2 B5 A4 B3",
        "convention": "iso-1204",
        "rotation": "clockwise",
        "viewing_end": "driving-end",
        "reference_cylinder": "A1",
        "datum_note": "Symmetric fuel lobe of A1, probe through the inspection cover of bank A",
        "hysteresis_limit_deg": 0.35,
        "spec": {
            "datum": {"kind": "lobe"},
            "crank_per_datum": 2,
            "crest_to_tdc_deg": -11.5,
            "target_deg": 42.0,
            "tolerance_deg": 0.25,
            "index_radius_mm": 310.0,
            "coverage": 0.95,
            "u_encoder_deg": 0.008,
            "u_geometry_deg": 0.012,
        },
    },
    {
        "code": "RL8",
        "title": "Two-stroke in-line eight of class R4",
        "cycle": 2,
        "layout": "in-line",
        "cylinders": 8,
        "firing_order": "1 8 3 6 4 5 2 7",
        "convention": "maker",
        "rotation": "anticlockwise",
        "viewing_end": "free-end",
        "reference_cylinder": "1",
        "datum_note": "Symmetric exhaust lobe of cylinder 1",
        "hysteresis_limit_deg": 0.4,
        "spec": {
            "datum": {"kind": "lobe"},
            "crank_per_datum": 1,
            "crest_to_tdc_deg": 118.0,
            "target_deg": 0.0,
            "tolerance_deg": 0.5,
            "index_radius_mm": 255.0,
            "coverage": 0.95,
            "u_encoder_deg": 0.01,
            "u_geometry_deg": 0.02,
        },
    },
    {
        "code": "KV16",
        "title": "Four-stroke V16 with an asymmetric fuel lobe, on trial",
        "cycle": 4,
        "layout": "vee",
        "cylinders": 16,
        "firing_order": "A1 B8 A3 B6 A7 B2 A5 B4 A8 B1 A6 B3 A2 B7 A4 B5",
        "convention": "iso-1204",
        "rotation": "clockwise",
        "viewing_end": "driving-end",
        "reference_cylinder": "A1",
        "datum_note": "Fuel lobe of A1, steep side first",
        "hysteresis_limit_deg": 0.35,
        "spec": {
            "datum": {"kind": "lobe-profile", "profile": trial_lobe_profile()},
            "crank_per_datum": 2,
            "crest_to_tdc_deg": -9.0,
            "target_deg": 36.0,
            "tolerance_deg": 0.25,
            "index_radius_mm": 330.0,
            "coverage": 0.95,
            "u_encoder_deg": 0.008,
            "u_geometry_deg": 0.012,
        },
    },
    {
        "code": "KV12-L",
        "title": "Four-stroke V12 with link rods on bank B, of class K7",
        "cycle": 4,
        "layout": "vee",
        "cylinders": 12,
        "firing_order": "A1 B6 A5 B2 A3 B4 A6 B1 A2 B5 A4 B3",
        "convention": "iso-1204",
        "rotation": "clockwise",
        "viewing_end": "driving-end",
        "reference_cylinder": "B1",
        "datum_note": "Piston of B1 on its link rod, probe through the injector bore",
        "hysteresis_limit_deg": 0.35,
        "spec": {
            "datum": {
                "kind": "link-rod", "crank_radius_mm": 130.0, "rod_length_mm": 520.0, "link_length_mm": 370.0,
                "pin_radius_mm": 150.0, "pin_angle_deg": 50.0, "bank_angle_deg": 50.0,
            },
            "crank_per_datum": 1,
            "target_deg": 50.0,
            "tolerance_deg": 0.3,
            "index_radius_mm": 310.0,
            "coverage": 0.95,
            "u_encoder_deg": 0.008,
            "u_probe_mm": 0.003,
            "u_geometry_deg": 0.02,
        },
    },
]

# Units with an engine of another type than the rest of their class.
OTHER_ENGINES = {7024: "KV12-L", 7038: "KV16"}

# asset number, kind, shop, range, unit, last calibration this many days ago, valid for this many days
INSTRUMENTS: list[tuple[str, str, str, tuple[float, float], str, int, int]] = [
    ("PR-07", "probe", "BY", (0.0, 30.0), "mm", 40, 182),
    ("PR-09", "probe", "BY", (0.0, 30.0), "mm", 170, 182),
    ("PR-11", "probe", "BY", (0.0, 50.0), "mm", 215, 182),
    ("EN-03", "encoder", "BY", (0.0, 360.0), "deg", 61, 365),
    ("EN-04", "encoder", "BY", (0.0, 360.0), "deg", 358, 365),
    ("TW-21", "torque-wrench", "BY", (20.0, 120.0), "N·m", 33, 182),
    ("TW-22", "torque-wrench", "BY", (80.0, 400.0), "N·m", 12, 182),
    ("CS-02", "check-standard", "BY", (0.0, 30.0), "mm", 110, 730),
    ("SL-14", "sling", "BY", (0.0, 2000.0), "kg", 25, 365),
    ("PR-31", "probe", "PA", (0.0, 30.0), "mm", 50, 182),
    ("EN-32", "encoder", "PA", (0.0, 360.0), "deg", 50, 365),
    ("TW-33", "torque-wrench", "PA", (20.0, 120.0), "N·m", 50, 182),
    ("CS-34", "check-standard", "PA", (0.0, 30.0), "mm", 50, 730),
]


def units() -> list[tuple[str, str, str, str]]:
    """(running number, class, home shop, engine type) of every unit of the railway."""
    rows = []
    for number in range(7001, 7039):
        engine_type = OTHER_ENGINES.get(number, "KV12")
        rows.append((f"K7 {number}", "K7", "BY" if number <= 7024 else "PA", engine_type))
    rows += [(f"R4 {number}", "R4", "PA" if number <= 4106 else "BY", "RL8") for number in range(4101, 4117)]
    return rows
