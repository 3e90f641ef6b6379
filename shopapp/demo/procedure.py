"""The demo procedure for re-timing an engine. All figures are made up for the demo, plausible, and no maker's.

Each step is (phase, kind, title, instruction, further fields). Local rules, the maker's manual and authorised
practice come before any of it.
"""

from __future__ import annotations

from typing import Any

Step = tuple[str, str, str, str, dict[str, Any]]


def caution(phase: str, word: str, title: str, hazard: str, consequence: str, avoidance: str) -> Step:
    fields = {"signal_word": word, "hazard": hazard, "consequence": consequence, "avoidance": avoidance}
    return (phase, "caution", title, "", fields)


STEPS: list[Step] = [
    caution(
        "make-safe",
        "danger",
        "People near a unit that can move",
        "The unit can be moved or struck while people are on, under or between it.",
        "Anyone there will be crushed.",
        "Track protection stands, is locked, and was put up by your own group. Wheels are secured.",
    ),
    caution(
        "make-safe",
        "danger",
        "Engine that can crank or start",
        "Stored energy in batteries, air and fuel can crank or start the engine.",
        "Hands in the gear will be lost; people will be killed.",
        "Isolate, lock with your own lock, release what is stored, and try that it stays dead.",
    ),
    ("make-safe", "confirmation", "Track protection checked",
     "Walk to each signal and each locked switch or derail. Write down track and signals.", {"planned_minutes": 10}),
    ("make-safe", "confirmation", "Own lock on each isolating point",
     "Battery, starting, fuel rack and air. Each person fits their own lock. Write down the lock numbers.",
     {"planned_minutes": 10}),
    ("make-safe", "confirmation", "Isolation tried",
     "Try to start from the stand; nothing may answer. Return the switch to off.", {"planned_minutes": 5}),
    caution(
        "prepare",
        "warning",
        "Hot parts and oil",
        "Exhaust parts and oil stay hot long after shut-down.",
        "Touching them could burn you severely.",
        "Let them cool, wear gloves and sleeves, test before you touch.",
    ),
    ("prepare", "confirmation", "Reference cylinder and stroke identified",
     "Name the cylinder as painted on the engine, seen from the end the card states. Prove the stroke by the valves "
     "or the fuel lobe: a piston alone does not tell it from the one 360° away.", {"planned_minutes": 10}),
    ("prepare", "confirmation", "Rotation sense agreed",
     "Normal rotation and the end it is seen from, as on the card. Bar a few degrees and watch the encoder count up.",
     {"planned_minutes": 5}),
    ("prepare", "reading", "Probe against the check standard",
     "Read the check standard with the probe as fitted. The reading is the probe's error.",
     {"quantity": "probe error on the check standard", "unit": "mm", "low": "-0.0200", "high": "0.0200",
      "instrument_kinds": ["probe", "check-standard"], "planned_minutes": 5}),
    ("prepare", "reading", "Probe travel left at the crest",
     "Bar to the crest. The travel left must not be used up on either side.",
     {"quantity": "travel left", "unit": "mm", "low": "1.0000", "high": "20.0000",
      "instrument_kinds": ["probe"], "planned_minutes": 5}),
    ("prepare", "reading", "Block temperature",
     "At the probe. Wait until the engine is near the shop's temperature and even.",
     {"quantity": "block temperature", "unit": "°C", "low": "5.0000", "high": "45.0000", "planned_minutes": 5}),
    ("prepare", "confirmation", "Covers off, tools counted in",
     "Write down how many tools and which covers.", {"planned_minutes": 10}),
    caution(
        "as-found",
        "danger",
        "Barring with hands in the engine",
        "The barring drive turns every gear, cam and rod of the engine.",
        "A hand or sleeve in it will be drawn in.",
        "Everyone stands clear and answers by name before the drive moves. One person bars and watches.",
    ),
    caution(
        "as-found",
        "notice",
        "Barring the wrong way",
        "Some valve gear and pumps do not stand being turned against their rotation with the parts off.",
        "The engine would be damaged.",
        "Read the maker's manual for this engine before barring in reverse.",
    ),
    ("as-found", "trace", "As-found trace",
     "Bar forward past the crest, then back over it, at least once each. Record from rest to rest.",
     {"stage": "as-found", "instrument_kinds": ["probe", "encoder"], "planned_minutes": 30}),
    ("as-found", "hold-point", "Second look at the as-found verdict",
     "The inspector reads trace, verdict and correction before anything is loosened.",
     {"skill": "verify-timing", "planned_minutes": 10}),
    caution(
        "set",
        "warning",
        "Torque wrench that slips",
        "A socket or wrench that slips at full torque throws you.",
        "You could be badly hurt by the fall or by what you strike.",
        "Stand so that a slip throws you nowhere. Pull, do not push. Guards on before you lean.",
    ),
    ("set", "reading", "Index ring shifted",
     "Slacken the clamp, shift the ring by the stated correction along its rim, hold it there. Positive is in the "
     "sense of rotation.",
     {"quantity": "ring shift", "unit": "mm", "low": "-25.0000", "high": "25.0000",
      "optional_when": "as-found-conforming", "planned_minutes": 20}),
    ("set", "torque", "Ring clamp, first stage",
     "In the pattern of the manual.",
     {"quantity": "torque", "unit": "N·m", "low": "38.0000", "high": "42.0000",
      "points": ["bolt 1", "bolt 2", "bolt 3", "bolt 4", "bolt 5", "bolt 6"],
      "instrument_kinds": ["torque-wrench"], "optional_when": "as-found-conforming", "planned_minutes": 10}),
    ("set", "torque", "Ring clamp, final stage",
     "In the pattern of the manual.",
     {"quantity": "torque", "unit": "N·m", "low": "92.0000", "high": "98.0000",
      "points": ["bolt 1", "bolt 2", "bolt 3", "bolt 4", "bolt 5", "bolt 6"],
      "instrument_kinds": ["torque-wrench"], "optional_when": "as-found-conforming", "planned_minutes": 15}),
    ("set", "photo", "Ring and clamp after the final stage",
     "One picture that shows the marks on ring and hub, and every bolt.",
     {"optional_when": "as-found-conforming", "planned_minutes": 5}),
    caution(
        "as-left",
        "danger",
        "Barring with hands in the engine",
        "The barring drive turns every gear, cam and rod of the engine.",
        "A hand or sleeve in it will be drawn in.",
        "Everyone stands clear and answers by name before the drive moves. One person bars and watches.",
    ),
    ("as-left", "trace", "As-left trace",
     "With every bolt tight: bar two whole turns, then record forward and back over the crest as before.",
     {"stage": "as-left", "instrument_kinds": ["probe", "encoder"], "optional_when": "as-found-conforming",
      "planned_minutes": 30}),
    ("restore", "confirmation", "Instruments off, tools counted out, covers on",
     "The counts must be those written down when the covers came off.", {"planned_minutes": 20}),
    caution(
        "restore",
        "danger",
        "Locks coming off",
        "Once the locks are off the engine can crank or start.",
        "Anyone still in it will be killed.",
        "Call everyone out by name. Each owner removes their own lock, nobody else's.",
    ),
    ("restore", "confirmation", "Every lock removed by its owner",
     "Write down the lock numbers again. Barring drive disengaged and its cover on.", {"planned_minutes": 10}),
    ("close", "confirmation", "Run check",
     "By an authorised person: start, watch pressures, temperatures and synchronisation. Write down what was seen.",
     {"planned_minutes": 30}),
]  # fmt: skip
