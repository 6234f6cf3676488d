"""Which probe sits at which place: shown, changed, taken back."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from probe_agent import words
from probe_agent.cli.group import (
    columns,
    date_of,
    main,
    settings_of,
    settings_option,
    store_of,
    store_option,
    tell,
    zone_of,
)
from probe_agent.config import Settings
from probe_agent.store import BindingChange, Reader, StoreError, moves

NOWHERE = "none"
_T = TypeVar("_T")


@main.command()
@settings_option
@store_option
@click.option("--preview", is_flag=True, help="Only show what would change.")
@click.option("--undo", is_flag=True, help="Take the last change back.")
@click.argument("pairs", nargs=-1, metavar="[ADDRESS=PLACE]...")
def bind(
    settings_file: Path | None, store_file: Path | None, preview: bool, undo: bool, pairs: tuple[str, ...]
) -> None:
    """Which probe sits at which place; or have probes sit elsewhere from now on.

    \b
    probe-agent bind                                       how it is, and what changed when
    probe-agent bind 3b-0000001921fe=cyl-3 --preview       what that would change
    probe-agent bind 3b-0000001921fe=cyl-3 3b-00000019220a=none

    Raw readings stay as they are. A place that loses its probe isn't measured until it gets another.
    """
    file = store_of(settings_file, store_file)
    if undo and pairs:
        raise click.UsageError("Give --undo or addresses, one of the two.")
    bound = {address: (place, source) for place, source, address in _read(file, Reader.bindings)}
    changes = _read(file, Reader.binding_changes)
    settings = settings_of(settings_file, needed=False)
    if undo:
        tell(settings_file, store_file, "undo-binding", {"at": changes[0].at if changes else 0.0})
        return
    if not pairs:
        _show(bound, changes, settings)
        return
    wanted = dict(map(_pair, pairs))
    if preview:
        _preview(bound, wanted, settings)
        return
    seen = {address: place for address, (place, _) in bound.items()}
    body = {"places": {a: p or "" for a, p in wanted.items()}, "seen": seen}
    tell(settings_file, store_file, "bind-probes", body)


def _pair(text: str) -> tuple[str, str | None]:
    address, equals, place = text.partition("=")
    if not equals or not address or not place:
        raise click.UsageError(f"{text}: write it as 3b-0000001921fe=cyl-3, or =none for no place.")
    return address, None if place == NOWHERE else place


def _read(file: Path, ask: Callable[[Reader], _T]) -> _T:
    try:
        reader = Reader(file)
        try:
            return ask(reader)
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err


def _preview(bound: dict[str, tuple[str, str]], wanted: dict[str, str | None], settings: Settings) -> None:
    moved = moves(bound, wanted, {})
    if not moved:
        click.echo("Every probe sits there already.")
        return
    for m in moved:
        click.echo(words.probe_moves(m))
    bare = {m.before for m in moved if m.before is not None} - {m.after for m in moved}
    if told := words.left_without(sorted(bare), settings.required):
        click.echo(told)
    click.echo(f"{words.HELD_ON} Nothing is changed yet.")


def _show(bound: dict[str, tuple[str, str]], changes: list[BindingChange], settings: Settings) -> None:
    if not bound:
        click.echo("No probe is bound to a place. Name one: probe-agent bind ADDRESS=PLACE")
    rows = sorted((place, source, address) for address, (place, source) in bound.items())
    for line in columns([(words.place_name(p), s, a) for p, s, a in rows]) if rows else ():
        click.echo(line)
    zone = zone_of(settings)
    for change in changes:
        for m in change.moved:
            click.echo(f"{date_of(change.at, zone)}  {words.probe_moved(m)}")
