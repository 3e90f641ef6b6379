"""SQL that makes a table append-only on SQLite and PostgreSQL, for use in migrations and tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps

APPEND_ONLY_TABLES = ("ledger_entry", "ledger_subject", "signoffs_signoff", "orders_analysis", "planning_plan")
# Of these tables only the rows that have a value in the column are guarded, and no other row may take it in its scope:
# a plan may change and go while it is an alternative, and never again once it is a version of the shop's plan.
ONCE = {"planning_plan": ("version", "shop_id")}

# pg_trigger.tgtype: ROW 1, BEFORE 2, DELETE 8, UPDATE 16, TRUNCATE 32.
_ROW_UPDATE_DELETE, _TRUNCATE = 1 + 2 + 8 + 16, 2 + 32
_POSTGRES_FUNCTION = """
CREATE OR REPLACE FUNCTION midflank_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'integrity_constraint_violation';
END $$;
"""


def create_sql(vendor: str, table: str) -> list[str]:
    """Statements that make UPDATE and DELETE (and TRUNCATE) on `table` fail, or on the rows of it that `ONCE` means."""
    if vendor == "sqlite":
        return _sqlite_sql(table)
    if vendor == "postgresql":
        when = f"WHEN (OLD.{ONCE[table][0]} IS NOT NULL) " if table in ONCE else ""
        return [
            _POSTGRES_FUNCTION,
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
            f"FOR EACH ROW {when}EXECUTE FUNCTION midflank_append_only()",
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION midflank_append_only()",
        ]
    raise NotImplementedError(f"append-only tables are written for SQLite and PostgreSQL, not {vendor}")


def _sqlite_sql(table: str) -> list[str]:
    """OR REPLACE deletes without firing DELETE triggers, unless recursive triggers are on: it is shut out as well."""
    change, delete, taken = "", "", f"SELECT 1 FROM {table} WHERE id = NEW.id"
    if table in ONCE:
        column, scope = ONCE[table]
        delete = f"WHEN OLD.{column} IS NOT NULL "
        held = f"{column} = NEW.{column} AND {scope} = NEW.{scope}"
        change = f"WHEN OLD.{column} IS NOT NULL OR EXISTS (SELECT 1 FROM {table} WHERE {held}) "
        taken = f"SELECT 1 FROM {table} WHERE {column} IS NOT NULL AND (id = NEW.id OR {held})"

    def refused(verb: str) -> str:
        return f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: {verb} refused'); END"

    return [
        f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {change}{refused('UPDATE')}",
        f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {delete}{refused('DELETE')}",
        f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN EXISTS ({taken}) {refused('REPLACE')}",
    ]


def drop_sql(vendor: str, table: str) -> list[str]:
    """Statements that take the triggers of `create_sql` away again."""
    if vendor == "sqlite":
        return [f"DROP TRIGGER IF EXISTS {table}_no_{verb}" for verb in ("update", "delete", "replace")]
    return [f"DROP TRIGGER IF EXISTS {table}_{name} ON {table}" for name in ("append_only", "no_truncate")]


def missing(connection: BaseDatabaseWrapper) -> list[str]:
    """A sentence for every append-only table whose triggers are not there as `create_sql` makes them."""
    found = _sqlite_triggers(connection) if connection.vendor == "sqlite" else _postgres_triggers(connection)
    sentences = []
    for table in APPEND_ONLY_TABLES:
        wanted = _wanted(connection.vendor, table)
        absent = sorted(name for name in wanted if name not in found)
        other = sorted(name for name in wanted if name in found and found[name] != wanted[name])
        if absent:
            sentences.append(f"{table} is not guarded: trigger {', '.join(absent)} is missing or disabled")
        if other:
            sentences.append(f"{table} is not guarded: trigger {', '.join(other)} is not the one laid down")
    return sentences


def _wanted(vendor: str, table: str) -> dict[str, str]:
    """Name and text of the triggers of a table; on PostgreSQL the text is what they call."""
    if vendor == "sqlite":
        return {statement.split()[2]: statement for statement in create_sql(vendor, table)}
    body = _POSTGRES_FUNCTION.split("$$")[1].strip()
    when = f" when (old.{ONCE[table][0]} IS NOT NULL)" if table in ONCE else ""
    return {
        f"{table}_append_only": f"{_ROW_UPDATE_DELETE}{when} {body}", f"{table}_no_truncate": f"{_TRUNCATE} {body}"
    }  # fmt: skip


def _sqlite_triggers(connection: BaseDatabaseWrapper) -> dict[str, str]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        return dict(cursor.fetchall())


def _postgres_triggers(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Enabled triggers by name, with when they fire, on which rows, and the body of the function they call."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT tgname, tgtype, coalesce(substring(pg_get_triggerdef(pg_trigger.oid) "
            r"FROM 'WHEN \((.*)\) EXECUTE'), ''), btrim(prosrc, E' \n') "
            "FROM pg_trigger JOIN pg_proc ON pg_proc.oid = tgfoid JOIN pg_class ON pg_class.oid = tgrelid "
            "WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') AND pg_table_is_visible(pg_class.oid)"
        )
        return {
            name: f"{fires}{f' when {rows}' if rows else ''} {body}" for name, fires, rows, body in cursor.fetchall()
        }


def make_append_only(*tables: str) -> tuple[Callable[..., None], Callable[..., None]]:
    """Forward and backward functions for `migrations.RunPython`."""

    def run(editor: BaseDatabaseSchemaEditor, make: Callable[[str, str], list[str]]) -> None:
        for table in tables:
            for statement in make(editor.connection.vendor, table):
                editor.execute(statement, params=None)  # % stands for itself

    def forward(apps: StateApps, editor: Any) -> None:
        run(editor, create_sql)

    def backward(apps: StateApps, editor: Any) -> None:
        run(editor, drop_sql)

    return forward, backward
