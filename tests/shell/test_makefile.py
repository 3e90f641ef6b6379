"""`make help` is where a newcomer looks, so it must tell every chore."""

from __future__ import annotations

import re
import subprocess

from tests.shell.paths import ROOT, text_of


def make(*arguments: str) -> str:
    answer = subprocess.run(
        ["make", "--no-print-directory", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return answer.stdout


def public_targets() -> set[str]:
    return set(re.findall(r"^([a-z][a-z-]*):(?!=)", text_of("Makefile"), re.MULTILINE))


def test_help_lists_every_target_with_a_sentence() -> None:
    listed = dict(re.findall(r"^make (\S+) +(\S.*)$", make("help"), re.MULTILINE))
    assert set(listed) == public_targets()
    assert {"demo", "test", "lint", "bench", "lock", "help"} <= set(listed)


def test_every_target_is_declared_phony() -> None:
    declared = re.search(r"^\.PHONY: (.*)$", text_of("Makefile"), re.MULTILINE)
    assert declared is not None
    assert set(declared[1].split()) == public_targets()


def test_make_alone_prints_the_help() -> None:
    assert make() == make("help")


def test_every_script_a_target_calls_is_there_and_can_be_started() -> None:
    called = set(re.findall(r"scripts/[a-z-]+\.sh", text_of("Makefile")))
    assert called
    for name in called:
        assert (ROOT / name).stat().st_mode & 0o111, name
