"""Text stands out from its ground by at least 7:1 by day, by night and on paper; lines by 3:1 (WCAG 2.2)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

SHEET = Path(__file__).resolve().parents[3] / "shopapp" / "static" / "midflank.css"
SCHEMES = {
    "light": r"^:root \{(.*?)^\}",
    "dark": r"scheme: dark\) \{\s*:root \{(.*?)\}",
    "print": r"@media print \{\s*:root \{(.*?)\}",
}
TEXT = [
    *[(text, ground) for text in ("ink", "quiet", "accent") for ground in ("ground", "tint")],
    *[(text, "zone") for text in ("ink", "accent")],
    *[(f"on-{ground}", ground) for ground in ("accent", "danger", "warning", "caution", "notice")],
]
LINES = [("edge", "ground"), ("edge", "tint"), ("accent", "ground"), ("quiet", "ground")]


def palette(scheme: str) -> dict[str, str]:
    """Custom properties that hold in a scheme: those of :root, and what the scheme changes."""
    sheet = re.sub(r"/\*.*?\*/", "", SHEET.read_text(encoding="utf-8"), flags=re.S)
    found: dict[str, str] = {}
    for name in ("light", scheme):
        match = re.search(SCHEMES[name], sheet, flags=re.S | re.M)
        assert match, f"no custom properties for {name}"
        found |= dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6});", match[1]))
    return found


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2, from 0 to 1."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_black_on_white_is_the_known_ratio() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize(("text", "ground"), TEXT)
def test_text_can_be_read(scheme: str, text: str, ground: str) -> None:
    colours = palette(scheme)
    assert contrast(colours[text], colours[ground]) >= 7


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize(("line", "ground"), LINES)
def test_lines_can_be_seen(scheme: str, line: str, ground: str) -> None:
    colours = palette(scheme)
    assert contrast(colours[line], colours[ground]) >= 3


def test_each_scheme_has_colours_of_its_own() -> None:
    assert palette("light")["ground"] != palette("dark")["ground"] != palette("print")["ground"]


def test_safety_colours_are_used_for_safety_messages_only() -> None:
    sheet = SHEET.read_text(encoding="utf-8")
    users = [line for line in sheet.splitlines() if re.search(r"var\(--(on-)?(danger|warning|caution|notice)\)", line)]
    assert len(users) == 4
    assert all(line.startswith(".caution[data-level=") for line in users)


def test_no_colour_is_written_outside_the_custom_properties() -> None:
    sheet = re.sub(r"/\*.*?\*/", "", SHEET.read_text(encoding="utf-8"), flags=re.S)
    rules = re.sub(r":root \{.*?\}", "", sheet, flags=re.S)
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b", rules)
