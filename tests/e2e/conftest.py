from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, sync_playwright

pytest.register_assert_rewrite("tests.e2e.technician", "tests.e2e.afterwards")

from tests.e2e.browsing import ARGUMENTS, CHROMIUM, TABLET, Someone  # noqa: E402
from tests.e2e.stack import Stack  # noqa: E402


@pytest.fixture(scope="package")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stack]:
    """All of Midflank in processes of its own, for the tests of this folder together."""
    running = Stack(tmp_path_factory.mktemp("stack"))
    try:
        yield running.start()
    finally:
        running.stop()


@pytest.fixture(scope="package")
def chromium() -> Iterator[Browser]:
    assert Path(CHROMIUM).exists(), f"{CHROMIUM} is not there; install chromium or name it in MIDFLANK_CHROMIUM."
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def someone(stack: Stack, chromium: Browser) -> Iterator[Callable[..., Someone]]:
    """`someone("technician", size)`: that person, signed in, with a browser of their own; "" for a passer-by.

    The test fails at its end when any of their pages had anything to complain about.
    """
    people: list[Someone] = []

    def arrives(username: str, size: dict[str, int] = TABLET, **options: Any) -> Someone:
        one = Someone(chromium, stack.url, size, **options)
        people.append(one)
        return one.sign_in(username) if username else one

    yield arrives
    complaints = [complaint for one in people for complaint in one.complaints]
    for one in people:
        one.close()
    assert complaints == []
