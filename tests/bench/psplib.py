"""Reads the published project files (`.sm`) and lists of best known makespans, for who has them: they are not here.

A file is text in parts, each below a line that names it. An error is a `ValueError` that begins with the number of the
line at fault, or with `end` where the file ends too soon.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from tests.bench.projects import Project, soonest

PARTS = {"PRECEDENCE RELATIONS:": "jobs", "REQUESTS/DURATIONS:": "asks", "RESOURCEAVAILABILITIES:": "there"}
NAME = re.compile(r"j(30|60|90|120)(\d+)_(\d+)\.sm", re.IGNORECASE)
Line = tuple[int, list[int]]


def project(text: str, name: str) -> Project:
    """The project of one file, without its source and sink."""
    parts = _parts(text)
    then = _successors(parts["jobs"])
    lengths, requests = _asks(parts["asks"], len(then))
    at, capacities = parts["there"][0]
    if any(len(row) != len(capacities) for row in requests):
        raise ValueError(f"line {at}: {len(capacities)} resources are there, {len(requests[0])} are asked for")
    for one, most in enumerate(capacities):
        if max(row[one] for row in requests) > most:
            raise ValueError(f"line {at}: of resource {one + 1} a job asks for more than the {most} there are")
    return _without_ends(name, then, lengths, requests, capacities)


def best_known(text: str) -> dict[tuple[int, int], int]:
    """Makespans by parameter and instance: the first three columns of each line that begins with a number."""
    found: dict[tuple[int, int], int] = {}
    for at, line in enumerate(text.splitlines(), 1):
        words = line.split()
        if not words or not words[0].isdigit():
            continue
        if len(words) < 3 or not all(word.isdigit() for word in words[:3]) or int(words[2]) == 0:
            raise ValueError(f"line {at}: not a parameter, an instance and a makespan: {line.strip()}")
        parameter, instance, makespan = map(int, words[:3])
        if found.setdefault((parameter, instance), makespan) != makespan:
            raise ValueError(f"line {at}: parameter {parameter}, instance {instance} is given twice")
    if not found:
        raise ValueError("end: no makespan is given")
    return found


def folder(path: Path) -> list[tuple[Project, int | None]]:
    """All projects of a folder with what is best known of them, from the files in it whose names have `hrs`."""
    known: dict[tuple[str, int, int], int] = {}
    files = sorted(one for one in path.iterdir() if one.is_file())
    for file in files:
        size = re.match(r"j(30|60|90|120)", file.name, re.IGNORECASE)
        if size and "hrs" in file.name.lower():
            known |= {(size[1], *key): most for key, most in best_known(_text(file)).items()}
    found = []
    for file in files:
        named = NAME.fullmatch(file.name)
        if named:
            try:
                read = project(_text(file), file.stem)
            except ValueError as wrong:
                raise ValueError(f"{file.name}, {wrong}") from wrong
            found.append((read, known.get((named[1], int(named[2]), int(named[3])))))
    if not found:
        raise ValueError(f"There is no file like j6012_3.sm in {path.name}.")
    return found


def _text(file: Path) -> str:
    return file.read_text(encoding="latin-1")


def _parts(text: str) -> dict[str, list[Line]]:
    """The lines of numbers of each part."""
    found: dict[str, list[Line]] = {}
    part = None
    for at, line in enumerate(text.splitlines(), 1):
        words = line.split()
        if "".join(words[:2]) in _names():
            part = _names()["".join(words[:2])]
            found[part] = []
        elif set(line.strip()) == {"*"}:
            part = None
        elif part and words and re.match(r"-?\d", words[0]):
            found[part].append((at, list(_whole(at, words))))
    for title, part in PARTS.items():
        if not found.get(part):
            raise ValueError(f"end: nothing was found under {title.rstrip(':')}")
    return found


def _names() -> dict[str, str]:
    return {title.replace(" ", ""): part for title, part in PARTS.items()}


def _whole(at: int, words: Iterable[str]) -> Iterator[int]:
    for word in words:
        if not word.isdigit():
            raise ValueError(f"line {at}: not a whole number of 0 or more: {word}")
        yield int(word)


def _successors(lines: list[Line]) -> list[list[int]]:
    """Those of each job, by numbers from 0."""
    found: list[list[int]] = []
    for at, (job, *row) in lines:
        if job != len(found) + 1:
            raise ValueError(f"line {at}: job {len(found) + 1} is expected, not {job}")
        if len(row) < 2 or row[0] != 1 or row[1] != len(row) - 2:
            raise ValueError(f"line {at}: not one mode, a number of successors, and so many successors")
        if any(not 1 <= one <= len(lines) for one in row[2:]):
            raise ValueError(f"line {at}: a successor that is no job")
        found.append([one - 1 for one in row[2:]])
    return found


def _asks(lines: list[Line], jobs: int) -> tuple[list[int], list[list[int]]]:
    """Lengths and requests."""
    lengths, requests = [], []
    for at, (job, *row) in lines:
        if job != len(lengths) + 1:
            raise ValueError(f"line {at}: job {len(lengths) + 1} is expected, not {job}")
        if len(row) < 3 or row[0] != 1 or (requests and len(row) - 2 != len(requests[0])):
            raise ValueError(f"line {at}: not one mode, a duration, and what is asked for of each resource")
        lengths.append(row[1])
        requests.append(row[2:])
    if len(lengths) != jobs:
        raise ValueError(f"line {lines[-1][0]}: {len(lengths)} jobs have durations, {jobs} have successors")
    return lengths, requests


def _without_ends(name: str, then: list[list[int]], lengths: list[int], requests: list[list[int]],
                  capacities: list[int]) -> Project:
    """First and last job are the source and the sink, which take no time."""
    before: list[list[int]] = [[] for _ in then]
    for job, row in enumerate(then):
        for one in row:
            before[one].append(job)
    soonest(lengths, before)            # raises when they wait in a circle
    last = len(then) - 1
    if last < 2 or lengths[0] or lengths[last]:
        raise ValueError("end: first and last job are not a source and a sink that take no time")
    return Project(name, tuple(lengths[1:last]),
                   tuple(tuple(one - 1 for one in row if one) for row in before[1:last]),
                   tuple(map(tuple, requests[1:last])), tuple(capacities))
