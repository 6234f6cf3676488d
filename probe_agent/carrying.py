"""A record carried elsewhere and back: a backup is a folder of its own, each file with its checksum."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from probe_agent import backups, export, maintenance, recovery
from probe_agent.store import SCHEMA_VERSION, StoreError

RECORD, SETTINGS, LIST = "probe-agent.db", "settings.toml", "backup.json"
_PIECE = 1 << 20

Tell = Callable[[str, int, int], None]
"""Told what is done, how much of it, and of how much."""


class Backup(msgspec.Struct, frozen=True):
    """What a backup holds. made_at [UTC s]; files: name → SHA-256."""

    made_at: float
    schema: int
    files: dict[str, str]


@contextmanager
def alone(runtime_dir: Path, like: Path | None = None) -> Iterator[None]:
    """Hold what a daemon holds while it runs. Raises StoreError where one does.

    like: a folder of the daemon's; where root does this, what is made here is given to its owner.
    """
    is_new, lock = not runtime_dir.exists(), runtime_dir / "daemon.lock"
    runtime_dir.mkdir(parents=True, exist_ok=True)
    handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        if like is not None:
            if is_new:
                backups.give_to_owner(runtime_dir, like)
            backups.give_to_owner(lock, runtime_dir)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as err:
            raise StoreError("A daemon is running on this record. Stop it first.") from err
        yield
    finally:
        os.close(handle)


def back_up_to(store: Path, settings: Path | None, folder: Path, now_at: float, tell: Tell) -> Backup:
    """A backup in a new folder, taken beside a running daemon; the folder is there once it is whole.

    Raises StoreError, OSError; nothing is left of a backup that failed.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StoreError(f"{folder} is there already. Name a new folder, such as one with the date.")
    if not store.exists():
        raise StoreError(f"{store} is not there. Name the settings, or the store.")
    draft = folder.with_name(folder.name + ".new")
    shutil.rmtree(draft, ignore_errors=True)
    try:
        draft.mkdir(parents=True)
        maintenance.copy_to(store, draft / RECORD, lambda done, of: tell("Copying the record", done, of))
        if settings is not None and settings.exists():
            shutil.copyfile(settings, draft / SETTINGS)
        names = [n for n in (RECORD, SETTINGS) if (draft / n).exists()]
        made = Backup(now_at, SCHEMA_VERSION, {n: _sum(draft / n, "Checking", tell) for n in names})
        (draft / LIST).write_bytes(msgspec.json.format(msgspec.json.encode(made)))
        _sync(draft)
        if folder.exists():
            folder.rmdir()
        draft.rename(folder)
        export.sync_folder(folder.parent)
    except BaseException:
        shutil.rmtree(draft, ignore_errors=True)
        raise
    return made


def read_backup(folder: Path, tell: Tell) -> Backup:
    """What a backup holds, each file checked. Raises StoreError with the reason it can't be used."""
    try:
        made = msgspec.json.decode((folder / LIST).read_bytes(), type=Backup)
        if made.schema > SCHEMA_VERSION:
            raise StoreError(f"{folder} was made by a newer version of this program. Install that one first.")
        for name, told in made.files.items():
            if name not in (RECORD, SETTINGS) or _sum(folder / name, "Checking", tell) != told:
                raise StoreError(f"{folder / name} is not as it was backed up. Use another backup.")
    except OSError as err:
        raise StoreError(
            f"{folder} is no backup that can be read: {err.filename}: {err.strerror}. Name the folder that "
            f"probe-agent backup made."
        ) from err
    except msgspec.MsgspecError as err:
        raise StoreError(f"{folder / LIST} is damaged ({err}). Use another backup.") from err
    if RECORD not in made.files:
        raise StoreError(f"{folder} holds no record. Use another backup.")
    return made


def restore(folder: Path, store: Path, now_at: float, tell: Tell) -> str | None:
    """Put a backup's record in the store's place; the name under which the one before is kept, None where
    there was none.

    The record there stays in its place until the other lies whole beside it. Where root does this, it is
    given to the folder's owner, so that the daemon can write it. Raises StoreError, OSError; nothing is
    changed then.
    """
    read_backup(folder, tell)
    draft = store.with_name(store.name + ".restored")
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        _copy_file(folder / RECORD, draft, tell)
        if (why := recovery.damage_of(draft, recovery.COPY_CHECK_S)) is not None:
            raise StoreError(f"The record in {folder} is damaged ({why}). Use another backup.")
        backups.give_to_owner(draft, store.parent)
        before = recovery.set_aside(store, "before-restore", now_at) if store.exists() else None
        _set_exports_aside(store, before)
        os.replace(draft, store)
        export.sync_folder(store.parent)
        return before
    finally:
        recovery.remove(draft)


def _set_exports_aside(store: Path, before: str | None) -> None:
    """What was exported belongs to the record before."""
    for file in (export.path_of(store), export.last_of(store)):
        if file.exists():
            os.replace(file, store.with_name((before or f"{store.name}.before-restore") + file.suffix))


def _copy_file(source: Path, target: Path, tell: Tell) -> None:
    size, done = source.stat().st_size, 0
    with source.open("rb") as read, target.open("wb") as out:
        while piece := read.read(_PIECE):
            out.write(piece)
            done += len(piece)
            tell("Bringing the record back", done, size)
        out.flush()
        os.fsync(out.fileno())


def _sum(file: Path, what: str, tell: Tell) -> str:
    found, size, done = hashlib.sha256(), max(file.stat().st_size, 1), 0
    with file.open("rb") as read:
        while piece := read.read(_PIECE):
            found.update(piece)
            done += len(piece)
            tell(what, done, size)
    return found.hexdigest()


def _sync(folder: Path) -> None:
    for file in folder.iterdir():
        with file.open("rb") as read:
            os.fsync(read.fileno())
    export.sync_folder(folder)
