"""Setups carried from one aircraft to another of the same kind, so that one starts with more than a guess."""

from __future__ import annotations

import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from probe_agent import words
from probe_agent.cli.group import (
    columns,
    date_of,
    main,
    reason_of,
    settings_of,
    settings_option,
    store_of,
    store_option,
    tell,
    zone_of,
)
from probe_agent.store import Reader, StoreError


@main.group(invoke_without_command=True)
@settings_option
@store_option
@click.pass_context
def setups(context: click.Context, settings_file: Path | None, store_file: Path | None) -> None:
    """What the setup in use rests on; its memory exported for a sister ship, or hers taken as a beginning.

    \b
    probe-agent setups                          own heat-ups, and the sister there is
    probe-agent setups export kestrel.json --as Kestrel
    probe-agent setups import kestrel.json --preview    whether it fits, and what it would change
    probe-agent setups import kestrel.json
    probe-agent setups undo

    A sister has the same layout, cooling, heater, cover, plugs and stand. The file holds what her heat-ups
    taught and nothing of where, when or for whom.
    """
    context.obj = (settings_file, store_file)
    if context.invoked_subcommand is None:
        _show(settings_file, store_file)


def _known(settings_file: Path | None, store_file: Path | None) -> tuple[Any, Any]:
    """The course of the setup in use, and what its record knows."""
    from probe_agent import learning
    from probe_agent.archive import Archive

    file = store_of(settings_file, store_file)
    try:
        course, _ = learning.course_for(settings_of(settings_file), file)
        with Archive(file, read_only=True) as archive:
            return course, learning.knowledge_of(archive, course)
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err


def _own(known: Any) -> int:
    return known.memory.heat_ups if known.memory is not None else 0


def _show(settings_file: Path | None, store_file: Path | None) -> None:
    from probe_agent import sisters

    course, known = _known(settings_file, store_file)
    name, own, sister = course.setup.name, _own(known), course.sister
    if sister is None:
        click.echo(f"Setup {name} rests on {words.heat_ups(own)} of its own.")
    else:
        click.echo(f"Setup {name}: {words.rests_on_sister(own, sister.heat_ups, sister.called)}")
    if course.lone:
        click.echo(f"The sister that was taken doesn't count any more. {course.lone}")
    taken = [t for t in sisters.read_taken(_kept(settings_file, store_file)) if t.setup == name]
    zone = zone_of(settings_of(settings_file))
    rows = []
    for one in reversed(taken):
        ended = "" if one.undone_at is None else f"undone {date_of(one.undone_at, zone)}"
        rows.append((date_of(one.at, zone), f"taken, file {one.checksum[:12]}", ended))
    for line in columns(rows) if rows else ():
        click.echo(line)


def _kept(settings_file: Path | None, store_file: Path | None) -> str | None:
    from probe_agent import sisters

    try:
        reader = Reader(store_of(settings_file, store_file))
        try:
            return reader.kept(sisters.KEPT)
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err


Given = tuple[Path | None, Path | None]


def _given(settings_file: Path | None, store_file: Path | None) -> Given:
    """Settings and store as named behind the command, else behind `setups`."""
    settings, store = click.get_current_context().obj
    return settings_file or settings, store_file or store


@setups.command("export")
@click.option("--as", "called", default="", help="How she is to be called elsewhere (default: not at all).")
@click.argument("to", type=click.Path(dir_okay=False, path_type=Path))
@settings_option
@store_option
def export_(settings_file: Path | None, store_file: Path | None, called: str, to: Path) -> None:
    """Write what this setup's heat-ups taught into a new file TO."""
    from probe_agent import sisters

    given = _given(settings_file, store_file)
    _, known = _known(*given)
    if known.memory is None or known.outdated:
        raise click.ClickException(
            "What the heat-ups teach has to be worked out again first. The daemon is at it where it runs; "
            "else run probe-agent learn. Then export."
            if known.outdated
            else "No heat-up of this setup has taught anything yet, so there is nothing to export."
        )
    day = datetime.fromtimestamp(time.time(), UTC).strftime("%Y-%m-%d")
    try:
        text = sisters.written(settings_of(given[0]), known.memory, called, day)
        with to.open("x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError as err:
        raise click.ClickException(f"{to} is there already. Name a new file.") from err
    except (sisters.Refused, OSError) as err:
        raise click.ClickException(reason_of(err)) from err
    held, name = words.heat_ups(known.memory.heat_ups), f"the name {called}" if called else "no name"
    click.echo(
        f"{to} holds what {held} taught: figures of engine, heater and probes, {name}, the day of this "
        "export, and no other dates. On the sister's board: probe-agent setups import FILE --preview"
    )


@setups.command("import")
@click.option("--preview", is_flag=True, help="Only show whether it fits and what it would change.")
@click.argument("source", metavar="FROM", type=click.Path(dir_okay=False, exists=True, path_type=Path))
@settings_option
@store_option
def import_(settings_file: Path | None, store_file: Path | None, preview: bool, source: Path) -> None:
    """Have the setup in use begin from a sister's heat-ups, by the file FROM that her board exported."""
    from probe_agent import sisters

    given = _given(settings_file, store_file)
    try:
        text = source.read_text("utf-8", errors="replace")  # what isn't text is no such file
        found, checksum = sisters.read(text)
    except OSError as err:
        raise click.ClickException(reason_of(err)) from err
    except sisters.Refused as err:
        raise click.ClickException(f"{source}: {err}") from err
    if not preview:
        tell(*given, "take-sister", {"file": text})
        return
    course, known = _known(*given)
    settings = settings_of(given[0])
    try:
        sister = sisters.fitted(found, checksum, settings, course.places)
    except sisters.Refused as err:
        raise click.ClickException(f"{source}: {err}") from err
    click.echo(
        f"It fits: exported {found.made_on} after {words.heat_ups(found.heat_ups)}, unchanged since, of a "
        "setup like this one."
    )
    click.echo(words.sister_previewed(found.heat_ups, found.called, sister.lacks, _own(known)))
    for line in _figures(course, sister):
        click.echo(line)
    click.echo("In brackets: 1 in 10 lies below, 1 in 10 above.")
    click.echo(
        "Nothing is changed yet. Without --preview it is taken; probe-agent setups undo takes it back."
    )


def _figures(course: Any, sister: Any) -> list[str]:
    """What is believed of this setup before its own heat-ups: as it is now, and with the sister."""
    from probe_agent.thermal.figures import believed

    rows = [("", "warms, were nothing lost", "coldest place levels off above the air, by")]
    for name, prior in (("now", course.prior), ("with her", sister.prior)):
        rate, plateau = believed(prior, course.places, course.required)
        rows.append((name, _band(rate, "°C/h"), _band(plateau, "K")))
    return columns(rows)


def _band(band: tuple[float, float, float], unit: str) -> str:
    low, middle, high = band
    return f"{middle:.0f} ({low:.0f} to {high:.0f}) {unit}"


@setups.command("undo")
@settings_option
@store_option
def undo(settings_file: Path | None, store_file: Path | None) -> None:
    """Rest on no sister any more."""
    tell(*_given(settings_file, store_file), "undo-sister", {})
