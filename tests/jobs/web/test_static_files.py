"""Static files and templates: nothing from elsewhere, nothing that the content security policy would stop."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders
from django.template import Context, Template
from weasyprint import HTML

ROOT = Path(__file__).resolve().parents[3]
VENDOR = ROOT / "shopapp" / "static" / "vendor"
PAGES = sorted(path for path in (ROOT / "templates").rglob("*.html") if "job_card" not in path.parts)
OURS = sorted((ROOT / "shopapp" / "static").glob("*.*"))


FOLDERS = sorted(path for path in VENDOR.iterdir() if path.is_dir())


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name)
def test_each_vendored_folder_has_its_licence_and_its_version(folder: Path) -> None:
    assert (folder / "LICENSE").stat().st_size > 200
    assert re.search(rf"\| `{folder.name}` \| `[^`]+` \| \d+\.\d+\.\d+ \|", (VENDOR / "VERSIONS.md").read_text("utf-8"))


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT / "templates")))
def test_a_page_holds_no_inline_script_or_style(page: Path) -> None:
    source = page.read_text(encoding="utf-8")
    assert not re.search(r"\sstyle=|<style|<script(?![^>]*\bsrc=)|\son[a-z]+=[\"']", source)


@pytest.mark.parametrize("path", [*PAGES, *OURS], ids=lambda path: path.name)
def test_nothing_is_fetched_from_elsewhere(path: Path) -> None:
    source = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"(?:src|href|url|import|action)\s*[=(]?\s*[\"']?(?:https?:)?//", source)


def test_what_the_style_sheet_names_is_there() -> None:
    sheet = (ROOT / "shopapp" / "static" / "midflank.css").read_text(encoding="utf-8")
    named = re.findall(r"url\(\"([^\"]+)\"\)", sheet)
    assert len(named) == 4
    assert all(finders.find(name) for name in named)


def test_the_drawings_come_out_of_the_printer() -> None:
    source = (
        '{% load drawn %}<html lang="en"><title>x</title><p>{% interval_mark 5.3 0.04 0.25 "nonconforming" %}</p>'
        '{% timing_circle 140 0.25 "clockwise" "driving end" as_found=found %}'
        '{% title_block identification="BY-1" title="Timing job" %}</html>'
    )
    found = {"deviation_deg": 0.6, "expanded_uncertainty_deg": 0.04, "verdict": "nonconforming"}
    page = Template(source).render(Context({"found": found}))
    with_drawings = HTML(string=page).write_pdf(uncompressed_pdf=True)
    without = HTML(string=re.sub(r"<svg.*?</svg>", "", page, flags=re.S)).write_pdf(uncompressed_pdf=True)
    # The accent blue of the limits, as paths that are stroked; only the drawings have it.
    blue = re.compile(rb"0\.070\d* 0\.25\d* 0\.60\d* (?:RG|SCN)")
    assert blue.search(with_drawings)
    assert not blue.search(without)
    assert len(with_drawings) > len(without)
