"""The pictures of docs/method.md are what the code draws."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from docs.figures import FOLDER, PICTURES

NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
LAST_DIGITS = 0.25        # of a unit of the picture: another machine's arithmetic may round the other way
LARGEST_BYTES = 100_000


def numbers(text: str) -> list[float]:
    return [float(one) for one in NUMBER.findall(text)]


@pytest.mark.parametrize("name", [pytest.param(name, marks=pytest.mark.slow if name == "coverage" else ())
                                  for name in PICTURES])
def test_a_picture_is_drawn_again_as_it_stands(name: str) -> None:
    kept = Path(FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    drawn = PICTURES[name]().text()
    assert NUMBER.sub("#", drawn) == NUMBER.sub("#", kept)
    assert max(abs(a - b) for a, b in zip(numbers(drawn), numbers(kept), strict=True)) <= LAST_DIGITS
    assert len(kept.encode()) < LARGEST_BYTES
    ElementTree.fromstring(kept)


def test_every_picture_is_shown_in_the_method() -> None:
    text = (FOLDER.parent / "method.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"figures/(\w+)\.svg", text))
    assert shown == set(PICTURES) == {path.stem for path in FOLDER.glob("*.svg")}
