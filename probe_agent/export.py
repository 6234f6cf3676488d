"""A small checksummed file beside the store: what people set and accepted, for when the store is lost.

Written after each change, whole, beside the one before it: `<store>.export` and `<store>.export.last`.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from probe_agent.store import connect

_HEAD = "probe-agent export 1 sha256="
_OPEN_DEPARTURES = "outcome IS NULL"
TABLES = {
    "places": "SELECT * FROM places ORDER BY place",
    "setups": "SELECT * FROM setups ORDER BY setup",
    "bindings": "SELECT * FROM bindings ORDER BY binding",
    "corrections": "SELECT * FROM corrections ORDER BY correction",
    "recipients": "SELECT * FROM recipients ORDER BY recipient",
    "sessions": "SELECT * FROM sessions WHERE ended_at IS NULL ORDER BY session",
    "departures": f"SELECT * FROM departures WHERE {_OPEN_DEPARTURES} ORDER BY departure",
    "outings": "SELECT * FROM outings WHERE told_by = 'tap' ORDER BY outing",
    "kept": "SELECT * FROM kept WHERE name IN ('chosen', 'switch-locked', 'plug-timer-tested',"
    " 'plans-switched', 'told-change', 'description', 'sisters') OR name LIKE 'address-of %' ORDER BY name",
}
"""What is exported of each table: what a person said, set or accepted, and what must not be done twice. The
switch's lock is among it."""
_MARKS = "SELECT heatup, excluded, note FROM heatups WHERE excluded OR note != '' ORDER BY heatup"
_OIL = "SELECT value FROM kept WHERE name = 'watch'"


@dataclass(frozen=True, slots=True)
class Export:
    """What one file holds. tables: rows by name of column; marks: (heat-up, left out, note); oil_out_at:
    since when the oil is out, as said; is_newest: not the one before it; written_at: the file's time [UTC
    s]."""

    tables: dict[str, list[dict[str, Any]]]
    marks: list[tuple[int, int, str]]
    oil_out_at: float | None
    is_newest: bool
    written_at: float


class Exporter:
    """Keeps the file in step with the store. For one thread at a time."""

    def __init__(self, store: Path) -> None:
        self._store = store
        found = _verified(path_of(store))
        self._body = None if found is None else found

    def follow(self) -> bool:
        """Write the file anew where anything in it has changed; whether it was.

        Raises sqlite3.Error, OSError; the file before stays as it is then.
        """
        body = content(self._store)
        if body == self._body:
            return False
        file, last = path_of(self._store), last_of(self._store)
        if self._body is not None:
            _replace(last, self._body)
        _replace(file, body)
        self._body = body
        return True


def path_of(store: Path) -> Path:
    return store.with_name(store.name + ".export")


def last_of(store: Path) -> Path:
    return store.with_name(store.name + ".export.last")


def content(store: Path) -> bytes:
    """What is to be exported now, as text without its head."""
    db = connect(store, read_only=True)
    db.row_factory = sqlite3.Row
    try:
        tables = {name: [_plain(row) for row in db.execute(sql)] for name, sql in TABLES.items()}
        marks = [tuple(row) for row in db.execute(_MARKS)]
        watch = db.execute(_OIL).fetchone()
    finally:
        db.close()
    whole = {"tables": tables, "marks": marks, "oil_out_at": _oil_out_at(watch)}
    return json.dumps(whole, ensure_ascii=False, indent=1).encode()


def _oil_out_at(watch: sqlite3.Row | None) -> float | None:
    if watch is None:
        return None
    offset_s, kept = json.loads(watch[0])
    since_s = kept.get("oil_out_s")
    return None if since_s is None else round(since_s + offset_s, 1)


def _plain(row: sqlite3.Row) -> dict[str, Any]:
    return {k: {"hex": row[k].hex()} if isinstance(row[k], bytes) else row[k] for k in list(row.keys())}


def read_export(store: Path) -> Export | None:
    """The newest export that is whole: of a damaged one the one before it is used, of two damaged none."""
    for file, is_newest in ((path_of(store), True), (last_of(store), False)):
        body = _verified(file)
        if body is None:
            continue
        whole = json.loads(body)
        tables = {name: [_bytes_again(row) for row in whole["tables"].get(name, [])] for name in TABLES}
        marks = [(int(h), int(x), str(n)) for h, x, n in whole["marks"]]
        return Export(tables, marks, whole["oil_out_at"], is_newest, file.stat().st_mtime)
    return None


def _bytes_again(row: dict[str, Any]) -> dict[str, Any]:
    return {k: bytes.fromhex(v["hex"]) if isinstance(v, dict) else v for k, v in row.items()}


def _verified(file: Path) -> bytes | None:
    """The body of an export whose checksum fits; None where there is none, or a damaged one."""
    try:
        head, _, body = file.read_bytes().partition(b"\n")
    except OSError:
        return None
    return body if head == _head(body) else None


def _head(body: bytes) -> bytes:
    return f"{_HEAD}{hashlib.sha256(body).hexdigest()}".encode()


def _replace(file: Path, body: bytes) -> None:
    """The file whole or as before, whatever happens meanwhile."""
    draft = file.with_name(file.name + ".new")
    with draft.open("wb") as out:
        out.write(_head(body) + b"\n" + body)
        out.flush()
        os.fsync(out.fileno())
    os.replace(draft, file)
    sync_folder(file.parent)


def sync_folder(folder: Path) -> None:
    """What was renamed in a folder stays so through a power cut."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def enter(db: sqlite3.Connection, export: Export | None, copied_at: float | None, now_at: float) -> None:
    """Bring what was exported into a store, in one transaction. copied_at: when its copy was made [UTC s],
    None for a new store.

    Of the newest export what has ended since the copy ends. An older one than the copy adds what is missing
    there and changes nothing. Without the newest nobody knows whether somebody is at the aircraft: the plug
    is locked then.
    """
    newest = export is not None and export.is_newest
    db.execute("PRAGMA foreign_keys = OFF")
    db.execute("BEGIN IMMEDIATE")
    if export is not None:
        _enter_rows(db, export, newest or copied_at is None or export.written_at >= copied_at)
    if export is not None and newest:
        _end_what_ended(db, export, now_at)
    if not newest:
        db.execute("INSERT OR REPLACE INTO kept VALUES ('switch-locked', ?)", (json.dumps(now_at),))
    for column, table in (("heatup", "heatups"), ("departure", "departures")):
        db.execute(f"UPDATE outings SET {column} = NULL WHERE {column} NOT IN (SELECT {column} FROM {table})")
    db.execute("COMMIT")
    db.execute("PRAGMA foreign_keys = ON")


def _enter_rows(db: sqlite3.Connection, export: Export, is_newer: bool) -> None:
    for table, rows in export.tables.items():
        _insert(db, table, rows, "REPLACE" if is_newer else "IGNORE")
    if is_newer:
        for heatup, excluded, note in export.marks:
            db.execute("UPDATE heatups SET excluded = ?, note = ? WHERE heatup = ?", (excluded, note, heatup))
        _say_oil(db, export.oil_out_at)


def _end_what_ended(db: sqlite3.Connection, export: Export, now_at: float) -> None:
    """Pairings and plans that are open in the copy and not in the export were ended after it was made."""
    for table, column, ended in (
        ("sessions", "session", "UPDATE sessions SET ended_at = :at WHERE ended_at IS NULL AND"),
        ("departures", "departure", f"DELETE FROM departures WHERE {_OPEN_DEPARTURES} AND"),
        ("recipients", "recipient", "DELETE FROM recipients WHERE"),
    ):
        open_now = json.dumps([row[column] for row in export.tables[table]])
        values = {"at": now_at, "open": open_now}
        db.execute(f"{ended} {column} NOT IN (SELECT value FROM json_each(:open))", values)


def _insert(db: sqlite3.Connection, table: str, rows: Iterable[dict[str, Any]], where_known: str) -> None:
    """Rows by their columns, those that this schema knows."""
    known = {str(r[1]) for r in db.execute(f"PRAGMA table_info({table})")}
    for row in rows:
        told = {k: v for k, v in row.items() if k in known}
        marks = ", ".join("?" * len(told))
        columns = ", ".join(told)
        db.execute(f"INSERT OR {where_known} INTO {table} ({columns}) VALUES ({marks})", tuple(told.values()))


def _say_oil(db: sqlite3.Connection, oil_out_at: float | None) -> None:
    """Oil that is out stays out: nothing may be called ready meanwhile."""
    row = db.execute(_OIL).fetchone()
    offset_s, watch = (0.0, {}) if row is None else json.loads(row[0])
    if row is None and oil_out_at is None:
        return
    watch["oil_out_s"] = None if oil_out_at is None else oil_out_at - offset_s
    value = json.dumps([offset_s, watch])
    db.execute("INSERT OR REPLACE INTO kept VALUES ('watch', ?)", (value,))
