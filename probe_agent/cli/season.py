"""What heating took and what settled, a season at a time; and why warmth matters, in figures of now."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import click

from probe_agent import words
from probe_agent.cli.group import (
    columns,
    date_of,
    main,
    settings_of,
    settings_option,
    status_of,
    store_of,
    store_option,
    zone_of,
)
from probe_agent.clock import SystemClock
from probe_agent.config import Costs
from probe_agent.season import Exposure, HeatupRow, Season, csv_of, season, seasons_in
from probe_agent.status import is_stale
from probe_agent.store import Reader, StoreError


@main.command()
@settings_option
@store_option
@click.option(
    "--season", "year", type=click.IntRange(2000, 2200), help="The year it begins in (default: newest)."
)
@click.option("--csv", "as_csv", is_flag=True, help="CSV of the heat-ups instead of the table.")
def record(settings_file: Path | None, store_file: Path | None, year: int | None, as_csv: bool) -> None:
    """Heat-ups of a season: heat, cost, water from the oil on cold metal, flights; and what isn't cleared."""
    file = store_of(settings_file, store_file)
    settings = settings_of(settings_file, needed=store_file is None)
    zone, costs = zone_of(settings), settings.costs
    try:
        found = _season(file, zone, costs.season_month, year)
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    if found is None:
        click.echo(words.NOTHING_RECORDED)
        return
    if as_csv:
        click.echo(csv_of(found, costs.price_per_kwh), nl=False)
        return
    for line in _lines(found, costs, zone):
        click.echo(line)


def _season(file: Path, zone: str, month: int, year: int | None) -> Season | None:
    reader = Reader(file)
    try:
        spells, heatups, outings = reader.spells(), reader.heatup_spans(), reader.outings(100_000)
    finally:
        reader.close()
    begins = seasons_in(spells, heatups, zone, month)
    if year is not None:
        begins = [b for b in begins if date_of(b, zone).startswith(f"{year}-")]
    return season(spells, heatups, outings, begins[0], zone, month) if begins else None


def _lines(found: Season, costs: Costs, zone: str) -> Iterator[str]:
    yield f"Season {found.name}"
    if found.rows:
        head = ("no", "begun", "heat", "energy", costs.currency, "kept", "water", "became")
        yield from columns([head, *(_row(r, costs, zone) for r in found.rows)])
    spent = found.spent
    cost = words.cost(spent.cost(costs.price_per_kwh), costs.currency)
    energy = words.energy(spent.kwh, spent.rests_on, spent.untold_s)
    yield (
        f"Heat-ups: {len(found.rows)}; {found.flown} followed by a flight, {found.without} without, "
        f"{found.unknown} not known. Flights with hot oil: {found.hot_flights}. "
        f"Ground runs: {found.ground_runs}."
    )
    yield f"Heater on: {words.hours(spent.heated_s)}. Energy: {energy}.{f' Cost: {cost}.' if cost else ''}"
    yield f"Water gathered: {_water(found.gathered)}. Not cleared: {_water(found.standing)}."
    yield words.days_since(found.days_since_hot(SystemClock().utc()))
    yield words.INDICATOR
    yield words.PARKED


def _row(row: HeatupRow, costs: Costs, zone: str) -> tuple[str, ...]:
    kwh, cost = row.spent.kwh, row.spent.cost(costs.price_per_kwh)
    return (
        str(row.number),
        date_of(row.began_at, zone),
        words.hours(row.spent.heated_s),
        "not known" if kwh is None else f"{kwh:.1f} kWh",
        "-" if cost is None else f"{cost:.2f}",
        words.kept_share(row.kept) or "-",
        words.exposure_short(row.exposure.degree, row.exposure.middle),
        words.outing_kind(row.kind.value) + (", cleared" if row.cleared else ""),
    )


def _water(e: Exposure) -> str:
    return words.exposure_sum(e.middle, e.low, e.high, e.wet_s)


@main.command()
@settings_option
def why(settings_file: Path | None) -> None:
    """Why warmth matters: bearing clearance and oil of this engine now. Indicative only."""
    settings = settings_of(settings_file)
    unit = settings.messages.unit
    status = status_of(settings)
    if status is None:
        raise click.ClickException(
            "There is no status document of a daemon. systemctl status probe-agent says whether it runs."
        )
    now = None if is_stale(status) else status.why
    said = [words.NOT_NOW] if now is None else [*words.clearance(now, unit), *words.oil(now, unit)]
    for line in (*said, words.BOTH, words.CLEARANCE_SOURCE, words.VISCOSITY_SOURCE, words.NO_CLAIM):
        click.echo(line)
