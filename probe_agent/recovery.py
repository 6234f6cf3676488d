"""A store that can be used, whatever has become of the file: checked at start, set aside where it is damaged,
brought back from export and nightly copy. And whether the card keeps what is written.
"""

from __future__ import annotations

import errno
import logging
import mmap
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from probe_agent import export
from probe_agent.store import (
    SCHEMA_TEXT,
    SCHEMA_VERSION,
    StoreError,
    StoreNewerError,
    connect,
    keep_value,
    schema_mark,
)

log = logging.getLogger(__name__)

CHECK_S = 15.0
"""The check at start takes no longer; what it has not come to, the nightly copy's check comes to."""
COPY_CHECK_S = 600.0
SUSPECT, COPY = ".suspect", ".copy"
REPLACED = "record-replaced"
KEEP_ASIDE = 2
"""Damaged files kept, the newest ones: each may fill a good part of a card."""
_TAILS = ("", "-wal", "-shm", "-journal")
_MAGIC = b"SQLite format 3\0"
_REFUSED = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)
_LARGE = ("forecasts", "readings", "ticks")
_LOOK_EVERY = 20_000


class Replaced(msgspec.Struct, frozen=True):
    """That a record was set aside: when [UTC s], why, the file's name now, when the copy it goes on from was
    made [UTC s] or None, whether there was a sound export."""

    at: float
    why: str
    aside: str
    copy_at: float | None
    exported: bool


def read_replaced(text: str | None) -> Replaced | None:
    """As kept under REPLACED; None where there is none that anybody has to know of."""
    try:
        return None if text is None else msgspec.json.decode(text, type=Replaced | None)
    except msgspec.MsgspecError:
        return None


@dataclass(frozen=True, slots=True)
class Card:
    """What the start found of the card. stand_in: why the record lies in memory instead, None where it
    doesn't; forgets: it takes what is written and doesn't keep it."""

    stand_in: str | None = None
    forgets: bool = False


# -- looking


def damage_of(path: Path, limit_s: float = CHECK_S) -> str | None:
    """What is wrong with a store's file, in a few words; None where nothing was found in so many seconds.

    Looks at the file's header, its version against the steps it has gone through, then through the small
    tables, then through all of it. Raises StoreNewerError where a newer program has written it.
    """
    if (reason := _suspected(path)) is not None:
        return reason
    if path.stat().st_size == 0:
        return "it was empty"
    with path.open("rb") as file:  # closed before SQLite opens it: a close ends its locks
        head = file.read(100)
    if len(head) < 100 or not {head[18], head[19]} <= {1, 2}:
        return "its head is damaged"
    try:
        db = connect(path, read_only=True)
        try:
            return _damage(db, path, time.monotonic() + limit_s)
        finally:
            db.close()
    except UnicodeDecodeError:
        return "its schema's text is damaged"
    except sqlite3.DatabaseError as err:
        if isinstance(err, sqlite3.OperationalError) and not _speaks_of_damage(err):
            return None  # it can't be looked at now, as where the card can only be read
        return str(err)


def _speaks_of_damage(err: sqlite3.Error) -> bool:
    """SQLITE_ERROR too: a look at a sound file of ours makes none, a head of an unknown format does."""
    damaged = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
    return getattr(err, "sqlite_errorcode", 0) & 0xFF in damaged


def _suspected(path: Path) -> str | None:
    """What was found wrong while the file was in use; an empty mark counts too."""
    try:
        return _mark_of(path).read_text("utf-8", "replace")[:200] or "it was found damaged while in use"
    except OSError:
        return None


def suspect(path: Path, why: str) -> None:
    """Have the next start set the file aside."""
    try:
        _mark_of(path).write_text(why, "utf-8")
    except OSError as err:
        log.error("%s can't be marked as damaged: %s", path, err)


def _mark_of(path: Path) -> Path:
    return path.with_name(path.name + SUSPECT)


def _damage(db: sqlite3.Connection, path: Path, deadline: float) -> str | None:
    if (wrong := _wrong_version(db, path) or _wrong_schema(db)) is not None:
        return wrong
    db.set_progress_handler(lambda: time.monotonic() > deadline, _LOOK_EVERY)
    try:
        for check in (*(f"quick_check('{table}')" for table in _small_tables(db)), "quick_check(1)"):
            found = db.execute(f"PRAGMA {check}").fetchone()[0]
            if found != "ok":
                return str(found).replace("\n", " ")[:200]
    except sqlite3.OperationalError as err:
        if getattr(err, "sqlite_errorcode", 0) != sqlite3.SQLITE_INTERRUPT:
            raise
        log.warning("%s could not be looked through in time", path)
    return None


def _wrong_version(db: sqlite3.Connection, path: Path) -> str | None:
    """Each step of the schema sets the version to its own number: a file that says otherwise is damaged."""
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = '_sqlite_migrations'").fetchone():
        return None if version == 0 else "its head is damaged"
    steps = int(db.execute("SELECT count(*) FROM _sqlite_migrations").fetchone()[0])
    if version > SCHEMA_VERSION and version == steps:
        raise StoreNewerError(path, version)
    return None if version == steps else f"it says schema {version} after {steps} steps"


def _wrong_schema(db: sqlite3.Connection) -> str | None:
    """A bit flipped in the schema's text renames a column, and no check of SQLite's finds it."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'kept'").fetchone():
        return None
    row = db.execute("SELECT value FROM kept WHERE name = ?", (SCHEMA_TEXT,)).fetchone()
    mark = schema_mark(db)
    if row is None or str(row[0]).partition(":")[0] != mark.partition(":")[0]:
        return None  # of a program before marks, or to be migrated
    return None if row[0] == mark else "its schema's text is damaged"


def _small_tables(db: sqlite3.Connection) -> list[str]:
    found = [str(r[0]) for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    return [name for name in found if name not in _LARGE]


# -- bringing back


def make_usable(path: Path, make: Callable[[Path], None], now_at: float) -> Replaced | None:
    """Leave a sound store at the path, brought back where it has to be; what was done then, None for nothing.

    make: brings a file to this program's schema, or makes one. Raises StoreError where even that fails,
    StoreNewerError, OSError.
    """
    if not path.exists() and not _is_lost(path):
        return None
    why = damage_of(path) if path.exists() else "it was gone"
    if why is None or (why == "it was empty" and not _is_lost(path)):
        return None
    if not _is_ours(path):
        raise StoreError(f"{path} can't be read as a store ({why}). Name another file, or move it away.")
    log.error("%s is damaged: %s", path, why)
    return bring_back(path, why, make, now_at)


def _is_lost(path: Path) -> bool:
    """Whether a file that isn't there was there once."""
    return _copy_of(path).exists() or export.read_export(path) is not None


def _is_ours(path: Path) -> bool:
    """Whether a file that can't be used is a store of ours, and not something else that was named."""
    if not path.exists() or _is_lost(path) or _mark_of(path).exists():
        return True
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) == _MAGIC


def is_cards_fault(err: Exception, folder: Path) -> bool:
    """Whether a store can't be used because nothing can be written there: full, read-only, failing. A folder
    that may not be written, or a store of a newer program, is the owner's to set right."""
    if isinstance(err, StoreNewerError):
        return False
    if isinstance(err, sqlite3.Error) and getattr(err, "sqlite_errorcode", 0) & 0xFF in _REFUSED:
        return True
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"\0" * 4096)
            file.flush()
            os.fsync(file.fileno())
    except OSError as refused:
        return refused.errno in (errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO)
    return False


def _copy_of(path: Path) -> Path:
    return path.with_name(path.name + COPY)


def bring_back(path: Path, why: str, make: Callable[[Path], None], now_at: float) -> Replaced:
    """Set the file aside and make one of the newest sound copy and what was exported."""
    exported = export.read_export(path)
    draft = path.with_name(path.name + ".back")
    copied_at = _take_copy(path, draft)
    make(draft)
    aside = set_aside(path, "damaged", now_at)
    told = Replaced(now_at, why, aside, copied_at, exported is not None)
    db = connect(draft)
    try:
        export.enter(db, exported, copied_at, now_at)
        db.execute(*keep_value(REPLACED, msgspec.json.encode(told).decode()))
        db.execute("PRAGMA journal_mode = DELETE")  # one file, to be renamed
    finally:
        db.close()
    os.replace(draft, path)
    _mark_of(path).unlink(missing_ok=True)
    export.sync_folder(path.parent)
    _forget_oldest(path)
    return told


def make_stand_in(path: Path, place: Path, make: Callable[[Path], None], now_at: float) -> None:
    """A new store elsewhere with what was exported from the one at the path, which is left alone."""
    remove(place)
    make(place)
    db = connect(place)
    try:
        export.enter(db, export.read_export(path), None, now_at)
    finally:
        db.close()


def _take_copy(path: Path, draft: Path) -> float | None:
    """The nightly copy, looked through, as a draft; when it was made, None where there is no sound one."""
    copy = _copy_of(path)
    remove(draft)
    try:
        if not copy.exists() or damage_of(copy, COPY_CHECK_S) is not None:
            return None
        made_at = copy.stat().st_mtime
        try:
            shutil.copyfile(copy, draft)
        except OSError:  # no room for both: the copy itself
            draft.unlink(missing_ok=True)
            os.replace(copy, draft)
        return made_at
    except (OSError, StoreError) as err:
        log.error("%s can't be used: %s", copy, err)
        return None
    finally:
        remove(copy, _TAILS[1:])


def remove(file: Path, tails: Sequence[str] = _TAILS) -> None:
    """A store's file with what SQLite left beside it, or that alone."""
    for tail in tails:
        file.with_name(file.name + tail).unlink(missing_ok=True)


def set_aside(path: Path, word: str, now_at: float) -> str:
    """Move a store's files away under the date; the new name of the file. Nothing is overwritten."""
    stamp = datetime.fromtimestamp(now_at, UTC).strftime("%Y-%m-%dT%H%M%SZ")
    name, n = f"{path.name}.{word}-{stamp}", 1
    while path.with_name(name).exists():
        name, n = f"{path.name}.{word}-{stamp}-{n}", n + 1
    for tail in _TAILS:
        if (file := path.with_name(path.name + tail)).exists():
            os.replace(file, path.with_name(name + tail))
    return name


def _forget_oldest(path: Path) -> None:
    """Old damaged files go: each is as large as the record."""
    found = [f for f in path.parent.glob(f"{path.name}.damaged-*") if not f.name.endswith(_TAILS[1:])]
    for old in sorted(found, key=lambda f: f.name)[:-KEEP_ASIDE]:
        remove(old)


# -- a card that keeps nothing


def starts_kept(store: Path, memory: Path) -> bool:
    """Count this start on the card, and say whether the card keeps what it takes: the count of the last
    start, which memory remembers beside it, and the one just written, read past the kernel's memory.

    memory: a file that lies in memory and outlives the daemon, not the board. A card that refuses is not one
    that forgets. Raises nothing.
    """
    counter = store.with_name(store.name + ".starts")
    try:
        on_card, remembered = _count_in(counter, direct=True), _count_in(memory)
        keeps = remembered is None or (on_card is not None and on_card >= remembered)
        count = max(on_card or 0, remembered or 0) + 1
        _write_count(counter, count)
        keeps = keeps and _count_in(counter, direct=True) == count
        memory.write_text(f"{count}\n", "ascii")
    except OSError as err:
        log.warning("whether the card keeps what is written isn't known: %s", err)
        return True
    return keeps


def _write_count(file: Path, count: int) -> None:
    with file.open("wb", buffering=0) as out:
        out.write(f"{count:<63}\n".encode("ascii"))
        os.fsync(out.fileno())


def _count_in(file: Path, direct: bool = False) -> int | None:
    """The count in a file, None where there is none. direct: from the device, where its file system can."""
    if not file.exists():
        return None
    raw = (_read_direct(file) if direct else None) or file.read_bytes()
    try:
        return int(raw.split()[0])
    except (IndexError, ValueError):
        return None


def _read_direct(file: Path) -> bytes | None:
    """A file's first bytes past the page cache; None where its file system can't do that."""
    try:
        handle = os.open(file, os.O_RDONLY | os.O_DIRECT)
    except OSError:
        return None
    try:
        with mmap.mmap(-1, mmap.PAGESIZE) as room:  # aligned, as direct reading wants it
            return room[: os.readv(handle, [room])]
    except OSError:
        return None
    finally:
        os.close(handle)
