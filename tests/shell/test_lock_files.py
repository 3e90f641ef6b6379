"""The lock files pin and hash everything, and name no index, so that they work anywhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.shell.paths import LOCK_FILES, text_of

PIN = re.compile(r"^([a-z0-9][a-z0-9._-]*)(\[[a-z,-]+\])?==\S+")
HASH = re.compile(r"--hash=sha256:[0-9a-f]{64}")


def requirements(path: Path) -> list[str]:
    """One string for each requirement, its continuation lines joined."""
    text = re.sub(r"\\\n", " ", path.read_text(encoding="utf-8"))
    return [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]


def asked_for(path: Path) -> set[str]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return {re.split(r"[\[~=<>; ]", line)[0].lower() for line in lines if line and line[0] not in "#-"}


@pytest.mark.parametrize("path", LOCK_FILES, ids=lambda path: path.name)
def test_every_requirement_is_pinned_and_hashed(path: Path) -> None:
    found = requirements(path)
    assert len(found) > 20
    assert [line for line in found if not (PIN.match(line) and HASH.search(line))] == []


@pytest.mark.parametrize("path", LOCK_FILES, ids=lambda path: path.name)
def test_no_address_of_an_index_is_in_it(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert re.findall(r"\S*://\S*|--(?:extra-)?index-url.*|--find-links.*|--trusted-host.*", text) == []


@pytest.mark.parametrize("path", LOCK_FILES, ids=lambda path: path.name)
def test_everything_asked_for_is_locked(path: Path) -> None:
    locked = {match[1] for match in map(PIN.match, requirements(path)) if match}
    assert asked_for(path.with_suffix(".in")) - locked == set()


def test_the_tests_never_pin_another_version_than_what_runs() -> None:
    runs, tests = ({match[0] for match in map(PIN.match, requirements(path)) if match} for path in LOCK_FILES)
    names = {pin.split("==")[0] for pin in runs} & {pin.split("==")[0] for pin in tests}
    assert {pin for pin in tests if pin.split("==")[0] in names} <= runs
    assert text_of("requirements-dev.in").count("-c requirements.txt") == 1
