"""The commands. The only place that knows click, signals and the scheduler."""

from __future__ import annotations

import importlib.metadata
import importlib.resources
import json
import logging
import math
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click
import msgspec

from probe_agent import pairing, words
from probe_agent.clock import Clock, SimulatedClock, SystemClock
from probe_agent.config import (
    CERTAINTIES,
    Settings,
    SettingsError,
    load_settings,
    parse_settings,
    with_target,
)
from probe_agent.status import utc_text
from probe_agent.store import Reader, Store, StoreError, StoreNewerError, ask, await_answer

DEFAULT_SETTINGS = Path("/etc/probe-agent/settings.toml")
NIGHTLY_UTC_HOUR = 3
DAY_S = 86_400.0


def build() -> str:
    """The installed version."""
    try:
        return importlib.metadata.version("probe-agent")
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


def example_settings() -> str:
    """The commented example settings as text."""
    packaged = importlib.resources.files("probe_agent") / "example.toml"
    if packaged.is_file():
        return packaged.read_text("utf-8")
    return (Path(__file__).parent.parent / "deploy" / "example.toml").read_text("utf-8")


def _settings(path: Path | None, needed: bool = True) -> Settings:
    """Settings of a file; without --settings those of the usual place, or none where they aren't needed."""
    if path is None and not DEFAULT_SETTINGS.exists():
        if needed:
            raise click.ClickException(
                f"{DEFAULT_SETTINGS} is not there. Write one (probe-agent example > settings.toml shows "
                f"every key) and name it with --settings."
            )
        return Settings()
    try:
        return load_settings(path or DEFAULT_SETTINGS)
    except SettingsError as err:
        raise click.ClickException(str(err)) from err


settings_option = click.option(
    "--settings",
    "settings_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help=f"Settings file (default: {DEFAULT_SETTINGS}).",
)


store_option = click.option(
    "--store",
    "store_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Store, instead of the settings'.",
)


class Speed(click.ParamType[float]):
    """How many times as fast as life: a number above 0, or max."""

    name = "N|max"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if value == "max":
            return math.inf
        try:
            speed = float(value)
        except (TypeError, ValueError):
            speed = math.nan
        if not 0 < speed < math.inf:
            self.fail(f"{value} is not a speed. Give a number above 0, or max.", param, ctx)
        return speed


class Names(click.ParamType[tuple[str, ...]]):
    """Names separated by commas."""

    name = "a,b"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, ...]:
        if isinstance(value, tuple):
            return value
        return tuple(n.strip() for n in str(value).split(",") if n.strip())


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(build(), prog_name="probe-agent")
def main() -> None:
    """Watch a cold engine being preheated: read probes, forecast, keep the record, tell the pilot.

    \b
    probe-agent example > settings.toml     settings to start from, each line explained
    probe-agent run --settings FILE         the daemon
    probe-agent try                         the daemon on a simulated engine, many times as fast
    probe-agent enter cyl-3 -5.5            a temperature read by hand
    probe-agent received 482913             answers a test message
    probe-agent replay FILE.csv --target-c 7.2   forecasts for a recorded heat-up
    probe-agent score                       how earlier forecasts were borne out
    probe-agent weather                     the weather heard, and the air expected at the aircraft
    probe-agent exclude 7                   leave a heat-up out of what is learned; include takes it in again
    probe-agent learn                       work out anew what the kept heat-ups teach
    probe-agent outings                     what became of each heat-up; flew flown-hot says it
    probe-agent plan 2026-12-05T09:00       plan an engine start; plans lists them, what-if only asks
    probe-agent pair                        a code that lets one phone act; --viewer: only look
    probe-agent sessions                    which phones are paired; unpair 3 ends one
    probe-agent-web                         the page for the phone

    It watches and tells; it does not replace looking at the engine. Engine and heater manuals, local
    codes and licensed people come first.
    """


@main.command()
def example() -> None:
    """Print example settings, each line explained."""
    click.echo(example_settings(), nl=False)


@main.command()
@settings_option
@store_option
@click.option(
    "--recording",
    type=click.Path(dir_okay=False, allow_dash=True, path_type=Path),
    help="Readings from CSV (time,<place…>,ambient,heater) instead of probes; - is standard input.",
)
@click.option("--required", type=Names(), help="With --recording: required columns (default: every place).")
@click.option("--ignore", type=Names(), default="", help="With --recording: columns to pass over.")
@click.option("--target-c", type=float, help="With --recording: target, instead of the settings'.")
@click.option(
    "--speed",
    type=Speed(),
    default="1",
    show_default=True,
    help="With --recording: how many times as fast.",
)
@click.option("-v", "--verbose", is_flag=True, help="Say more on standard error.")
def run(
    settings_file: Path | None,
    store_file: Path | None,
    recording: Path | None,
    required: tuple[str, ...] | None,
    ignore: tuple[str, ...],
    target_c: float | None,
    speed: float,
    verbose: bool,
) -> None:
    """Run the daemon until it is stopped; with --recording until the recording ends."""
    _log(verbose)
    settings = _settings(settings_file, needed=recording is None)
    if recording is None:
        if required or ignore or target_c is not None or speed != 1:
            raise click.UsageError("--required, --ignore, --target-c and --speed go with --recording.")
        _run_probes(_placed(settings, store_file))
        return
    if settings == Settings() and store_file is None:
        store_file = Path("probe-agent.db")
    if target_c is not None:
        settings = with_target(settings, target_c)
    _run_recording(_placed(settings, store_file), recording, required, ignore, speed)


def _placed(settings: Settings, store_file: Path | None) -> Settings:
    """Settings whose store is where the command says, with the status document beside it."""
    if store_file is None:
        return settings
    place = msgspec.structs.replace(settings.store, file=str(store_file), runtime_dir=str(store_file.parent))
    return msgspec.structs.replace(settings, store=place)


def _run_probes(settings: Settings) -> None:
    from probe_agent.agent import plan_from_settings
    from probe_agent.probes.one_wire import OneWireSource

    wires = [p for p in settings.probes if p.source == "one-wire"]
    source = OneWireSource(
        Path(settings.one_wire.directory),
        expected=[p.address for p in wires],
        thermocouples={p.address: p.thermocouple for p in wires},
        deadline_s=settings.one_wire.deadline_s,
    )
    _watch(settings, plan_from_settings(settings), SystemClock(), [source])


def _run_recording(
    settings: Settings,
    recording: Path,
    required: tuple[str, ...] | None,
    ignore: tuple[str, ...],
    speed: float,
) -> None:
    from probe_agent.agent import plan_from_recording
    from probe_agent.probes.recording import RecordingError, RecordingSource

    try:
        source = RecordingSource(recording, ignore)
        places = [p for p in source.addresses if p != "ambient"]
        if unknown := [p for p in required or () if p not in places]:
            raise click.UsageError(
                f"--required: no column {', '.join(unknown)}. There are: {', '.join(places)}."
            )
        start_utc = source.start_utc
        clock = SimulatedClock(SystemClock().utc() if start_utc is None else start_utc, speed)
        plan = plan_from_recording(settings, places, required or places)
        _watch(settings, plan, clock, [source])
    except RecordingError as err:
        raise click.ClickException(str(err)) from err
    click.echo(f"Kept in {settings.store.file}: " + _summary(Path(settings.store.file)), err=True)


def _summary(store: Path) -> str:
    from probe_agent.store import connect

    db = connect(store, read_only=True)
    try:
        counts = [
            db.execute(f"SELECT count(*) FROM {t}").fetchone()[0]
            for t in ("readings", "heatups", "forecasts")
        ]
    finally:
        db.close()
    return "{} readings, {} heat-ups, {} forecasts.".format(*counts)


@main.command(name="try")
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help='Settings with probes of source = "simulated" (default: a built-in aircraft in a temporary folder).',
)
@click.option("--speed", type=Speed(), default="60", show_default=True, help="Times as fast as life.")
@click.option("-v", "--verbose", is_flag=True, help="Say more on standard error.")
def try_(settings_file: Path | None, speed: float, verbose: bool) -> None:
    """Run the daemon on a simulated engine at minus 12 °C whose heater is switched on soon.

    Nothing of the daemon is different; the simulated engine stands where the probes would be.
    """
    _log(verbose)
    if settings_file is not None:
        _run_simulated(_settings(settings_file), speed)
        return
    with tempfile.TemporaryDirectory(prefix="probe-agent-try-") as folder:
        settings = demo_settings(Path(folder))
        click.echo(
            f"Simulated engine, {speed:g} times as fast as life. Data in {folder}, removed at the end.",
            err=True,
        )
        _run_simulated(settings, speed)


def demo_settings(folder: Path) -> Settings:
    """Settings of the simulated aircraft with its data in a folder."""
    settings = parse_settings(example_settings().encode(), "the built-in example")
    probes = tuple(msgspec.structs.replace(p, source="simulated", address=p.place) for p in settings.probes)
    place = msgspec.structs.replace(
        settings.store, file=str(folder / "probe-agent.db"), runtime_dir=str(folder)
    )
    return msgspec.structs.replace(settings, probes=probes, store=place)


def _run_simulated(settings: Settings, speed: float) -> None:
    from probe_agent.agent import plan_from_settings
    from probe_agent.engine_sim import magpie_demo
    from probe_agent.probes.simulated import SimulatedSource

    clock = SimulatedClock(SystemClock().utc(), speed)
    source = SimulatedSource(magpie_demo())
    _watch(settings, plan_from_settings(settings), clock, [source], demo=True)


def _watch(settings: Settings, plan: Any, clock: Clock, sources: Sequence[Any], demo: bool = False) -> None:
    """Open the store, start couriers and housekeeping, tick until a signal comes or the sources end."""
    stop = threading.Event()

    def end(*_: object) -> None:
        stop.set()
        for source in sources:
            if source.name == "recording":
                source.close()  # it may be waiting for a pipe's next row

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    agent = assemble(settings, plan, clock, sources, demo)
    scheduler = _schedule(settings, agent) if isinstance(clock, SystemClock) else None
    try:
        agent.run(stop)
    finally:
        if scheduler is not None:
            scheduler.shutdown(wait=False)
        agent.store.close()


def assemble(settings: Settings, plan: Any, clock: Clock, sources: Sequence[Any], demo: bool = False) -> Any:
    """The daemon's heart on its store, with couriers and, where time is simulated, housekeeping."""
    from probe_agent.agent import Agent

    store = _open_store(settings)
    weather = _weather(settings, clock)
    agent = Agent(
        settings,
        plan,
        clock,
        sources,
        store,
        broker=_broker(settings, store),
        messages=_messages(settings, store, clock),
        weather=weather,
        watchdog=_watchdog(settings),
        build=build(),
        zone=_zone(settings),
        demo=demo,
    )
    if not isinstance(clock, SystemClock):
        agent.jobs += _jobs(settings, agent, weather)
    return agent


def _open_store(settings: Settings) -> Store:
    """The store, made or migrated first where it has to be."""
    file = Path(settings.store.file)
    try:
        Path(settings.store.runtime_dir).mkdir(parents=True, exist_ok=True)
        file.parent.mkdir(parents=True, exist_ok=True)
        try:
            return Store(file)
        except StoreNewerError:
            raise
        except StoreError:
            _migrate(file)
            return Store(file)
    except (StoreError, OSError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err


def _migrate(file: Path) -> None:
    """Bring the store to this program's schema, in a process that takes its imports with it."""
    command = [sys.executable, "-m", "probe_agent.migrations", str(file)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode != 0:
        raise StoreError(done.stderr.strip())


def _messages(settings: Settings, store: Store, clock: Clock) -> Any:
    if not settings.recipients:
        return None
    from probe_agent.messages import MessageCourier, print_of

    for recipient in settings.recipients:
        _forget_moved(store, recipient.name, print_of(recipient))
    return MessageCourier(store, settings.recipients, settings.messages, clock)


def _forget_moved(store: Store, name: str, address: str | None) -> None:
    """A recipient whose address changed has yet to be proven."""
    key = f"address-of {name}"
    known = store.kept(key)
    if address is None or known == address:
        return
    if known is not None:
        store.forget_recipient(name)
    store.keep(key, address)


def _watchdog(settings: Settings) -> Any:
    if settings.watchdog.url_file is None:
        return None
    from probe_agent.watchdog import WatchdogCourier

    return WatchdogCourier(settings.watchdog, settings.sampling.interval_s)


def _broker(settings: Settings, store: Store) -> Any:
    if settings.broker.host is None:
        return None
    from probe_agent.broker import BrokerCourier

    def version_of(content: str) -> int:
        """The stored counter of the description, one higher when its content changes."""
        kept = json.loads(store.kept("description") or '["", 0]')
        if kept[0] != content:
            kept = [content, kept[1] + 1]
            store.keep("description", json.dumps(kept))
        return int(kept[1])

    device = settings.broker.device or _slug(settings.aircraft.name)
    return BrokerCourier(settings.broker, device, version_of, _broker_password(settings), build())


def _broker_password(settings: Settings) -> str | None:
    if not settings.broker.password_file:
        return None
    try:
        return Path(settings.broker.password_file).read_text("utf-8").strip()
    except OSError as err:
        raise click.ClickException(
            f"broker.password_file: {settings.broker.password_file} can't be read ({err.strerror})."
        ) from err


def _weather(settings: Settings, clock: Clock) -> Any:
    """The courier of what the settings name; under a simulated clock it is asked by a job."""
    wanted = settings.weather
    if not (wanted.hourly or wanted.metar or wanted.topic):
        return None
    from probe_agent.weather.courier import WeatherCourier, sources_of

    listener = None
    if wanted.topic is not None:
        from probe_agent.weather.topic import TopicListener

        listener = TopicListener(settings.broker, wanted.topic, _broker_password(settings), clock)
    on_thread = isinstance(clock, SystemClock)
    return WeatherCourier(sources_of(wanted), clock, wanted.every_min * 60, listener, on_thread)


def _slug(name: str) -> str:
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in kept.split("-") if part) or "aircraft"


def _zone(settings: Settings) -> str:
    if settings.aircraft.zone is not None:
        return settings.aircraft.zone
    from tzlocal import get_localzone_name

    return get_localzone_name() or "UTC"


def _jobs(settings: Settings, agent: Any, weather: Any) -> list[Any]:
    """Housekeeping for a simulated clock; under a real one the scheduler runs the same functions."""
    from probe_agent.agent import Job
    from probe_agent.maintenance import back_up
    from probe_agent.telling import next_test_at

    file, clock = Path(settings.store.file), agent.clock
    jobs = [Job(lambda: back_up(file), every_s=DAY_S, due_s=clock.monotonic() + DAY_S)]
    test_at = next_test_at(settings.messages.weekly_test, clock.utc(), _zone(settings))
    if test_at is not None and settings.recipients:
        jobs.append(Job(agent.send_tests, every_s=7 * DAY_S, due_s=test_at - clock.utc_offset_s()))
    if weather is not None:
        jobs.append(Job(weather.look, every_s=settings.weather.every_min * 60, due_s=clock.monotonic()))
    return jobs


def _schedule(settings: Settings, agent: Any) -> Any:
    """A scheduler for housekeeping alone; nothing that means something to pilot or heater is a job."""
    from apscheduler.schedulers.background import BackgroundScheduler

    from probe_agent.maintenance import back_up

    scheduler = BackgroundScheduler(
        timezone="UTC", job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
    )
    scheduler.add_job(
        back_up, "cron", hour=NIGHTLY_UTC_HOUR, args=[Path(settings.store.file)], id="nightly-copy"
    )
    weekly = settings.messages.weekly_test
    if weekly != "never" and settings.recipients:
        scheduler.add_job(agent.send_tests, "cron", **_weekly(weekly), timezone=_zone(settings), id="test")
    scheduler.start()
    return scheduler


def _weekly(text: str) -> dict[str, Any]:
    """A weekly time like "Sun 18:00" as the scheduler takes it."""
    day, _, time_of_day = text.partition(" ")
    hour, _, minute = time_of_day.partition(":")
    return {"day_of_week": day.lower(), "hour": int(hour), "minute": int(minute)}


@main.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE.csv...")
@click.option("--target-c", type=float, required=True, help="Target for the coldest required place [°C].")
@click.option("--required", type=Names(), help="Required columns (default: every place of the file).")
@click.option("--ignore", type=Names(), default="", help="Columns to pass over.")
@click.option(
    "--heater",
    "heater_mode",
    type=click.Choice(["measured", "command", "none"]),
    default="measured",
    show_default=True,
    help="The heater column was measured, is what was commanded, or is to be left unread.",
)
@click.option(
    "--every", "every_s", type=click.FloatRange(1, 600), help="At most one line in so many seconds of data."
)
@click.option(
    "--learn", is_flag=True, help="The files are successive heat-ups of one setup; each teaches the next."
)
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Settings that describe the engine and its setup; without them the prior is wide.",
)
def replay(
    files: tuple[str, ...],
    target_c: float,
    required: tuple[str, ...] | None,
    ignore: tuple[str, ...],
    heater_mode: Any,
    every_s: float | None,
    learn: bool,
    settings_file: Path | None,
) -> None:
    """Forecast recorded heat-ups, one JSON object a line, as if each row had just arrived.

    FILE.csv has columns time,<place…>,ambient,heater; - is standard input. time in ISO 8601 or seconds,
    °C, empty = missing, heater 0 = off. It touches no store and asks no daemon.
    """
    from probe_agent import replay as recorded
    from probe_agent.probes.recording import RecordingError

    settings = _settings(settings_file) if settings_file is not None else None
    options = recorded.Options(target_c, required, ignore, heater_mode, every_s, learn, settings)
    try:
        recorded.replay(files, options, _print_line, _progress())
    except (RecordingError, ValueError) as err:
        raise click.ClickException(str(err)) from err


def _print_line(line: str) -> None:
    """One line at once, also into a pipe; a reader that has gone ends the program quietly."""
    try:
        print(line, flush=True)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None


def _progress() -> Callable[[str, float], None] | None:
    """Progress on standard error where that is a terminal and the lines go elsewhere."""
    if not sys.stderr.isatty() or sys.stdout.isatty():
        return None
    shown = [0.0]

    def say(name: str, t_s: float) -> None:
        now = time.monotonic()
        if now - shown[0] >= 0.5:
            shown[0] = now
            print(f"\r{name}: {t_s / 3600:.1f} h ", end="", file=sys.stderr, flush=True)

    return say


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
@click.option(
    "--ago", "ago_min", type=click.FloatRange(0, 60), default=0.0, help="Minutes since it was read."
)
@click.option("-f", "--fahrenheit", is_flag=True, help="VALUE is in °F.")
@click.option("--undo", type=int, help="Undo the reading with this number instead.")
@click.argument("place", required=False)
@click.argument("value", required=False)
def enter(
    settings_file: Path | None,
    store_file: Path | None,
    method: str,
    ago_min: float,
    fahrenheit: bool,
    undo: int | None,
    place: str | None,
    value: str | None,
) -> None:
    """Enter a temperature read by hand: probe-agent enter cyl-3 -5.5

    Keep clear of the propeller: through the inlets your arms are in its arc. Switches off, key out.
    """
    if undo is not None:
        _ask(settings_file, store_file, "undo-hand-reading", {"id": undo})
        return
    if place is None or value is None:
        raise click.UsageError("Give a place and a value, such as: probe-agent enter cyl-3 -5.5")
    try:
        number = float(value.replace(",", ".").replace("−", "-"))
    except ValueError as err:
        raise click.UsageError(f"{value} is not a number.") from err
    celsius = (number - 32) / 1.8 if fahrenheit else number
    _ask(
        settings_file,
        store_file,
        "hand-reading",
        {"place": place, "c": celsius, "method": method, "age_s": ago_min * 60},
    )


@main.command()
@settings_option
@store_option
@click.argument("state", type=click.Choice(["on", "off"]))
def heater(settings_file: Path | None, store_file: Path | None, state: str) -> None:
    """Tell the daemon that somebody switched the heater on or off. It switches nothing itself."""
    _ask(settings_file, store_file, "heater-said", {"on": state == "on"})


@main.command("oil-out")
@settings_option
@store_option
def oil_out(settings_file: Path | None, store_file: Path | None) -> None:
    """Tell the daemon that the oil is out for warming elsewhere: nothing is called ready until oil-back."""
    _ask(settings_file, store_file, "oil-out", {})


@main.command("oil-back")
@settings_option
@store_option
@click.option("--level-checked", is_flag=True, help="The level was checked; without it nothing is changed.")
def oil_back(settings_file: Path | None, store_file: Path | None, level_checked: bool) -> None:
    """Tell the daemon that the oil is back in and its level checked. The soak begins anew."""
    _ask(settings_file, store_file, "oil-back", {"level_checked": level_checked})


@main.command(context_settings={"ignore_unknown_options": True})
@settings_option
@store_option
@click.option("--air-c", type=float, help="Lowest air to come, by --until.")
@click.option("--air-f", type=float, help="The same in °F.")
@click.option("--wind", type=click.FloatRange(0, 120), help="Wind to come [m/s].")
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
    if low_c is not None:
        until_at = _next_at(until, _zone(_settings(settings_file, needed=False)))
        body = {"air_c": low_c, "wind_m_s": wind, "until_at": until_at}
        _ask(settings_file, store_file, "weather-said", body)
    elif metar is not None or forget:
        _ask(settings_file, store_file, "weather-said", {"metar": metar} if metar else {"forget": True})
    else:
        _show_weather(
            _settings(settings_file, needed=store_file is None), _store_file(settings_file, store_file)
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

    zone, unit = _zone(settings), settings.messages.unit
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

    _ask(settings_file, store_file, "answer-link", {"hash": link_hash(code.strip()).hex()})


@main.command()
@settings_option
@store_option
@click.option("--note", help="Why, for the record.")
@click.argument("heatup", type=click.IntRange(1))
def exclude(settings_file: Path | None, store_file: Path | None, note: str | None, heatup: int) -> None:
    """Leave a heat-up out of what is learned; nothing of it is deleted. score shows the numbers.

    For one in which somebody opened the cowl, moved a probe, or tried another heater.
    """
    body = {"heatup": heatup, "excluded": True, "note": note}
    _ask(settings_file, store_file, "exclude-heatup", body)


@main.command()
@settings_option
@store_option
@click.argument("heatup", type=click.IntRange(1))
def include(settings_file: Path | None, store_file: Path | None, heatup: int) -> None:
    """Take a heat-up in again that was left out of what is learned."""
    _ask(settings_file, store_file, "exclude-heatup", {"heatup": heatup, "excluded": False})


@main.command()
@settings_option
@store_option
def learn(settings_file: Path | None, store_file: Path | None) -> None:
    """Work out anew what the kept heat-ups of this setup teach, from their raw readings.

    A daemon may be running on the same store; it goes on with the new memory by itself.
    """
    from probe_agent import learning

    settings, file = _settings(settings_file), _store_file(settings_file, store_file)
    zone = _zone(settings)
    try:
        course, all_ended = learning.course_for(settings, file)
        known = learning.catch_up(
            file,
            course,
            lambda progress: click.echo(_progress_line(progress, zone)),
            afresh=True,
            all_ended=all_ended,
        )
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    heat_ups = known.memory.heat_ups if known.memory else 0
    click.echo(f"The range of setup {course.setup.name} rests on {words.heat_ups(heat_ups)}.")


@main.command()
@settings_option
@store_option
@click.option("--viewer", is_flag=True, help="The phone may look, not act.")
def pair(settings_file: Path | None, store_file: Path | None, viewer: bool) -> None:
    """Print a code that pairs one phone: type it on the page under "Pair this phone".

    The code holds for 15 minutes and for one phone; one printed before ends. It is kept nowhere.
    """
    code, salt = pairing.new_code(), pairing.new_salt()
    role = "viewer" if viewer else "owner"
    body = {"role": role, "salt": salt.hex(), "hash": pairing.seal(code, salt).hex()}
    said = _answer(settings_file, store_file, pairing.OFFER, body)
    click.echo(f"{'Viewer' if viewer else 'Owner'}'s code: {pairing.shown_code(code)}")
    click.echo(said)
    for hint in _pairing_hints(_settings(settings_file, needed=store_file is None), viewer):
        click.echo(hint)


def _pairing_hints(settings: Settings, viewer: bool) -> list[str]:
    """What else is needed before a paired phone can do anything."""
    page = settings.page
    if viewer:
        needless = 'The page is shown to anyone as it is set up (viewing = "anyone" under [page]).'
        return [needless] if page.viewing == "anyone" else []
    if page.proxy is None and not page.plain_acts:
        return [
            "As it is set up, a paired phone can look but not act: the page needs HTTPS, through a proxy "
            "named in the settings. README: Letting a phone act."
        ]
    return []


@main.command()
@settings_option
@store_option
def sessions(settings_file: Path | None, store_file: Path | None) -> None:
    """List the phones that are paired, a row each, and the code that is open."""
    file, now_at = _store_file(settings_file, store_file), time.time()
    zone = _zone(_settings(settings_file, needed=store_file is None))
    try:
        reader = Reader(file)
        try:
            found, code = reader.sessions(now_at), reader.open_code(now_at)
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    rows = [("no", "name", "it", "since", "until")]
    rows += [
        (str(s.number), s.label, words.role(s.role), _day(s.made_at, zone), _day(s.expires_at, zone))
        for s in found
    ]
    for line in _table(rows) if found else ["No phone is paired. probe-agent pair prints a code."]:
        click.echo(line)
    if code is not None:
        until = words.moment(code.expires_at, zone, now_at)
        click.echo(f"One {code.role}'s code is open until {until}; wrong tries: {code.tries}.")


@main.command()
@settings_option
@store_option
@click.argument("number", type=click.IntRange(1))
def unpair(settings_file: Path | None, store_file: Path | None, number: int) -> None:
    """End the pairing of one phone; sessions shows the numbers."""
    _ask(settings_file, store_file, pairing.END, {"session": number})


def _progress_line(progress: Any, zone: str) -> str:
    heatup = progress.heatup
    said = words.taught(progress.lesson, heatup.excluded)
    day = _day(heatup.started_at, zone)
    return f"{progress.done} of {progress.of}: heat-up {heatup.heatup}, {day}: {said}."


def _day(at: float, zone: str) -> str:
    return datetime.fromtimestamp(at, ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M")


@main.command()
@settings_option
@store_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the table.")
def score(settings_file: Path | None, store_file: Path | None, as_json: bool) -> None:
    """How the forecasts of this setup's heat-ups were borne out, a heat-up a row.

    25, 50, 75 %: of the time from heater-on to above target; by how many minutes the forecast that stood
    then was late (+) or early (-), with * where the truth lay outside its range.
    """
    from probe_agent import learning

    settings, file = _settings(settings_file), _store_file(settings_file, store_file)
    try:
        course, _ = learning.course_for(settings, file)
        rows, known = learning.scored(file, course)
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    record = known.record
    within_min = None if record is None or record.within_s is None else record.within_s / 60
    sentence = words.borne_out(record.heat_ups, within_min, record.inside) if record else None
    if as_json:
        table = [{"started": utc_text(row.started_at), **msgspec.to_builtins(row)} for row in rows]
        summary = {"setup": course.setup.name, "sentence": sentence, "record": record, "heat_ups": table}
        click.echo(msgspec.json.encode(summary).decode())
        return
    if not rows:
        click.echo("No heat-up of this setup has ended yet. Each one that does gets a row here.")
        return
    for line in _score_table(rows, _zone(settings)):
        click.echo(line)
    click.echo(sentence or "None of them reached its target with a forecast to judge.")


@main.command()
@settings_option
@store_option
@click.option("--last", type=click.IntRange(1, 1000), default=30, show_default=True, help="How many.")
def outings(settings_file: Path | None, store_file: Path | None, last: int) -> None:
    """What became of each heat-up and absence of the harness, and what that rests on; newest first."""
    from probe_agent import logbook

    file, now_at = _store_file(settings_file, store_file), SystemClock().utc()
    settings = _settings(settings_file, needed=store_file is None)
    zone, unit = _zone(settings), settings.messages.unit
    try:
        reader = Reader(file)
        try:
            found, counted = reader.outings(last), logbook.counted(reader.came_of_heatups())
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    if not found:
        click.echo(
            "Nothing is kept yet. A heat-up begins a row, and so does the harness when it is unplugged."
        )
        return
    for o in found:
        of = "" if o.heatup is None else f", heat-up {o.heatup}"
        of += "" if o.departure is None else f", departure {o.departure}"
        click.echo(f"{o.number}  {_day(o.began_at, zone)}{of}: {words.outing_kind(o.kind)}")
        click.echo(f"   rests on: {words.outing_rests_on(o, zone, now_at, unit)}")
    click.echo(words.since_flight(counted.hot_at, counted.without, counted.unknown, now_at))


@main.command()
@settings_option
@store_option
@click.option("--outing", type=click.IntRange(1), help="Its number, as outings shows it (default: the last).")
@click.argument("kind", type=click.Choice(list(words.FLEW_ANSWERS)))
def flew(settings_file: Path | None, store_file: Path | None, outing: int | None, kind: str) -> None:
    """Say what became of a heat-up: probe-agent flew flown-hot

    flown-hot: oil at 82 °C (180 °F) or more for 30 min in flight (common practice, no source). Said again,
    it is corrected.
    """
    body = {"what": kind} if outing is None else {"what": kind, "outing": outing}
    _ask(settings_file, store_file, "flew", body)


def _score_table(rows: Sequence[Any], zone: str) -> list[str]:
    head = ("no", "started", "warm-up", *(f"{p} %" for p in (25, 50, 75)), "lesson")
    table = [head]
    for row in rows:
        judged = {s.percent: s for s in row.scores}
        warm_up = "-" if row.warm_up_min is None else f"{row.warm_up_min:.0f} min"
        cells = (_score_cell(judged.get(p)) for p in (25, 50, 75))
        learned = words.taught(row.lesson, row.excluded)
        table.append((str(row.heatup), _day(row.started_at, zone), warm_up, *cells, learned))
    return _table(table)


def _table(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows with their columns below one another."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(w) for cell, w in zip(r, widths, strict=True)).rstrip() for r in rows]


def _score_cell(judged: Any) -> str:
    if judged is None:
        return "-"
    error = "never" if judged.error_s is None else f"{judged.error_s / 60:+.0f}"
    return error + ("" if judged.inside else " *")


def plan_options(command: Callable[..., None]) -> Callable[..., None]:
    """What a plan may say beside its start."""
    for option in (
        click.option("--uncovered-min", type=click.FloatRange(0, 180), help="Heater off to engine start."),
        click.option("--travel-min", type=click.FloatRange(0, 600), help="Way of whoever switches it on."),
        click.option(
            "--certainty",
            type=click.Choice(list(CERTAINTIES)),
            help="On how many mornings the start is to be kept (default: the settings').",
        ),
        store_option,
        settings_option,
    ):
        command = option(command)
    return command


def _wishes(**said: Any) -> dict[str, Any]:
    """A command's body: what was said, nothing for what wasn't."""
    return {name: value for name, value in said.items() if value is not None}


@main.command()
@plan_options
@click.argument("start", metavar="YYYY-MM-DDTHH:MM")
def plan(settings_file: Path | None, store_file: Path | None, start: str, **wishes: Any) -> None:
    """Plan an engine start, on the field's clock: probe-agent plan 2026-12-05T09:00

    One plan belongs to one departure; nothing repeats by itself. It answers whether heat is needed, when it
    must go on at the latest, and what that rests on.
    """
    _ask(settings_file, store_file, "plan", _wishes(start=start, **wishes))


@main.command(name="what-if")
@plan_options
@click.argument("start", metavar="[YYYY-MM-DDTHH:MM]", required=False)
def what_if(settings_file: Path | None, store_file: Path | None, start: str | None, **wishes: Any) -> None:
    """Ask what a plan would say; without a start, for the earliest one. Plans nothing."""
    _ask(settings_file, store_file, "what-if", _wishes(start=start, **wishes))


@main.command()
@settings_option
@store_option
def plans(settings_file: Path | None, store_file: Path | None) -> None:
    """The planned departures, the next one first."""
    from probe_agent.departures import kept_departures

    settings, file = _settings(settings_file), _store_file(settings_file, store_file)
    zone, now_at = _zone(settings), time.time()
    try:
        found = kept_departures(file, now_at)
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    for shown in found:
        click.echo(f"{shown.departure}  {words.plan_line(shown, zone, now_at)}")
    if not found:
        click.echo("No departure is planned. probe-agent plan 2026-12-05T09:00 plans one.")


@main.command()
@settings_option
@store_option
@click.argument("number", type=click.IntRange(1))
@click.argument("start", metavar="YYYY-MM-DDTHH:MM")
def move(settings_file: Path | None, store_file: Path | None, number: int, start: str) -> None:
    """Give a planned departure another start; plans shows the numbers."""
    _ask(settings_file, store_file, "move-departure", {"departure": number, "start": start})


@main.command(name="timer-set")
@settings_option
@store_option
@click.option("--at", metavar="YYYY-MM-DDTHH:MM", help="What it is set to, if not what was planned.")
@click.argument("number", type=click.IntRange(1))
def timer_set(settings_file: Path | None, store_file: Path | None, at: str | None, number: int) -> None:
    """The timer is set and you leave: from then on only the start moves."""
    _ask(settings_file, store_file, "timer-set", _wishes(departure=number, at=at))


@main.command()
@settings_option
@store_option
@click.argument("number", type=click.IntRange(1))
@click.argument("outcome", type=click.Choice(["started", "did-not-start", "not-flying"]))
def departure(settings_file: Path | None, store_file: Path | None, number: int, outcome: str) -> None:
    """Say what came of a planned departure."""
    kind = "cancel-departure" if outcome == "not-flying" else outcome
    _ask(settings_file, store_file, kind, {"departure": number})


def _store_file(settings_file: Path | None, store_file: Path | None) -> Path:
    file = store_file or Path(_settings(settings_file).store.file)
    if not file.exists():
        raise click.ClickException(f"{file} is not there yet. Start the daemon first.")
    return file


def _ask(settings_file: Path | None, store_file: Path | None, kind: str, body: dict[str, Any]) -> None:
    """Leave a command for the daemon and print its answer."""
    click.echo(_answer(settings_file, store_file, kind, body))


def _answer(settings_file: Path | None, store_file: Path | None, kind: str, body: dict[str, Any]) -> str:
    """What the daemon answers to a command. Raises ClickException where it doesn't carry it out."""
    file = _store_file(settings_file, store_file)
    try:
        answer = await_answer(file, ask(file, kind, body))
    except StoreError as err:
        raise click.ClickException(str(err)) from err
    if answer is None:
        raise click.ClickException(
            "The daemon did not answer within 10 s. Is it running? Nothing was changed so far."
        )
    said = json.loads(answer)
    if not said["ok"]:
        raise click.ClickException(said["text"])
    return str(said["text"])


def _log(verbose: bool) -> None:
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING,
        stream=sys.stderr,
        format="%(levelname)s %(name)s: %(message)s",
    )


if __name__ == "__main__":
    main()
