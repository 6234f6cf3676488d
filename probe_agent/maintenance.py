"""Housekeeping outside the data path: the nightly verified copy of the store, the weight of old rows."""

from __future__ import annotations

import logging
import os
import sqlite3
from pathlib import Path

from probe_agent.store import StoreError, connect

log = logging.getLogger(__name__)


def back_up(store: Path) -> Path:
    """Copy the store beside itself, check the copy, and only then replace the last one.

    Returns the copy's path. Raises StoreError if the record can't be copied or the copy does not pass
    SQLite's quick_check; the copy before it is kept then.
    """
    copy = store.with_name(store.name + ".copy")
    draft = store.with_name(store.name + ".copy.new")
    draft.unlink(missing_ok=True)
    try:
        _copy(store, draft)
        os.replace(draft, copy)
    except (sqlite3.Error, OSError) as err:
        raise StoreError(f"{store} can't be copied ({err}). The copy before it was kept.") from err
    finally:
        for left in (draft, *(draft.with_name(draft.name + tail) for tail in ("-wal", "-shm", "-journal"))):
            left.unlink(missing_ok=True)
    log.info("copied the record to %s", copy)
    return copy


def write_beside(store: Path, text: str) -> Path:
    """Keep what people chose in a small file beside the store; its path. Raises OSError."""
    file = store.with_name(store.name + ".chosen.toml")
    draft = file.with_name(file.name + ".new")
    draft.write_text(text, "utf-8")
    os.replace(draft, file)
    return file


def _copy(store: Path, draft: Path) -> None:
    source = connect(store, read_only=True)
    target = sqlite3.connect(draft)
    try:
        source.backup(target, pages=200)
        found = target.execute("PRAGMA quick_check").fetchone()[0]
    finally:
        target.close()
        source.close()
    if found != "ok":
        raise StoreError(f"the copy of {store} is damaged ({found}). The copy before it was kept.")
