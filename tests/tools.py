"""Programs that tests run: a missing one fails the test with a sentence, it never passes or skips it."""

from __future__ import annotations

import shutil

import pytest


def tool(name: str, package: str) -> str:
    """The path of a program; `package` is the Debian package that holds it."""
    found = shutil.which(name)
    if found is None:
        pytest.fail(f"{name} is not installed; install the package {package}.", pytrace=False)
    return found
