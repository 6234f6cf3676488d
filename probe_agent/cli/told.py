"""Commands by which a person tells the daemon something: a reading, the heater, oil, weather, a flight."""

from __future__ import annotations

import sqlite3
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from probe_agent import words
from probe_agent.cli.group import (
    CELSIUS,
    Count,
    Number,
    main,
    number_of,
    settings_of,
    settings_option,
    store_of,
    store_option,
    tell,
    zone_of,
)
from probe_agent.clock import SystemClock
from probe_agent.config import Settings
from probe_agent.store import Reader, StoreError


@main.command(context_settings={"ignore_unknown_options": True})
@settings_option
@store_option
@click.option(
    "--method",
    type=click.Choice(["infrared", "contact"]),
    default="infrared",
    show_default=True,
    help="Kind of thermometer.",
)
@click.option("--ago", "ago_min", type=Number(0, 60), default=0.0, help="Minutes since it was read.")
@click.option("-f", "--fahrenheit", is_flag=True, help="VALUE is in °F.")
@click.option("--sure", is_flag=True, help="It was asked about, and is right.")
@click.option("--undo", type=Count(), help="Undo the reading with this number instead.")
@click.argument("place", required=False)
@click.argument("value", required=False)
def enter(
    settings_file: Path | None,
    store_file: Path | None,
    method: str,
    ago_min: float,
    fahrenheit: bool,
    sure: bool,
    undo: int | None,
    place: str | None,
    value: str | None,
) -> None:
    """Enter a temperature read by hand: probe-agent enter cyl-3 -5.5

    A value far from the last one, or that fits better with the other sign, is asked about: look again, then
    enter it with --sure.

    Keep clear of the propeller: through the inlets your arms are in its arc. Switches off, key out.
    """
    if undo is not None:
        tell(settings_file, store_file, "undo-hand-reading", {"id": undo})
        return
    if place is None or value is None:
        raise click.UsageError("Give a place and a value, such as: probe-agent enter cyl-3 -5.5")
    number = number_of(value)
    if number is None:
        raise click.UsageError(f"'{value}' is no number. Write a temperature like -5.5")
    celsius = (number - 32) / 1.8 if fahrenheit else number
    tell(
        settings_file,
        store_file,
        "hand-reading",
        {
            "place": place,
            "c": celsius,
            "method": method,
            "age_s": ago_min * 60,
            "unit": "F" if fahrenheit else "C",
            "sure": sure,
        },
    )


@main.command()
@settings_option
@store_option
@click.option("--since", metavar="HH:MM", help="When it came on, on the field's clock (default: now).")
@click.argument("state", type=click.Choice(["on", "off"]))
def heater(settings_file: Path | None, store_file: Path | None, since: str | None, state: str) -> None:
    """Tell the daemon that somebody switched the heater on or off. It switches nothing itself."""
    body: dict[str, object] = {"on": state == "on"}
    tell(settings_file, store_file, "heater-said", body if since is None else body | {"clock": since})


@main.command("oil-out")
@settings_option
@store_option
def oil_out(settings_file: Path | None, store_file: Path | None) -> None:
    """Tell the daemon that the oil is out for warming elsewhere: nothing is called ready until oil-back."""
    tell(settings_file, store_file, "oil-out", {})


@main.command("oil-back")
@settings_option
@store_option
@click.option("--level-checked", is_flag=True, help="The level was checked; without it nothing is changed.")
def oil_back(settings_file: Path | None, store_file: Path | None, level_checked: bool) -> None:
    """Tell the daemon that the oil is back in and its level checked. The soak begins anew."""
    tell(settings_file, store_file, "oil-back", {"level_checked": level_checked})


@main.command(context_settings={"ignore_unknown_options": True})
@settings_option
@store_option
@click.option("--air-c", type=CELSIUS, help="Lowest air to come [°C], by --until.")
@click.option("--air-f", type=Number(-328, 2552), help="The same in °F.")
@click.option("--wind", type=Number(0, 120), help="Wind to come [m/s].")
@click.option("--until", default="07:00", show_default=True, help="When it is lowest, HH:MM at the field.")
@click.option("--metar", help="A METAR, as text.")
@click.option("--forget", is_flag=True, help="Forget what was typed in.")
def weather(
    settings_file: Path | None,
    store_file: Path | None,
    air_c: float | None,
    air_f: float | None,
    wind: float | None,
    until: str,
    metar: str | None,
    forget: bool,
) -> None:
    """What weather was heard, how old it is, and the air expected at the aircraft; or tell it yourself.

    \b
    probe-agent weather                             what is known, and the next 18 h
    probe-agent weather --air-c -8 --until 06:00    the low of the night, from a forecast you trust
    """
    if air_c is not None and air_f is not None:
        raise click.UsageError("Give --air-c or --air-f, one of the two.")
    low_c = (air_f - 32) / 1.8 if air_f is not None else air_c
    if sum((low_c is not None, metar is not None, forget)) > 1:
        raise click.UsageError("Give one of --air-c, --metar and --forget.")
    if wind is not None and low_c is None:
        raise click.UsageError("--wind goes with --air-c or --air-f: say how cold it gets, too.")
    if low_c is not None:
        until_at = _next_at(until, zone_of(settings_of(settings_file, needed=False)))
        body = {"air_c": low_c, "wind_m_s": wind, "until_at": until_at}
        tell(settings_file, store_file, "weather-said", body)
    elif metar is not None or forget:
        tell(settings_file, store_file, "weather-said", {"metar": metar} if metar else {"forget": True})
    else:
        _show_weather(
            settings_of(settings_file, needed=store_file is None), store_of(settings_file, store_file)
        )


def _next_at(clock_time: str, zone: str) -> float:
    """The next such time on the field's clock [UTC s]."""
    now = datetime.now(ZoneInfo(zone))
    try:
        hour, minute = map(int, clock_time.split(":"))
        at = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    except ValueError as err:
        raise click.UsageError(f"{clock_time} is not a time. Write one like 06:30.") from err
    return at.timestamp() if at > now else (at + timedelta(days=1)).timestamp()


def _show_weather(settings: Settings, file: Path) -> None:
    from probe_agent.weather.heard import Heard, picture

    zone, unit = zone_of(settings), settings.messages.unit
    heard = Heard(settings, zone)
    try:
        reader = Reader(file)
        try:
            now_at = SystemClock().utc()
            heard.recall(reader, now_at)
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    for line in picture(heard, now_at, zone, unit):
        click.echo(line)


@main.command()
@settings_option
@store_option
@click.argument("code")
def received(settings_file: Path | None, store_file: Path | None, code: str) -> None:
    """Answer a test message by its code, where messages carry no links: probe-agent received 482913"""
    from probe_agent.store import link_hash

    tell(settings_file, store_file, "answer-link", {"hash": link_hash(code.strip()).hex()})


@main.command()
@settings_option
@store_option
@click.option("--outing", type=Count(), help="Its number, as outings shows it (default: the last).")
@click.argument("kind", metavar="WHAT", type=click.Choice(list(words.FLEW_ANSWERS)))
def flew(settings_file: Path | None, store_file: Path | None, outing: int | None, kind: str) -> None:
    """Say what became of a heat-up: probe-agent flew flown-hot

    WHAT is flown-hot, flown-short, ground-run, did-not-start, not-flown or unknown.

    flown-hot: oil at 82 °C (180 °F) or more for 30 min in flight (common practice, no source). Said again,
    it is corrected.
    """
    body = {"what": kind} if outing is None else {"what": kind, "outing": outing}
    tell(settings_file, store_file, "flew", body)
