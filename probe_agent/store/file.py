"""The file itself: opening it, its version, a transaction, numbers as they are stored."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any

SCHEMA_VERSION = 4
PAGE_BYTES = 1024
"""Small pages: a commit changes a few hundred bytes in each of some eight pages, and each goes to the card
whole (41 KB a commit with pages of 4 KB; see DEVELOPERS.md)."""


CACHE_KB = 512
"""What each connection keeps of the file in memory; SQLite's own 2 MB fill up as the file grows."""


class StoreError(RuntimeError):
    """The store can't be used; the text says why and what to do."""


class StoreNewerError(StoreError):
    """The file was written by a newer program; it is left untouched."""

    def __init__(self, path: Path, version: int) -> None:
        super().__init__(
            f"{path} was written by a newer version of this program (schema {version}, known here "
            f"{SCHEMA_VERSION}). Nothing was changed. Install the newer version, or name another file."
        )


Statement = tuple[str, Sequence[Any]]
"""SQL and its values, for a Batch."""


def connect(path: Path, read_only: bool = False, create: bool = False) -> sqlite3.Connection:
    """A connection as every part of the product opens one: autocommit, WAL, FULL, foreign keys.

    Raises sqlite3.OperationalError where there is no such file, unless `create`.
    """
    if create and not path.exists():
        path.touch(0o666)  # SQLite's own 0644 would shut the group out that daemon and page share
    uri = path.absolute().as_uri() + ("?mode=ro" if read_only else "?mode=rwc" if create else "?mode=rw")
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=10, check_same_thread=False)
    connection.execute("PRAGMA busy_timeout = 10000")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KB}")
    if create:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    if not read_only:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    return connection


def check_version(connection: sqlite3.Connection, path: Path) -> None:
    """Raises StoreNewerError or StoreError unless the file has this program's schema."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > SCHEMA_VERSION:
        raise StoreNewerError(path, version)
    if version < SCHEMA_VERSION:
        raise StoreError(
            f"{path} has schema {version}, this program needs {SCHEMA_VERSION}. Start the daemon once."
        )


def open_checked(path: Path, read_only: bool = False) -> sqlite3.Connection:
    """A connection to a store of this program's schema.

    Raises StoreError or StoreNewerError before anything is written where it is another one, or none.
    """
    if not path.exists():
        raise StoreError(f"{path} is not there yet. Start the daemon, or name its store.")
    try:
        look = connect(path, read_only=True)
        try:
            check_version(look, path)
        except BaseException:
            look.close()
            raise
        if read_only:
            return look
        look.close()
        return connect(path)
    except (sqlite3.DatabaseError, UnicodeDecodeError) as err:  # sqlite3 quotes a damaged schema's own bytes
        if not os.access(path, os.R_OK | os.W_OK):
            raise StoreError(
                f"{path} is closed to this user ({err}). Put sudo before the command; if that doesn't help, "
                f"look at its owner, and whether its card can be written."
            ) from err
        raise StoreError(
            f"{path} can't be read as a store ({err}). Name another file, or move it away."
        ) from err


SCHEMA_TEXT = "schema-text"
"""Under which name the schema's mark is kept."""


def schema_mark(db: sqlite3.Connection) -> str:
    """The version and a checksum over the schema's own text, which SQLite's checks don't look at."""
    version = db.execute("PRAGMA user_version").fetchone()[0]
    texts = db.execute(
        "SELECT CAST(sql AS BLOB) FROM sqlite_master"
        " WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY type, name"
    )
    return f"{version}:{sha256(b'|'.join(bytes(text) for (text,) in texts)).hexdigest()}"


def mark_schema(db: sqlite3.Connection) -> None:
    """Keep the mark of the schema as it is now, to be compared at each start."""
    db.execute(*keep_value(SCHEMA_TEXT, schema_mark(db)))


def mc(value_c: float | None) -> int | None:
    return None if value_c is None else round(value_c * 1000)


def ms(t_s: float | None) -> int | None:
    return None if t_s is None else round(t_s * 1000)


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All or nothing, begun as a writer so that it can't fail half-way on another's lock."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


TAKE_ALONG = "take-along"
"""Under which name the table to take along is kept."""


def keep_value(name: str, value: str) -> Statement:
    """Keep a small value across restarts."""
    return (
        "INSERT INTO kept VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (name, value),
    )
