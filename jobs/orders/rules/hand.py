"""Hand readings: what is no set of pairs either side of the crest, and what looks misread and is asked about."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from analysis.reference.pairs import LEAST_PAIRS, HandPair
from jobs.errors import Reason
from jobs.orders import quantities
from jobs.tooling.models import Instrument

SENSES = {"forward": 1, "reverse": -1}
SCALE_DEG = (Decimal(-360), Decimal(720))
MOST_STEP_DEG = Decimal(10)
MOST_PAIRS = 40
LOOK_AGAIN = "Look again, or confirm the readings."
# A middle this far from the others of its sense, or a crest this far from where it should be, is asked about.
APART_DEG, APART_STEPS, ASTRAY_DEG = 1.0, 4.0, 15.0


@dataclass(frozen=True)
class Pair:
    """One pair as read: the sense, the dial in mm, the pointer before and after the crest in degrees."""

    sense: str
    dial_mm: Decimal
    before_deg: Decimal
    after_deg: Decimal

    @property
    def read(self) -> HandPair:
        return HandPair(float(self.dial_mm), float(self.before_deg), float(self.after_deg), SENSES[self.sense])


@dataclass(frozen=True)
class HandFacts:
    """A set of hand readings as typed, the probe they were read with, and what the frozen spec asks for."""

    pairs: Sequence[Pair]
    angle_step_deg: Decimal
    crest_dial_mm: Decimal | None
    dial_typed: Sequence[str]
    dial_unit: str
    probe: Instrument
    spec: dict[str, Any]


def place(row: int, column: str) -> str:
    """The field of a reason about one value of one pair, counted from 0."""
    return f"pairs.{row}.{column}"


def why_not_hand(facts: HandFacts) -> list[Reason]:
    """What cannot be a set of hand readings at all; each reason at its place."""
    reasons = []
    if not 0 < facts.angle_step_deg <= MOST_STEP_DEG:
        sentence = f"The division of the pointer's scale is more than 0° and at most {MOST_STEP_DEG}°."
        reasons.append(Reason("division", sentence, "angle_step"))
    if len(facts.pairs) > MOST_PAIRS:
        reasons.append(Reason("too-many", f"At most {MOST_PAIRS} pairs are taken at once.", "pairs"))
    reasons += _why_not_enough(facts.pairs)
    for row, pair in enumerate(facts.pairs):
        reasons += _why_not_pair(row, pair)
    return [*reasons, *_why_not_crest(facts)]


def _why_not_enough(pairs: Sequence[Pair]) -> list[Reason]:
    if not pairs:
        sentence = f"Type the readings: at least {LEAST_PAIRS} pairs in a sense, better three in each."
        return [Reason("no-pairs", sentence, "pairs")]
    counts = {sense: sum(pair.sense == sense for pair in pairs) for sense in SENSES}
    return [
        Reason("too-few", f"One pair {_in(sense)} says nothing of its scatter. Read at least {LEAST_PAIRS}.", "pairs")
        for sense, count in counts.items()
        if 0 < count < LEAST_PAIRS
    ]


def _why_not_pair(row: int, pair: Pair) -> list[Reason]:
    low, high = SCALE_DEG
    reasons = [
        Reason("off-the-scale", f"{quantities.plain(angle)}° is on no pointer's scale ({low}° to {high}°).",
               place(row, column))
        for column, angle in (("before", pair.before_deg), ("after", pair.after_deg))
        if not low <= angle <= high
    ]  # fmt: skip
    if not reasons and not pair.read.follows_sense:
        before, after = quantities.plain(pair.before_deg), quantities.plain(pair.after_deg)
        sentence = (
            f"From {before}° to {after}° is not {_in(pair.sense)}. "
            "Forward, the angle after the crest is the greater one; in reverse, the lesser; and they are less than "
            "half a turn apart."
        )
        reasons.append(Reason("against-sense", sentence, place(row, "after")))
    return reasons


def _why_not_crest(facts: HandFacts) -> list[Reason]:
    datum = facts.spec.get("datum")
    kind = datum.get("kind") if isinstance(datum, dict) else None
    if facts.crest_dial_mm is None:
        if kind in (None, "lobe"):
            return []
        sentence = "The datum of this engine is not a symmetric lobe: the dial reading at the crest is needed as well."
        return [Reason("no-crest", sentence, "crest_dial")]
    above = [row for row, pair in enumerate(facts.pairs) if pair.dial_mm >= facts.crest_dial_mm]
    return [
        Reason("above-crest", "The dial reads less either side of the crest than at the crest itself.",
               place(row, "dial"))
        for row in above
    ]  # fmt: skip


def why_doubt(facts: HandFacts) -> list[Reason]:
    """What is possible and yet looks misread: asked about once, and taken when it is confirmed."""
    return [*_of_dials(facts), *_of_middles(facts), *_of_crest(facts)]


def _of_dials(facts: HandFacts) -> list[Reason]:
    """Dial readings outside the range of the probe; in another unit they may lie within."""
    probe = facts.probe
    scale = next((one for one in quantities.scales("mm") if one.unit == probe.range_unit), None)
    if scale is None:
        return []
    low, high = (
        None if end is None else scale.to_stored(Decimal(str(end))) for end in (probe.range_low, probe.range_high)
    )
    reasons = []
    span = quantities.limits_in_words(low, high, "mm")
    for row, (pair, typed) in enumerate(zip(facts.pairs, facts.dial_typed, strict=True)):
        if quantities.within(pair.dial_mm, low, high):
            continue
        other = quantities.suspected_unit(typed, unit=facts.dial_unit, stored_unit="mm", low=low, high=high)
        what = f"{typed.strip()} {facts.dial_unit} is outside what {probe.asset_number} measures ({span})"
        asks = f"; {typed.strip()} {other} is not. {facts.dial_unit} or {other}?" if other else "."
        sentence = f"{what}{asks} {LOOK_AGAIN}"
        reasons.append(Reason("unit-suspicion" if other else "out-of-range", sentence, place(row, "dial")))
    return reasons


def _of_middles(facts: HandFacts) -> list[Reason]:
    """A pair whose middle stands far from the others of its sense."""
    reasons = []
    for sense in SENSES:
        rows = [(row, pair.read.middle_deg) for row, pair in enumerate(facts.pairs) if pair.sense == sense]
        if len(rows) < LEAST_PAIRS:
            continue
        middles = [rows[0][1] + math.remainder(middle - rows[0][1], 360.0) for _, middle in rows]
        usual = statistics.median(middles)
        limit = max(APART_DEG, APART_STEPS * float(facts.angle_step_deg))
        for (row, _), middle in zip(rows, middles, strict=True):
            if abs(middle - usual) > limit:
                sentence = (
                    f"The middle of this pair stands {abs(middle - usual):.1f}° from that of the others {_in(sense)}. "
                    f"{LOOK_AGAIN}"
                )
                reasons.append(Reason("apart", sentence, place(row, "after")))
    return reasons


def _of_crest(facts: HandFacts) -> list[Reason]:
    """A crest far from where it should be: another scale, another lobe, a pointer set wrongly."""
    crest = facts.pairs[0].read.middle_deg
    reference = crest + float(facts.spec.get("crest_to_tdc_deg") or 0.0)
    target = float(facts.spec.get("target_deg") or 0.0)
    off = math.remainder(reference - target, 360.0)
    if abs(off) <= ASTRAY_DEG:
        return []
    sentence = (
        f"By the first pair top dead centre stands {abs(off):.1f}° from its target of {target:g}°. Is it the right "
        "lobe and stroke, and does the pointer stand as the engine type says? "
        f"{LOOK_AGAIN}"
    )
    return [Reason("astray", sentence, "pairs")]


def _in(sense: str) -> str:
    return "in reverse" if sense == "reverse" else "forward"
