"""Triggers that make tables append-only in the database itself, whatever program opens it.

UPDATE, DELETE (on PostgreSQL TRUNCATE) and an INSERT that would replace a row are refused. The texts are part of the
schema's history: migrations use them, so they change only with a new revision.
"""

from __future__ import annotations

from sqlalchemy import Connection


def guard(connection: Connection, tables: dict[str, str]) -> None:
    """Make tables append-only; `tables` is name to primary key."""
    if connection.dialect.name == "postgresql":
        _guard_postgresql(connection, tables)
        return
    for name, key in tables.items():
        for verb in ("UPDATE", "DELETE"):
            connection.exec_driver_sql(
                f"CREATE TRIGGER {name}_no_{verb.lower()} BEFORE {verb} ON {name} "
                f"BEGIN SELECT RAISE(ABORT, '{name} are only added to, never changed or deleted'); END"
            )
        same = f"EXISTS (SELECT 1 FROM {name} WHERE {key} = NEW.{key})"  # noqa: S608 - our own names  # nosec B608
        connection.exec_driver_sql(
            f"CREATE TRIGGER {name}_no_replace BEFORE INSERT ON {name} WHEN {same} "
            f"BEGIN SELECT RAISE(ABORT, '{name} are only added to, never replaced'); END"
        )


def _guard_postgresql(connection: Connection, tables: dict[str, str]) -> None:
    connection.exec_driver_sql(
        "CREATE OR REPLACE FUNCTION only_added_to() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION '%% are only added to, never changed or deleted', TG_TABLE_NAME "
        "USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )
    for name in tables:
        connection.exec_driver_sql(
            f"CREATE TRIGGER {name}_no_change BEFORE UPDATE OR DELETE ON {name} "
            "FOR EACH ROW EXECUTE FUNCTION only_added_to()"
        )
        connection.exec_driver_sql(
            f"CREATE TRIGGER {name}_no_truncate BEFORE TRUNCATE ON {name} "
            "FOR EACH STATEMENT EXECUTE FUNCTION only_added_to()"
        )
