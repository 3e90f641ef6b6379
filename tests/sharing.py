"""How the tests are shared out between processes (`pytest -n 2`): a file at a time, some folders as a whole."""

from __future__ import annotations

import pytest
from xdist.scheduler import LoadScopeScheduling

# One stack serves all of e2e; the tests of faults watch the clock and do not gain from each other's company.
TOGETHER = ("tests/e2e/", "tests/faults/")


class ByFile(LoadScopeScheduling):
    """What a file has set up for all its tests is set up once, and files are taken in the order they are found."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::", 1)[0]
        return next((folder for folder in TOGETHER if file.startswith(folder)), file)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest piece first: begun last it would be waited for by everybody else."""
    items.sort(key=lambda item: not item.nodeid.startswith("tests/e2e/"))


def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> ByFile:
    config.option.loadscopereorder = False
    return ByFile(config, log)
