"""The specimen page in a real browser: every component, by day and by night, on tablet, desk and phone."""

from __future__ import annotations

import json
import os
import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.test import Client, RequestFactory
from playwright.sync_api import Browser, Page, Route, expect, sync_playwright

from shopapp import handlers
from tests.tools import tool

AXE = Path(__file__).resolve().parents[2] / "vendor" / "axe-core" / "axe.min.js"
CHROMIUM = os.environ.get("MIDFLANK_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
HOME = "http://127.0.0.1:8999"  # nobody listens there: every request is answered by the route below
SIZES = {"tablet": (768, 1024), "landscape": (1280, 800), "desk": (1600, 1000), "phone": (390, 844)}
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

pytestmark = [pytest.mark.browser, pytest.mark.urls("tests.jobs.web.specimen_urls")]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    assert Path(CHROMIUM).exists(), f"{CHROMIUM} is not there; install chromium or name it in MIDFLANK_CHROMIUM."
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


class Shown:
    """The specimen, opened in a page whose requests the Django test client answers."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda message: self.complaints.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))


def answer(route: Route, shown: Shown) -> None:
    from django.contrib.staticfiles import finders

    path = route.request.url.removeprefix(HOME)
    shown.asked.append(path)
    if path.startswith("/static/"):
        found = finders.find(path.removeprefix("/static/").partition("?")[0])
        route.fulfill(path=str(found)) if found else route.fulfill(status=404)
        return
    if path.startswith("/errands/"):  # the specimen's errands are drawn, not kept
        route.fulfill(status=204)
        return
    response = Client().get(path, HTTP_HOST="testserver")
    headers = {name: value for name, value in response.items() if name != "Content-Length"}
    route.fulfill(status=response.status_code, headers=headers, body=response.content)


@pytest.fixture
def show(browser: Browser) -> Iterator[Any]:
    contexts = []

    def opened(size: str = "landscape", *, query: str = "", **options: Any) -> Shown:
        width, height = SIZES[size]
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        shown = Shown(context.new_page())
        context.route("**/*", lambda route: answer(route, shown))
        shown.page.goto(f"{HOME}/specimen/{query}", wait_until="networkidle")
        return shown

    yield opened
    for context in contexts:
        context.close()


@pytest.mark.parametrize(("size", "scheme"), [("tablet", "light"), ("landscape", "dark")])
def test_axe_finds_nothing(show: Any, size: str, scheme: str) -> None:
    page = show(size, color_scheme=scheme).page
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("async (tags) => (await axe.run(document, {runOnly: tags})).violations", WCAG)
    told = [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found]
    assert not told, json.dumps(told, indent=1)


@pytest.mark.parametrize("size", SIZES)
def test_no_page_scrolls_sideways_and_the_policy_stops_nothing(show: Any, size: str) -> None:
    shown = show(size)
    assert shown.page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
    assert shown.complaints == []


def test_on_a_tablet_everything_is_large_enough_to_touch(show: Any) -> None:
    page = show("tablet", query="?work").page
    assert page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 18
    small = page.evaluate(
        """() => {
          const named = 'button, a.button, input:not([type=hidden]), select, .ways a, .steps li';
          const touched = (e) => e.closest('.tick, .choices label, .with-unit') ?? e;
          return [...document.querySelectorAll(named)]
            .map((e) => [e.outerHTML.slice(0, 80), touched(e).getBoundingClientRect()])
            .filter(([, box]) => box.height > 0 && box.height < 47.5).map(([html]) => html);
        }"""
    )
    assert [html for html in small if 'class="plain"' not in html] == []
    main = page.locator(".actions .main")
    box = main.bounding_box()
    assert box is not None
    assert box["height"] >= 64
    assert box["y"] + box["height"] <= 1024  # in sight without scrolling, at the foot


def test_zooming_asks_the_server_for_the_window(show: Any) -> None:
    shown = show("desk")
    shown.page.get_by_role("button", name="Around the crest").click()
    expect(shown.page.locator("[data-plot-status]")).to_contain_text("132.61° to 148.61°")
    windows = [path for path in shown.asked if "plot.json?" in path]
    assert windows == ["/specimen/plot.json?from=132.61200&to=148.61200"]
    drawn = shown.page.evaluate("document.querySelector('#sweep-plot').data[0].x")
    assert len(drawn) == 601
    assert min(drawn) == pytest.approx(132.612)


def test_the_plot_takes_the_colours_of_the_night_and_of_paper(show: Any) -> None:
    page = show("desk").page
    ground = page.locator("#sweep-plot .main-svg").first
    expect(ground).to_have_css("background-color", "rgb(253, 253, 251)")
    page.emulate_media(color_scheme="dark")
    expect(ground).to_have_css("background-color", "rgb(18, 22, 26)")
    page.emulate_media(media="print")
    expect(ground).to_have_css("background-color", "rgb(255, 255, 255)")
    assert page.evaluate("document.querySelector('#sweep-plot').layout.width") == 660


def test_the_keys_open_and_close(show: Any) -> None:
    page = show("desk").page
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("?")
    assert page.locator("dialog#keys").is_visible()
    page.keyboard.press("Escape")
    assert page.locator("dialog#keys").is_hidden()
    page.keyboard.press("/")
    assert page.evaluate("document.activeElement.closest('form').className") == "form filter"


def test_a_lost_connection_is_said_in_words(show: Any) -> None:
    shown = show("tablet")
    shown.page.context.set_offline(True)
    shown.page.get_by_text("No connection. What you type stays on this page").wait_for()


def test_a_file_that_is_too_large_is_not_sent(show: Any, tmp_path: Path) -> None:
    trace = tmp_path / "long.csv"
    trace.write_bytes(b"0" * 1_200_000)
    shown = show("tablet")
    shown.page.set_input_files("#trace", trace)
    shown.page.get_by_role("button", name="Send the trace").click()
    shown.page.get_by_text("long.csv has 1.2 MB; at most 1.0 MB are taken. Nothing was sent.").wait_for()


def on_post(shown: Shown, act: Callable[[Route], None]) -> None:
    """Let the server answer what is posted by `act`, and everything else as before."""
    shown.page.route("**/specimen/**", lambda route: act(route) if route.request.method == "POST" else route.fallback())


def test_an_upload_follows_where_the_answer_points(show: Any, tmp_path: Path) -> None:
    trace = tmp_path / "short.csv"
    trace.write_text("time_s,encoder_deg,lift_mm\n")
    shown = show("tablet")
    on_post(shown, lambda route: route.fulfill(status=202, headers={"Location": "/specimen/?taken"}, body=""))
    shown.page.set_input_files("#trace", trace)
    shown.page.get_by_role("button", name="Send the trace").click()
    shown.page.wait_for_url("**/specimen/?taken")


def test_a_refused_upload_shows_the_reasons_in_place(show: Any, tmp_path: Path) -> None:
    trace = tmp_path / "short.csv"
    trace.write_text("not a trace\n")
    shown = show("tablet")
    body = "<main><div role=alert>line 1: no column time_s</div></main>"
    on_post(shown, lambda route: route.fulfill(status=422, content_type="text/html", body=body))
    shown.page.set_input_files("#trace", trace)
    shown.page.get_by_role("button", name="Send the trace").click()
    shown.page.get_by_text("line 1: no column time_s").wait_for()


def test_a_broken_upload_keeps_the_file(show: Any, tmp_path: Path) -> None:
    trace = tmp_path / "short.csv"
    trace.write_text("time_s,encoder_deg,lift_mm\n")
    shown = show("tablet")
    on_post(shown, lambda route: route.abort())
    shown.page.set_input_files("#trace", trace)
    shown.page.get_by_role("button", name="Send the trace").click()
    shown.page.get_by_text("Nothing was taken in; the file is still chosen, send it again.").wait_for()
    assert shown.page.evaluate("document.querySelector('#trace').files.length") == 1
    assert shown.page.get_by_role("button", name="Send the trace").is_enabled()


def plot_of(page: Page) -> dict[str, Any]:
    found: dict[str, Any] = page.evaluate(
        """() => {
          const plot = document.querySelector('.sweep-plot .plot');
          const { width, height } = plot.querySelector('.main-svg').getBoundingClientRect();
          return { width, height, ground: plot.layout.paper_bgcolor, ink: plot.layout.font.color };
        }"""
    )
    return found


def test_a_plot_is_drawn_for_paper_before_the_pages_are_laid_out(show: Any) -> None:
    page = show("desk", color_scheme="dark").page
    expect(page.locator(".sweep-plot .plot .main-svg").first).to_be_visible()
    screen = plot_of(page)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    paper = plot_of(page)
    assert paper == {"width": 660, "height": 340, "ground": "#ffffff", "ink": "#000000"}
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert plot_of(page) == screen
    assert screen["width"] > 900
    assert screen["ground"] != "#ffffff"


def test_paper_is_not_made_smaller_to_fit_a_plot(show: Any, tmp_path: Path) -> None:
    page = show("desk").page
    expect(page.locator(".sweep-plot .plot .main-svg").first).to_be_visible()
    heading = page.locator("h1").inner_text().split()[0]
    page.pdf(path=tmp_path / "paper.pdf", prefer_css_page_size=True)
    command = [tool("pdftotext", "poppler-utils"), "-bbox", tmp_path / "paper.pdf", "-"]
    words = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    box = re.search(rf'yMin="([\d.]+)"[^>]*yMax="([\d.]+)">{heading}<', words)
    assert box is not None
    # A heading is 16 pt high on paper; the pages shrunk to fit a plot as wide as the desk's screen have it at 9.
    assert float(box[2]) - float(box[1]) > 15


def test_both_plots_have_a_line_along_all_four_sides(show: Any) -> None:
    page = show().page
    expect(page.locator(".sweep-plot .plot .main-svg").first).to_be_visible()
    for subplot in ("xy", "xy2"):
        lines = page.locator(f".sweep-plot .{subplot} path.crisp").evaluate_all(
            "(paths) => paths.map((path) => path.getAttribute('d')).join('')"
        )
        assert len(re.findall("M", lines)) >= 2, f"{subplot}: {lines}"


def test_the_colours_of_a_printed_plot_are_those_of_the_sheet() -> None:
    static = Path(__file__).resolve().parents[3] / "shopapp" / "static"
    block = re.search(r"@media print \{\s*:root \{(.*?)\}", (static / "midflank.css").read_text(), flags=re.S)
    paper = re.search(r"const PAPER = \{(.*?)\}", (static / "sweep_plot.js").read_text())
    assert block is not None
    assert paper is not None
    sheet = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block[1]))
    plot = dict(re.findall(r'(\w+): "(#[0-9a-f]{6})"', paper[1]))
    assert len(plot) == 6
    assert plot.items() <= sheet.items()


def test_the_page_of_our_own_mistake_prints_on_one_sheet(browser: Browser, tmp_path: Path) -> None:
    """It has no style sheet but ours: what the other pages take from the normalised one, ours must bring."""
    sheet = Path(__file__).resolve().parents[3] / "shopapp" / "static" / "midflank.css"
    markup = handlers.server_error(RequestFactory().get("/orders/")).content.decode()
    page = browser.new_page(color_scheme="dark")
    page.set_content(markup.replace("</head>", f"<style>{sheet.read_text()}</style></head>"))
    page.pdf(path=tmp_path / "paper.pdf", prefer_css_page_size=True)
    page.close()
    command = [tool("pdfinfo", "poppler-utils"), tmp_path / "paper.pdf"]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    assert re.search(r"^Pages:\s+1$", told, flags=re.M), told
