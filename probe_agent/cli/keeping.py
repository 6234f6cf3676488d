"""Commands on the record as a whole: backup and restore."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from probe_agent.cli.group import (
    DEFAULT_SETTINGS,
    main,
    reason_of,
    settings_of,
    settings_option,
    store_option,
)
from probe_agent.clock import SystemClock
from probe_agent.config import Settings
from probe_agent.store import StoreError

_TELL_S = 0.5


@main.command()
@settings_option
@store_option
@click.argument("to", type=click.Path(path_type=Path))
def backup(settings_file: Path | None, store_file: Path | None, to: Path) -> None:
    """Back up record and settings into a new folder TO, such as one on a stick. The daemon may go on.

    Secrets in files of their own (passwords, addresses) are not in it.
    """
    from probe_agent import backups, carrying

    settings = settings_of(settings_file, needed=store_file is None)
    file = store_file or Path(settings.store.file)
    try:
        made = carrying.back_up_to(file, settings_file or DEFAULT_SETTINGS, to, SystemClock().utc(), _tell())
    except (StoreError, OSError) as err:
        raise click.ClickException(f"No backup was made: {reason_of(err)}") from err
    click.echo(f"Backed up {' and '.join(made.files)} into {to}, and checked them.")
    try:
        known = backups.noted(file, to, made.made_at)
    except OSError as err:
        click.echo(f"probe-agent check will not know of it: {reason_of(err)}", err=True)
        return
    if known is not None and known.same_card is not None and known.same_card.at == made.made_at:
        click.echo("It lies on the record's own card or disk: carry it elsewhere too, or both die together.")


@main.command()
@settings_option
@store_option
@click.argument("source", metavar="FROM", type=click.Path(path_type=Path))
def restore(settings_file: Path | None, store_file: Path | None, source: Path) -> None:
    """Put the record of a backup FROM in place, as on a new card. Stop the daemon first.

    Settings are brought back where there are none. A record that is there is kept beside it under another
    name. What people answered, planned or paired after the backup is not in it.
    """
    from probe_agent import carrying

    tell = _tell()
    try:
        carrying.read_backup(source, tell)
        fresh = _settings_from(source, settings_file or DEFAULT_SETTINGS)
        settings = settings_of(settings_file, needed=store_file is None)
        place = store_file or Path(settings.store.file)
        place.parent.mkdir(parents=True, exist_ok=True)
        with carrying.alone(_runtime_dir(settings, store_file), place.parent):
            before = carrying.restore(source, place, SystemClock().utc(), tell)
    except (StoreError, OSError) as err:
        raise click.ClickException(f"Nothing was restored: {reason_of(err)}") from err
    click.echo(f"{place} is the record of {source}.")
    if before is not None:
        click.echo(f"The one before is kept as {place.with_name(before)}.")
    if fresh is not None:
        click.echo(f"Settings were brought back as {fresh}. Files with secrets have to be written anew.")


def _settings_from(source: Path, place: Path) -> Path | None:
    """Settings of a backup, put where there are none, for whom their folder is."""
    from probe_agent import backups, carrying

    kept = source / carrying.SETTINGS
    if place.exists() or not kept.exists():
        return None
    place.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(kept, place)
    backups.give_to_owner(place, place.parent)
    return place


def _runtime_dir(settings: Settings, store_file: Path | None) -> Path:
    return store_file.parent if store_file is not None else Path(settings.store.runtime_dir)


def _tell() -> Callable[[str, int, int], None]:
    """Progress on standard error: on a terminal in place, else a line a quarter."""
    shown: dict[str, Any] = {"s": 0.0, "quarter": -1, "what": ""}

    def say(what: str, done: int, of: int) -> None:
        percent, now_s = 100 * done // max(of, 1), time.monotonic()
        if what != shown["what"]:
            shown.update(what=what, quarter=-1)
        if sys.stderr.isatty():
            if now_s - shown["s"] >= _TELL_S or done == of:
                shown["s"] = now_s
                print(f"\r{what}: {percent} % ", end="\n" if done == of else "", file=sys.stderr, flush=True)
        elif percent // 25 != shown["quarter"]:
            shown["quarter"] = percent // 25
            print(f"{what}: {percent} %", file=sys.stderr, flush=True)

    return say
