"""Settings that are changed without the settings file: shown, changed, taken back."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import click

from probe_agent import chosen, words
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
from probe_agent.store import Reader, StoreError


@main.command("set", context_settings={"ignore_unknown_options": True})
@settings_option
@store_option
@click.option("-f", "--fahrenheit", is_flag=True, help="VALUE is in °F.")
@click.option("--as-file", is_flag=True, help="As the settings file says again.")
@click.option("--undo", is_flag=True, help="Take the last change of NAME back.")
@click.argument("name", required=False)
@click.argument("value", required=False)
def set_(
    settings_file: Path | None,
    store_file: Path | None,
    fahrenheit: bool,
    as_file: bool,
    undo: bool,
    name: str | None,
    value: str | None,
) -> None:
    """Settings that may be changed without the settings file; or change one, from now on.

    \b
    probe-agent set                    each with its value, and since when where the file says otherwise
    probe-agent set target_c 10        the target; -f 50 in °F
    probe-agent set quiet 22:00-05:30  quiet hours; none for none

    What was chosen is kept in the record, and beside it in the words of the settings file.
    """
    file = store_of(settings_file, store_file)
    changes = _changes(file)
    unit = "F" if fahrenheit else "C"
    if name is None:
        _show(changes, settings_of(settings_file, needed=False))
    elif undo:
        held = chosen.in_force(changes).get(name)
        if held is None:
            raise click.ClickException(f"Nothing was changed of {name}.")
        tell(settings_file, store_file, "undo-choice", {"at": held.at, "unit": unit})
    elif as_file == (value is not None):
        raise click.UsageError("Give a value, --as-file or --undo.")
    else:
        body = {"name": name, "text": value or "", "unit": unit, "as_file": as_file}
        tell(settings_file, store_file, "choose-setting", body)


def _changes(file: Path) -> tuple[chosen.Change, ...]:
    try:
        reader = Reader(file)
        try:
            return chosen.read_changes(reader.kept(chosen.KEPT))
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err


def _show(changes: tuple[chosen.Change, ...], file: Settings) -> None:
    now, held, zone = chosen.with_chosen(file, changes), chosen.in_force(changes), zone_of(file)
    unit: words.Unit = file.messages.unit
    rows = []
    for choice in chosen.CHOICES:
        value, said = (chosen.shown(choice, chosen.value_of(s, choice), unit) for s in (now, file))
        since = f"since {date_of(held[choice.name].at, zone)}, file: {said}" if value != said else ""
        rows.append((choice.name, value, since, choice.what))
    for line in columns(rows):
        click.echo(line)
