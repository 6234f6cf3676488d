"""A record as an earlier version left it, with rows in every table."""

from __future__ import annotations

import sqlite3
from pathlib import Path

REFERENCE = Path(__file__).parent / "reference"
STEPS = ("first", "second", "third", "fourth")
ROWS = 3
FIRST_WRITTEN = {"departures": 3}
"""No program of schemas 1 and 2 wrote plans: the table they had for them was empty and was made anew."""
_OURS = "type = 'table' AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND name NOT LIKE '\\_%' ESCAPE '\\'"


def filled(path: Path, version: int) -> Path:
    """A store of that schema, three rows in each table that its programs wrote, different in every column."""
    db = sqlite3.connect(path)
    db.executescript((REFERENCE / f"schema-{version}.sql").read_text("utf-8"))
    with db:
        db.executemany(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
            " VALUES ('probe-agent', ?, '2027-01-01')",
            [(name,) for name in STEPS[:version]],
        )
        db.execute(f"PRAGMA user_version = {version}")
        for table in _tables(db):
            if version >= FIRST_WRITTEN.get(table, 1):
                _fill(db, table)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    db.execute("PRAGMA journal_mode = WAL")
    db.close()
    return path


def _tables(db: sqlite3.Connection) -> list[str]:
    return [str(r[0]) for r in db.execute(f"SELECT name FROM sqlite_master WHERE {_OURS} ORDER BY name")]


def _fill(db: sqlite3.Connection, table: str) -> None:
    columns = db.execute(f"SELECT name, type FROM pragma_table_info('{table}')").fetchall()
    for n in range(1, ROWS + 1):
        values = [_value(str(name), str(kind), n) for name, kind in columns]
        marks = ", ".join("?" * len(values))
        db.execute(f"INSERT INTO {table} VALUES ({marks})", values)


def _value(name: str, kind: str, n: int) -> object:
    """A number that is a row's own key too, so that what refers to it finds it."""
    if kind == "TEXT":
        return f"{name} {n} −1,5 °C"
    if kind == "BLOB":
        return bytes((0, n))
    return n if kind == "INTEGER" else n + 0.25


def contents(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table."""
    db = sqlite3.connect(path)
    try:
        return {t: sorted(db.execute(f"SELECT * FROM {t}").fetchall(), key=repr) for t in _tables(db)}
    finally:
        db.close()


def from_version_0_1_0(path: Path) -> Path:
    """The record that version 0.1.0's own daemon left (reference/record-0.1.0.sql)."""
    db = sqlite3.connect(path)
    db.execute("PRAGMA page_size = 1024")
    db.executescript((REFERENCE / "record-0.1.0.sql").read_text("utf-8"))
    db.execute("PRAGMA journal_mode = WAL")
    db.close()
    return path
