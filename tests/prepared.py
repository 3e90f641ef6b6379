"""A long way that many tests begin with is gone once in each process, and its rows are laid down again for each test.

    @pytest.fixture
    @prepared
    def in_work(released: WorkOrder, technician: Person) -> WorkOrder: …

The first test that asks for a prepared fixture has it built as ever, before any other fixture of its own. What rows
and files that made, and what the fixtures on the way returned, is kept; the next test is given the same rows, its own
copies of the same objects, and files with the same bytes. No test sees what another one did: what is kept is kept
before the first of them begins, and the transaction of a test is rolled back as always.

A test on transactions, or one in whose module a fixture of the way is another one, builds its own. Fixtures on the way
that return functions are called again, so they may not write to the database.
"""

from __future__ import annotations

import dataclasses
import pickle
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import pytest
from django.apps import apps
from django.conf import settings
from django.db import connection
from django.db.models import Model
from django.db.models.sql import InsertQuery

F = TypeVar("F", bound=Callable[..., Any])
STORES = ("TRACE_DIR", "PHOTO_DIR", "CARD_DIR")
PARAMETERS = 900  # of one statement; SQLite may have been built for 999 at most


def prepared(function: F) -> F:
    """Mark the function of a fixture, below `@pytest.fixture`, as the end of a long way."""
    function.is_prepared = True  # type: ignore[attr-defined]
    return function


@dataclass(frozen=True)
class Kept:
    """What a way left: statements that lay its rows, files by store and name with their modes, pickled values."""

    statements: list[tuple[str, Any]]
    files: list[tuple[str, Path, bytes, int]]
    values: bytes


@dataclass
class Way:
    """The way of one test: its end, the fixtures on it by name, and under what it is kept."""

    end: pytest.FixtureDef[Any]
    fixtures: dict[str, pytest.FixtureDef[Any]]
    key: tuple[object, ...]
    before: dict[type[Model], set[Any]] | None = None
    files_before: set[Path] = field(default_factory=set)
    values: dict[str, Any] | None = None


KEPT: dict[tuple[object, ...], Kept] = {}
WAY = pytest.StashKey[Way]()


# --- Which test goes which way ------------------------------------------------------------------------


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if isinstance(item, pytest.Function) and (way := _way_of(item)) is not None:
            item.stash[WAY] = way
            names = [name for name in item.fixturenames if name != way.end.argname]
            first = max((at for at, name in enumerate(names, 1) if _is_autouse(item, name)), default=0)
            item.fixturenames = [*names[:first], way.end.argname, *names[first:]]


def _way_of(item: pytest.Function) -> Way | None:
    known = item._fixtureinfo.name2fixturedefs
    marker = item.get_closest_marker("django_db")
    if "transactional_db" in known or (marker is not None and marker.kwargs.get("transaction")):
        return None
    ends = [found[-1] for found in known.values() if getattr(found[-1].func, "is_prepared", False)]
    ways = [(_names_below(end.argname, known), end) for end in ends]
    if not ways:
        return None
    names, end = max(ways, key=lambda way: len(way[0]))
    fixtures = {name: known[name][-1] for name in sorted(names)}
    if any(len(known[name]) > 1 or known[name][-1].params for name in names):
        return None
    autouse = [known[name][-1] for name in item.fixturenames if _is_autouse(item, name)]
    return Way(end, fixtures, (end, *fixtures.values(), *autouse))


def _names_below(name: str, known: Any) -> set[str]:
    """A fixture and all that it needs, but `request`."""
    found: set[str] = set()
    left = [name]
    while left:
        one = left.pop()
        if one in known and one not in found:
            found.add(one)
            left.extend(known[one][-1].argnames)
    return found


def _is_autouse(item: pytest.Function, name: str) -> bool:
    found = item._fixtureinfo.name2fixturedefs.get(name, ())
    return any(getattr(one, "_autouse", False) for one in found)


# --- Going it, or being laid where it ends ------------------------------------------------------------


def _on_the_way(fixturedef: pytest.FixtureDef[Any], request: Any) -> Way | None:
    """The way of the test that a fixture is being set up for, if the fixture is on it and the database is there."""
    way = request.node.stash.get(WAY, None)
    if way is None or fixturedef.scope != "function" or way.fixtures.get(fixturedef.argname) is not fixturedef:
        return None
    known = request.node._fixtureinfo.name2fixturedefs
    needs = {name for one in fixturedef.argnames for name in _names_below(one, known)}
    return way if "db" in needs else None


@pytest.hookimpl(tryfirst=True)
def pytest_fixture_setup(fixturedef: pytest.FixtureDef[Any], request: Any) -> Any:
    """The value that is kept, if there is one; nothing lets pytest build it."""
    way = _on_the_way(fixturedef, request)
    if way is None:
        return None
    if way.values is None:
        if (kept := KEPT.get(way.key)) is None:
            if way.before is None:
                way.before = {model: set(model._base_manager.values_list("pk", flat=True)) for model in _models()}
                way.files_before = {path for _, path in _files()}
            return None
        _lay(kept)
        way.values = pickle.loads(kept.values)
    value = way.values.get(fixturedef.argname)
    if value is not None:
        fixturedef.cached_result = (value, fixturedef.cache_key(request), None)
    return value


class _Keeping:
    """A hook may have one implementation in a module, and this one looks at what the building gave."""

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[Any], request: Any) -> Iterator[None]:
        value = yield
        way = request.node.stash.get(WAY, None)
        if way is not None and way.end is fixturedef and way.before is not None and way.key not in KEPT:
            KEPT[way.key] = _keep(way)
        return value


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(_Keeping(), "keeping-prepared-fixtures")


# --- Rows, files, values ------------------------------------------------------------------------------


def _models() -> list[type[Model]]:
    return [
        model for model in apps.get_models(include_auto_created=True) if model._meta.managed and not model._meta.proxy
    ]


def _keep(way: Way) -> Kept:
    assert way.before is not None
    statements = [statement for model, before in way.before.items() for statement in _statements(model, before)]
    stores = [(store, path) for store, path in _files() if path not in way.files_before]
    files = [
        (store, path.relative_to(getattr(settings, store)), path.read_bytes(), path.stat().st_mode)
        for store, path in stores
    ]
    values = {name: one.cached_result[0] for name, one in way.fixtures.items() if one.cached_result is not None}
    return Kept(statements, files, pickle.dumps({name: value for name, value in values.items() if _has_rows(value)}))


def _statements(model: type[Model], before: set[Any]) -> Iterator[tuple[str, Any]]:
    fields = [one for one in model._meta.local_concrete_fields if not one.generated]
    rows = [row for row in model._base_manager.order_by("pk") if row.pk not in before]
    size = max(1, PARAMETERS // len(fields))
    for start in range(0, len(rows), size):
        query = InsertQuery(model)
        query.insert_values(fields, rows[start : start + size], raw=True)
        yield from query.get_compiler(connection=connection).as_sql()


def _files() -> list[tuple[str, Path]]:
    folders = {store: Path(getattr(settings, store)) for store in STORES}
    return [(store, path) for store, folder in folders.items() for path in folder.rglob("*") if path.is_file()]


def _has_rows(value: Any) -> bool:
    """Whether a value is a row, or holds some."""
    if isinstance(value, Model):
        return True
    if isinstance(value, dict):
        return any(map(_has_rows, value.values()))
    if isinstance(value, list | tuple):
        return any(map(_has_rows, value))
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return any(_has_rows(getattr(value, one.name)) for one in dataclasses.fields(value))
    return False


def _lay(kept: Kept) -> None:
    with connection.cursor() as cursor:
        for sql, parameters in kept.statements:
            cursor.execute(sql, parameters)
    for store, name, content, mode in kept.files:
        path = Path(getattr(settings, store)) / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        path.write_bytes(content)
        path.chmod(mode)
