"""How the tests are shared out between processes (`pytest -n 2`): a file at a time, some folders as a whole."""

from __future__ import annotations

import pytest
from xdist.scheduler import LoadScopeScheduling

# One stack serves all of e2e; the tests of faults watch the clock and do not gain from each other's company.
TOGETHER = ("tests/e2e/", "tests/faults/")
# What is long and cannot be shared out, longest first: begun last it would be waited for by everybody else.
LONG = (
    *TOGETHER,
    "tests/analysis/test_coverage.py",
    "tests/analysis/test_shop_effects.py",
    "tests/test_permissions.py",
    "tests/jobs/signoffs/test_job_card.py",
    "tests/jobs/web/test_specimen_in_browser.py",
    "tests/analysis/",
    "tests/jobs/signoffs/",
    "tests/jobs/orders/test_states.py",
)


class ByFile(LoadScopeScheduling):
    """What a file has set up for all its tests is set up once, and files are taken in the order they are found."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::", 1)[0]
        return next((folder for folder in TOGETHER if file.startswith(folder)), file)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long pieces first, the others as they are found."""
    items.sort(key=lambda item: next((at for at, start in enumerate(LONG) if item.nodeid.startswith(start)), len(LONG)))


def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> ByFile:
    config.option.loadscopereorder = False
    return ByFile(config, log)
