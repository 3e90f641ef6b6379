"""People in front of a browser: what each of them sees is watched, and whatever is wrong on the way is kept.

Every page that a person passes through is held to the same: no error on the console, nothing stopped by the
content security policy, no failed request, nothing that scrolls sideways. `audit` adds what takes longer: axe-core.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Locator,
    Page,
    Request,
    Response,
    expect,
)

from shopapp.demo import railway

CHROMIUM = os.environ.get("MIDFLANK_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = 45_000  # a machine that is busy with something else is slow, not wrong
TABLET = {"width": 768, "height": 1024}
LANDSCAPE = {"width": 1280, "height": 800}
DESK = {"width": 1600, "height": 1000}
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
AXE = (Path(__file__).resolve().parents[1] / "vendor" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
# Only these cross over from the browser: all that was found in order is larger than the page and slower to carry.
VIOLATIONS = "async (tags) => (await axe.run(document, {runOnly: tags, resultTypes: ['violations']})).violations"

# Runs in every page before anything of its own: tells on the console what would otherwise pass unseen, and keeps
# what was last pointed at for whoever asks why nothing came of it.
WATCH = """
addEventListener('securitypolicyviolation', (event) =>
  console.error(`content security policy: ${event.violatedDirective} ${event.blockedURI} ${event.sample}`));
window.lastPointed = [];
for (const kind of ['pointerdown', 'pointerup', 'click', 'submit']) {
  addEventListener(kind, (event) => {
    const { tagName, className } = event.target;
    const told = `${kind} ${tagName} ${className} at ${Math.round(event.timeStamp)} ms`;
    window.lastPointed = [...window.lastPointed, told].slice(-8);
  }, true);
}
addEventListener('load', async () => {
  await document.fonts.ready;
  const { scrollWidth } = document.documentElement;
  if (scrollWidth > innerWidth) console.error(`scrolls sideways: ${scrollWidth} px wide in ${innerWidth}`);
});
"""


class Someone:
    """One person's browser, with its own cookies; `complaints` is what was wrong on any page so far."""

    def __init__(self, browser: Browser, url: str, size: dict[str, int], **options: Any) -> None:
        self.url = url
        self.complaints: list[str] = []
        self._expected: set[int] = set()
        self._unanswered: dict[Request, float] = {}
        self.context: BrowserContext = browser.new_context(
            viewport=size,
            base_url=url,
            locale="en-GB",
            accept_downloads=True,
            **options,  # type: ignore[arg-type]
        )
        self.context.set_default_timeout(PATIENCE_MS)
        self.context.add_init_script(WATCH)
        self.page: Page = self.context.new_page()
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self._complain(f"script failed: {error}"))
        self.page.on("request", lambda request: self._unanswered.update({request: time.monotonic()}))
        self.page.on("requestfinished", lambda request: self._unanswered.pop(request, None))
        self.page.on("requestfailed", self._failed)
        self.page.on("response", self._answered)

    def sign_in(self, username: str) -> Someone:
        self.page.goto("/sign-in/")
        self.page.get_by_label("User name").fill(username)
        self.page.get_by_label("Password").fill(railway.PASSWORD)
        self.press("Sign in")
        return self

    def at(self, heading: str) -> None:
        """Wait until the page with this heading stands; what was pressed before has then been answered."""
        with self._explained():
            expect(self.page.get_by_role("heading", level=1)).to_contain_text(heading, timeout=PATIENCE_MS)

    def sees(self, text: str, where: str = "main") -> None:
        with self._explained():
            expect(self.page.locator(where)).to_contain_text(text, timeout=PATIENCE_MS)

    def press(self, words: str) -> None:
        self.page.get_by_role("button", name=words, exact=True).click()

    def follow(self, words: str) -> None:
        self.page.get_by_role("link", name=words, exact=True).first.click()

    def fact(self, term: str) -> str:
        """The value beside a term of the facts on this page."""
        return self.facts(term).first.inner_text()

    def facts(self, term: str) -> Locator:
        own = self.page.locator("dt").filter(has_text=term)
        return self.page.locator("dl.facts > div").filter(has=own).locator("dd")

    @contextmanager
    def refused(self, status: int) -> Iterator[None]:
        """Inside this block an answer with this status is what is asked for, so it is no complaint."""
        self._expected.add(status)
        before = len(self.complaints)
        answers: list[int] = []

        def note(response: Response) -> None:
            answers.append(response.status)

        self.page.on("response", note)
        try:
            yield
        finally:
            self.page.remove_listener("response", note)
            self._expected.discard(status)
        assert status in answers, f"nothing was answered with {status}: {answers}"
        assert len(self.complaints) == before, self.complaints[before:]

    def audit(self) -> None:
        """Hold the page as it stands against WCAG 2.2 A and AA, and once more against sideways scrolling."""
        self.page.wait_for_load_state("load")
        self.page.evaluate(AXE)
        for one in self.page.evaluate(VIOLATIONS, WCAG):
            nodes = [node["html"][:160] for node in one["nodes"]]
            self._complain(f"axe {one['id']}: {one['help']}: {nodes}")
        too_wide = self.page.evaluate("document.documentElement.scrollWidth > innerWidth")
        if too_wide:
            self._complain("scrolls sideways")

    def close(self) -> None:
        self.context.close()

    # --- What is wrong --------------------------------------------------------------------------------

    @contextmanager
    def _explained(self) -> Iterator[None]:
        """Whatever was waited for in vain inside this block tells what was asked and pointed at by then."""
        try:
            yield
        except AssertionError as error:
            now = time.monotonic()
            asked = [f"{one.method} {one.url} for {now - since:.1f} s" for one, since in self._unanswered.items()]
            error.add_note(f"at {self.page.url}; not answered: {asked}; complaints: {self.complaints}")
            error.add_note(f"pointed at: {self.page.evaluate('window.lastPointed')}")
            raise

    def _complain(self, text: str) -> None:
        self.complaints.append(f"{self.page.url}: {text}")

    def _console(self, message: ConsoleMessage) -> None:
        told_by_answer = any(f"status of {status}" in message.text for status in self._expected)
        if message.type in {"error", "warning"} and not told_by_answer:
            self._complain(f"console {message.type}: {message.text}")

    def _failed(self, request: Request) -> None:
        # A page that is left takes what it was still asking for with it; that is no fault of the server.
        self._unanswered.pop(request, None)
        if request.failure not in {"net::ERR_ABORTED"}:
            self._complain(f"{request.method} {request.url} failed: {request.failure}")

    def _answered(self, response: Response) -> None:
        if response.status >= 400 and response.status not in self._expected:
            self._complain(f"{response.request.method} {response.url} was answered with {response.status}")
