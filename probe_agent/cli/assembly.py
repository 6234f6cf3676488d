"""The daemon put together from settings: store, couriers, housekeeping."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from probe_agent import recovery
from probe_agent.cli.group import build, zone_of
from probe_agent.clock import Clock, SystemClock
from probe_agent.config import Settings
from probe_agent.recovery import Card
from probe_agent.store import Store, StoreError, StoreNewerError

NIGHTLY_UTC_HOUR = 3
STAND_IN = "probe-agent-stand-in.db"
DAY_S = 86_400.0


def assemble(settings: Settings, plan: Any, clock: Clock, sources: Sequence[Any], demo: bool = False) -> Any:
    """The daemon's heart on its store, with couriers and, where time is simulated, housekeeping."""
    from probe_agent.agent import Agent
    from probe_agent.export import Exporter

    store, card = _open_store(settings, clock)
    exporter = Exporter(store.path)
    weather, messages = weather_courier(settings, clock), message_courier(settings, store, clock)
    broker = broker_courier(settings, store)
    agent = Agent(
        settings,
        plan,
        clock,
        sources,
        store,
        broker=broker,
        messages=messages,
        weather=weather,
        watchdog=watchdog_courier(settings),
        listeners=[
            *(s for s in sources if s.name == "mqtt"),
            *history_couriers(settings, store, demo or not isinstance(clock, SystemClock)),
        ],
        line=plug_line(settings, clock, demo),
        sharing=circuit_sharing(settings, clock, broker, demo),
        build=build(),
        zone=zone_of(settings),
        demo=demo,
        card=card,
        then=lambda: None if card.stand_in is not None else exporter.follow(),
    )
    agent.when_set += [courier.ask_again for courier in (weather, messages) if courier is not None]
    if not isinstance(clock, SystemClock):
        agent.jobs += housekeeping(settings, agent, weather)
    return agent


def _open_store(settings: Settings, clock: Clock) -> tuple[Store, Card]:
    """The store, made, migrated or brought back first where it has to be; on a card that can't be written one
    in memory, so that the daemon runs all the same."""
    file, memory = Path(settings.store.file), Path(settings.store.runtime_dir)
    try:
        memory.mkdir(parents=True, exist_ok=True)
        try:
            store = _sound_store(file, clock.utc())
        except (StoreError, OSError, sqlite3.Error) as err:
            if not recovery.is_cards_fault(err, file.parent):
                raise
            return _stand_in(file, memory / STAND_IN, clock.utc()), Card(stand_in=str(err))
    except (StoreError, OSError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    return store, Card(forgets=not recovery.starts_kept(file, memory / "starts"))


def _sound_store(file: Path, now_at: float) -> Store:
    """The store on its file. Raises StoreError, OSError or sqlite3.Error where it can't be written."""
    file.parent.mkdir(parents=True, exist_ok=True)
    recovery.make_usable(file, _migrate, now_at)
    try:
        store = Store(file)
    except StoreNewerError:
        raise
    except StoreError:
        _migrate(file)
        store = Store(file)
    try:
        store.keep("began", str(round(now_at)))
    except sqlite3.Error:
        store.close()
        raise
    return store


def _stand_in(file: Path, place: Path, now_at: float) -> Store:
    """A store in memory with what was exported from the card's; an earlier one of this boot goes on."""
    if not place.exists() or recovery.damage_of(place) is not None:
        recovery.make_stand_in(file, place, _migrate, now_at)
    return Store(place)


def _migrate(file: Path) -> None:
    """Bring the store to this program's schema, in a process that takes its imports with it."""
    command = [sys.executable, "-m", "probe_agent.migrations", str(file)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode != 0:
        raise StoreError(done.stderr.strip())


def message_courier(settings: Settings, store: Store, clock: Clock) -> Any:
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


def watchdog_courier(settings: Settings) -> Any:
    if settings.watchdog.url_file is None:
        return None
    from probe_agent.watchdog import WatchdogCourier

    return WatchdogCourier(settings.watchdog, settings.sampling.interval_s)


def plug_line(settings: Settings, clock: Clock, demo: bool) -> Any:
    """The plug's line; none where time or engine are simulated or recorded: those switch nothing real."""
    if settings.switch is None or not isinstance(clock, SystemClock) or demo:
        return None
    from probe_agent.connecting import client_id
    from probe_agent.switch import SwitchCourier

    device = device_of(settings)
    return SwitchCourier(settings, settings.switch, client_id(f"plug-{device}"), broker_password(settings))


def circuit_sharing(settings: Settings, clock: Clock, broker: Any, demo: bool) -> Any:
    """What this board shares of a circuit; nothing where its engine is simulated."""
    if settings.circuit is None or demo:
        return None
    from probe_agent.sharing import Sharing

    name, password = device_of(settings), broker_password(settings)
    return Sharing(settings, name, password, zone_of(settings), broker.share, clock.monotonic)


def broker_courier(settings: Settings, store: Store) -> Any:
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

    device = device_of(settings)
    return BrokerCourier(settings.broker, device, version_of, broker_password(settings), build())


def history_couriers(settings: Settings, store: Store, simulated: bool) -> list[Any]:
    """The courier of stored readings, where they are to go onwards."""
    if not settings.broker.history:
        return []
    from probe_agent.history import HistoryCourier

    password = broker_password(settings)
    return [HistoryCourier(settings.broker, device_of(settings), store, password, simulated)]


def device_of(settings: Settings) -> str:
    """The board's name on the broker."""
    return settings.broker.device or _slug(settings.aircraft.name)


def broker_password(settings: Settings) -> str | None:
    if not settings.broker.password_file:
        return None
    try:
        return Path(settings.broker.password_file).read_text("utf-8").strip()
    except OSError as err:
        raise click.ClickException(
            f"broker.password_file: {settings.broker.password_file} can't be read ({err.strerror})."
        ) from err
    except UnicodeDecodeError as err:
        raise click.ClickException(
            f"broker.password_file: {settings.broker.password_file} is not text. Write the password into it, "
            "nothing else."
        ) from err


def weather_courier(settings: Settings, clock: Clock) -> Any:
    """The courier of what the settings name; under a simulated clock it is asked by a job."""
    wanted = settings.weather
    if not (wanted.hourly or wanted.metar or wanted.topic):
        return None
    from probe_agent.weather.courier import WeatherCourier, sources_of

    listener = None
    if wanted.topic is not None:
        from probe_agent.weather.topic import TopicListener

        listener = TopicListener(settings.broker, wanted.topic, broker_password(settings), clock)
    on_thread = isinstance(clock, SystemClock)
    return WeatherCourier(sources_of(wanted), clock, wanted.every_min * 60, listener, on_thread)


def _slug(name: str) -> str:
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in kept.split("-") if part) or "aircraft"


def housekeeping(settings: Settings, agent: Any, weather: Any) -> list[Any]:
    """Housekeeping for a simulated clock; under a real one the scheduler runs the same functions."""
    from probe_agent.agent import Job
    from probe_agent.telling import next_test_at, tests_apart_days

    clock = agent.clock
    jobs = [Job(lambda: night(settings, agent), every_s=DAY_S, due_s=clock.monotonic() + DAY_S)]
    test_at = next_test_at(settings.messages.weekly_test, clock.utc(), zone_of(settings))
    if test_at is not None and settings.recipients:
        every_s = tests_apart_days(settings.messages.weekly_test) * DAY_S
        jobs.append(Job(agent.send_tests, every_s=every_s, due_s=test_at - clock.utc_offset_s()))
    if weather is not None:
        jobs.append(Job(weather.look, every_s=settings.weather.every_min * 60, due_s=clock.monotonic()))
    return jobs


def night(settings: Settings, agent: Any) -> None:
    """The night's work on the record: a verified copy; old readings thinned where it has grown too large."""
    from probe_agent import maintenance

    if agent.card.stand_in is not None:
        return
    file = Path(settings.store.file)
    try:
        maintenance.back_up(file)
    except maintenance.DamagedError as err:
        agent.store.damaged = str(err)
        raise
    zone, month = zone_of(settings), settings.costs.season_month
    maintenance.thin(file, settings.store.most_mb, agent.clock.utc(), zone, month, agent.stopping)
    maintenance.give_memory_back()


def scheduled(settings: Settings, agent: Any) -> Any:
    """A scheduler for housekeeping alone; nothing that means something to pilot or heater is a job."""
    from apscheduler.schedulers.background import BackgroundScheduler

    from probe_agent.cli.times import LATE_S, Instants, daily, rearm
    from probe_agent.telling import next_test_at

    scheduler = BackgroundScheduler(
        timezone="UTC", job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
    )
    copy = Instants(daily(NIGHTLY_UTC_HOUR))
    scheduler.add_job(night, copy, args=[settings, agent], id="nightly-copy")
    weekly, zone = settings.messages.weekly_test, zone_of(settings)
    if weekly != "never" and settings.recipients:
        test = Instants(lambda now_at: next_test_at(weekly, now_at, zone))
        scheduler.add_job(agent.send_tests, test, id="test", misfire_grace_time=LATE_S)
    scheduler.start()
    agent.when_set.append(lambda: rearm(scheduler))
    return scheduler
