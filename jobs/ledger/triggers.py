"""SQL that makes a table append-only on SQLite and PostgreSQL, for use in migrations and tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps

APPEND_ONLY_TABLES = ("ledger_entry", "ledger_subject", "signoffs_signoff", "orders_analysis")

_POSTGRES_FUNCTION = """
CREATE OR REPLACE FUNCTION midflank_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'integrity_constraint_violation';
END $$;
"""


def create_sql(vendor: str, table: str) -> list[str]:
    """Statements that make UPDATE and DELETE (and TRUNCATE) on `table` fail."""
    if vendor == "sqlite":
        return [
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: {verb} refused'); END"
            for verb in ("UPDATE", "DELETE")
        ] + [
            # INSERT OR REPLACE deletes without firing DELETE triggers, unless recursive triggers are on.
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id) "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: REPLACE refused'); END"
        ]
    if vendor == "postgresql":
        return [
            _POSTGRES_FUNCTION,
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION midflank_append_only()",
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION midflank_append_only()",
        ]
    raise NotImplementedError(f"append-only tables are written for SQLite and PostgreSQL, not {vendor}")


def drop_sql(vendor: str, table: str) -> list[str]:
    """Statements that take the triggers of `create_sql` away again."""
    if vendor == "sqlite":
        return [f"DROP TRIGGER IF EXISTS {table}_no_{verb}" for verb in ("update", "delete", "replace")]
    return [f"DROP TRIGGER IF EXISTS {table}_{name} ON {table}" for name in ("append_only", "no_truncate")]


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
