"""Whether the database itself is whole: pages, tables, and the triggers that let nobody change an entry."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import import_module

from sqlalchemy import Connection, create_engine, text

MOST_COMPLAINTS = 10
"""Of the database about its own pages; more tell no more (ours)."""

GUARDED = ("entry", "logbook")


def problems_of(connection: Connection) -> Iterator[str]:
    """What is wrong, one sentence each.

    Parameters
    ----------
    connection : Connection
        One that reads.
    """
    if connection.dialect.name == "sqlite":
        yield from _damaged_pages(connection)
        yield from _differences(_made(connection), _made_anew())
    else:
        yield from _differences(_postgresql_triggers(connection), _postgresql_triggers_anew())


def _damaged_pages(connection: Connection) -> Iterator[str]:
    for (complaint,) in connection.execute(text(f"PRAGMA integrity_check({MOST_COMPLAINTS})")):
        if complaint != "ok":
            line = " ".join(str(complaint).split())
            yield f"The database is damaged: {line}."
    for row in connection.execute(text("PRAGMA foreign_key_check")).fetchmany(MOST_COMPLAINTS):
        yield f"The database is damaged: row {row[1]} of {row[0]} corrects an entry that is not there."


def _differences(found: Mapping[str, str], made: Mapping[str, str]) -> Iterator[str]:
    """Compare what guards the entries with what the software had made."""
    for name in sorted(made.keys() - found.keys()):
        yield f"The database's {name} is missing: it was removed after it was made."
    for name in sorted(made.keys() & found.keys()):
        if made[name] != found[name]:
            yield f"The database's {name} is not as it was made: it was changed."
    for name in sorted(found.keys() - made.keys()):
        if name.startswith("trigger"):
            yield f"The database has a {name} that this software did not make."


def _made(connection: Connection) -> dict[str, str]:
    """The statements that made tables, indexes and triggers, by what they made."""
    rows = connection.execute(text("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL"))
    return {f"{kind} {name}": _plain(sql) for kind, name, sql in rows}


@cache
def _made_anew() -> Mapping[str, str]:
    """The same of a logbook that this software makes now, in memory."""
    from annotate.logbook.database import migrate

    engine = create_engine("sqlite://")
    try:
        with engine.connect() as connection, connection.begin():
            migrate(connection)
            return _made(connection)
    finally:
        engine.dispose()


def _plain(sql: str) -> str:
    """A statement without what a dump and its reading may change: white space, quotes around names."""
    return re.sub(r"\s+", "", sql).replace('"', "").lower()


def _postgresql_triggers(connection: Connection) -> dict[str, str]:
    """Triggers on the guarded tables that are switched on, by name, with the function that each runs."""
    query = text(
        "SELECT t.tgname, p.prosrc FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid "
        "WHERE NOT t.tgisinternal AND t.tgenabled IN ('O', 'A') "
        "AND t.tgrelid IN (SELECT to_regclass(name) FROM unnest(CAST(:tables AS text[])) AS name)"
    )
    return {f"trigger {name}": _plain(body) for name, body in connection.execute(query, {"tables": list(GUARDED)})}


@cache
def _postgresql_triggers_anew() -> Mapping[str, str]:
    """The same, as the first migration makes them."""
    first = import_module("annotate.logbook.migrations.versions.v0001_entries")
    bodies: dict[str, str] = {}
    triggers: dict[str, str] = {}
    for statement in first.POSTGRESQL_TRIGGERS:
        statement = statement.replace(":first", first.FIRST)
        if made := re.search(r"CREATE FUNCTION (\w+)\(\).*?\$\$(.*)\$\$", statement, re.DOTALL):
            bodies[made[1]] = _plain(made[2])
        elif made := re.search(r"CREATE TRIGGER (\w+).*EXECUTE FUNCTION (\w+)\(\)", statement, re.DOTALL):
            triggers[f"trigger {made[1]}"] = bodies[made[2]]
    return triggers
