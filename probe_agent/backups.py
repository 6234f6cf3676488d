"""Which backups a person made of a record, in a small file beside it.

Not in the record: a damaged one, or one on a card that takes nothing, is just the one to be backed up.
"""

from __future__ import annotations

import os
from pathlib import Path

import msgspec

from probe_agent.store import StoreError

DAY_S = 86_400.0


class Made(msgspec.Struct, frozen=True):
    """A backup: when [UTC s], and its folder as it was named then."""

    at: float
    folder: str

    def days(self, now_at: float) -> float:
        """Its age [days]; below 0 where a clock was ahead."""
        return (now_at - self.at) / DAY_S

    def ago(self, now_at: float) -> str:
        """Its age in words."""
        days = self.days(now_at)
        if days < -1 / 24:
            return "a day yet to come, by a clock that was ahead"
        if days < 1:
            return "within a day"
        return "a day ago" if days < 2 else f"{days:.0f} days ago"


class Known(msgspec.Struct, frozen=True):
    """The last backup on another file system than the record, and the last on the record's own."""

    elsewhere: Made | None = None
    same_card: Made | None = None


def path_of(store: Path) -> Path:
    """Where a record's backups are noted."""
    return store.with_name(store.name + ".backups")


def known(store: Path) -> Known:
    """What was noted; nothing where nothing was. Raises StoreError where the note can't be read."""
    try:
        return msgspec.json.decode(path_of(store).read_bytes(), type=Known)
    except FileNotFoundError:
        return Known()
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as err:
        raise StoreError(f"{path_of(store)}, which says when it was last backed up, can't be read") from err


def noted(store: Path, folder: Path, at: float) -> Known | None:
    """Note a backup that is whole in `folder`; None where it lies beside the record, as install.sh has them.

    Raises OSError where nothing can be noted.
    """
    if folder.resolve().parent == store.resolve().parent:
        return None
    made = Made(at, str(folder.resolve()))
    try:
        before = known(store)
    except StoreError:
        before = Known()
    near = folder.stat().st_dev == store.parent.stat().st_dev
    now = msgspec.structs.replace(before, **{"same_card" if near else "elsewhere": made})
    draft = path_of(store).with_name(path_of(store).name + ".new")
    draft.write_bytes(msgspec.json.encode(now))
    give_to_owner(draft, store.parent)
    os.replace(draft, path_of(store))
    return now


def give_to_owner(path: Path, like: Path) -> None:
    """Where root has made `path`: its owner and group as those of `like`, and what the owner may do with it
    the group may too where it may in `like`. Raises OSError."""
    if os.geteuid() != 0:
        return
    model = like.stat()
    os.chown(path, model.st_uid, model.st_gid)
    mode = path.stat().st_mode & 0o777
    if model.st_mode & 0o020:
        mode |= (mode & 0o600) >> 3
    if not model.st_mode & 0o007:
        mode &= ~0o007
    os.chmod(path, mode)
