"""The databases' own rules: rows of some tables are only ever added, and neither changed nor taken away."""

from __future__ import annotations

import sqlalchemy as sa

__all__ = ["add_rules", "broken_rules", "rule_sql"]

_FUNCTION = "only_ever_added"
_BODY = """
BEGIN
  RAISE EXCEPTION USING MESSAGE =
    TG_TABLE_NAME || ' are never ' || CASE TG_OP WHEN 'UPDATE' THEN 'changed' ELSE 'taken away' END;
END
"""
_MAKE_FUNCTION = f"CREATE OR REPLACE FUNCTION {_FUNCTION}() RETURNS trigger LANGUAGE plpgsql AS $rule${_BODY}$rule$"


def rule_sql(table: str, dialect: str) -> dict[str, str]:
    """The rules of a table, by their names: the SQL that makes them."""
    if dialect == "sqlite":
        return {
            f"{table}_no_{what}": f"CREATE TRIGGER {table}_no_{what} BEFORE {what.upper()} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} are never {how}'); END"
            for what, how in (("update", "changed"), ("delete", "taken away"))
        }
    each_row = {"update": "ROW", "delete": "ROW", "truncate": "STATEMENT"}
    return {
        f"{table}_no_{what}": f"CREATE TRIGGER {table}_no_{what} BEFORE {what.upper()} ON {table} "
        f"FOR EACH {of} EXECUTE FUNCTION {_FUNCTION}()"
        for what, of in each_row.items()
    }


def add_rules(connection: sa.Connection, tables: tuple[str, ...]) -> None:
    """Make the rules of new tables."""
    dialect = connection.dialect.name
    if dialect == "postgresql":
        connection.exec_driver_sql(_MAKE_FUNCTION)
    for table in tables:
        for sql in rule_sql(table, dialect).values():
            connection.exec_driver_sql(sql)


def broken_rules(connection: sa.Connection, tables: tuple[str, ...]) -> tuple[list[tuple[str, str]], list[str]]:
    """Look whether all is as `add_rules` made it.

    Returns
    -------
    tuple
        Names of rules that are gone, changed or off, with their tables; names of triggers that are none of ours.
    """
    dialect = connection.dialect.name
    there = _on_server(connection) if dialect == "postgresql" else _in_file(connection)
    gone = []
    for table in tables:
        for name, sql in rule_sql(table, dialect).items():
            if there.pop(name, None) != sql:
                gone.append((name, table))
    return gone, list(there)


def _in_file(connection: sa.Connection) -> dict[str, str]:
    rows = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    return {str(name): str(sql) for name, sql in rows}


def _on_server(connection: sa.Connection) -> dict[str, str]:
    """As the server tells them; of one that is off, or whose function is another one, the SQL is empty."""
    query = """
    SELECT tgname, pg_get_triggerdef(pg_trigger.oid), tgenabled = 'O' AND prosrc = %(body)s, current_schema()
    FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid JOIN pg_proc ON pg_proc.oid = tgfoid
    WHERE NOT tgisinternal AND relnamespace = current_schema()::regnamespace
    """
    found = {}
    for name, sql, stands, schema in connection.exec_driver_sql(query, {"body": _BODY}):
        plain = str(sql).replace(f" ON {schema}.", " ON ").replace(f" {schema}.{_FUNCTION}", f" {_FUNCTION}")
        found[str(name)] = plain if stands else ""
    return found
