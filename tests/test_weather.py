"""The weather brought, kept and shown: courier, topic on a real broker, agent, command, daemon."""

from __future__ import annotations

import json
import re
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from real_broker import RealBroker, publish_once
from real_daemon import Process, status_in, write_settings
from real_https import Authority, HttpsServer, says
from scripted import START_UTC, ScriptedSource, open_agent, settings_in, tick_until, warming

from probe_agent import words
from probe_agent.agent import Agent, Job
from probe_agent.cli import main
from probe_agent.cli.assembly import housekeeping, weather_courier
from probe_agent.clock import SimulatedClock, SystemClock
from probe_agent.config import Broker, Settings, TopicWeather
from probe_agent.readings import Weather, WeatherHour
from probe_agent.status import Status, utc_text
from probe_agent.store import Reader, ask
from probe_agent.thermal.ahead import air_ahead
from probe_agent.weather.courier import WeatherCourier
from probe_agent.weather.decoding import WeatherError
from probe_agent.weather.heard import Heard, picture, wind_ahead
from probe_agent.weather.topic import TopicListener

HOUR = 3600.0


def told(now_at: float, air_c: float = -6.0, hours: int = 30, source: str = "hourly") -> Weather:
    ahead = tuple(WeatherHour(now_at + i * HOUR, air_c - 0.1 * i, 3.0) for i in range(hours))
    return Weather(source, now_at, now_at, ahead)


class Scripted:
    """A source that says or fails as told, and lets a test wait for having been asked."""

    where = "The weather of a script"

    def __init__(self, *answers: Weather | Exception | None) -> None:
        self._answers = list(answers)
        self.asked = 0
        self._changed = threading.Condition()

    def ask(self, now_at: float) -> Weather | None:
        with self._changed:
            self.asked += 1
            self._changed.notify_all()
        answer = self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]
        if isinstance(answer, Exception):
            raise answer
        return answer

    def wait_for(self, asked: int) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: self.asked >= asked, 10), self.asked


def until(true: Callable[[], bool], timeout_s: float = 30.0) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline
        pause.wait(0.01)


# -- the courier


def test_the_courier_brings_each_news_once() -> None:
    weather = told(1000.0)
    courier = WeatherCourier([Scripted(weather, None)], SystemClock(), 3600.0)
    assert courier.news() == []
    courier.look()
    assert courier.news() == [weather]
    assert courier.news() == []
    courier.look()
    assert courier.news() == []
    assert courier.trouble is None


def test_a_failure_is_said_tried_again_and_forgotten_when_it_is_there_again() -> None:
    source = Scripted(WeatherError("it can't be reached"), WeatherError("it can't be reached"), told(0.0))
    courier = WeatherCourier([source], SystemClock(), 3600.0, first_retry_s=0.01)
    courier.look()
    assert courier.trouble == "The weather of a script can't be had: it can't be reached."
    courier.start()
    try:
        source.wait_for(3)
        until(lambda: courier.trouble is None)
        assert len(courier.news()) == 1
    finally:
        courier.stop()
    assert source.asked == 3, "once heard it rests for an hour"


def test_whatever_a_source_raises_the_thread_lives_on() -> None:
    source = Scripted(ZeroDivisionError("division by zero"), told(0.0))
    courier = WeatherCourier([source], SystemClock(), 3600.0, first_retry_s=0.01)
    courier.start()
    try:
        source.wait_for(2)
        until(lambda: courier.trouble is None and len(courier.news()) == 1)
    finally:
        courier.stop()


def test_the_wait_between_tries_doubles_up_to_the_ordinary_one() -> None:
    source = Scripted(WeatherError("no"))
    courier = WeatherCourier([source], SystemClock(), 3600.0, first_retry_s=60.0)
    waits = []
    for _ in range(9):
        courier.look()
        waits.append(round(courier._asked[0].due_s - time.monotonic()))
    assert waits == [60, 120, 240, 480, 960, 1920, 3600, 3600, 3600]


def test_a_source_that_hangs_holds_up_neither_news_nor_the_end() -> None:
    class Hanging:
        where = "The weather that hangs"
        asked, go = threading.Event(), threading.Event()

        def ask(self, now_at: float) -> None:
            self.asked.set()
            self.go.wait(30)

    source = Hanging()
    courier = WeatherCourier([source], SystemClock(), 3600.0)
    courier.start()
    assert source.asked.wait(10)
    began_s = time.monotonic()
    assert courier.news() == []
    assert courier.trouble is None
    courier.stop()
    assert time.monotonic() - began_s < 5
    source.go.set()


# -- a topic on a real broker

TOPIC = TopicWeather(topic="weather/field", time="/at", air="/air", wind="/wind", issued="/made")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    with RealBroker(tmp_path) as running:
        yield running


class Ear:
    """What a listener heard."""

    def __init__(self, broker: RealBroker, topic: TopicWeather, **login: str) -> None:
        settings = Broker(host="127.0.0.1", port=broker.port, username=login.get("username"))
        self.heard: list[Weather] = []
        self.listener = TopicListener(settings, topic, login.get("password"), SystemClock())

    def __enter__(self) -> Ear:
        self.listener.start(self.heard.append)
        return self

    def __exit__(self, *_: object) -> None:
        self.listener.stop()


def message(now_at: float, air_c: float) -> bytes:
    at = [now_at + i * HOUR for i in range(3)]
    return json.dumps({"made": now_at - 600, "at": at, "air": [air_c] * 3, "wind": [2.0] * 3}).encode()


def test_weather_on_a_topic_is_heard_retained_and_live(broker: RealBroker) -> None:
    now_at = time.time()
    publish_once(broker.port, "weather/field", message(now_at, -7.0))
    with Ear(broker, TOPIC) as ear:
        until(lambda: len(ear.heard) == 1)
        publish_once(broker.port, "weather/field", message(now_at, -8.0))
        until(lambda: len(ear.heard) == 2)
        publish_once(broker.port, "weather/field", b"none")
        until(lambda: ear.listener.trouble is not None)
        assert "can't be used: what comes is not JSON" in str(ear.listener.trouble)
        publish_once(broker.port, "weather/field", message(now_at, -9.0))
        until(lambda: len(ear.heard) == 3)
        assert ear.listener.trouble is None
    assert [w.hours[0].air_c for w in ear.heard] == [-7.0, -8.0, -9.0]
    assert ear.heard[0].issued_at == pytest.approx(now_at - 600)
    assert ear.heard[0].source == "topic"


def test_an_undated_message_counts_live_and_not_retained(broker: RealBroker) -> None:
    publish_once(broker.port, "weather/air", b'{"air": 20}')
    with Ear(broker, TopicWeather(topic="weather/air", air="/air")) as ear:
        until(lambda: ear.listener.is_listening)
        until(lambda: bool(publish_once(broker.port, "weather/air", b'{"air": -3}')) or bool(ear.heard))
    assert {w.hours[0].air_c for w in ear.heard} == {-3.0}


def test_a_broker_that_comes_back_is_heard_again(broker: RealBroker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probe_agent.listening.FIRST_DELAY_S", 0.05)
    with Ear(broker, TOPIC) as ear:
        until(lambda: ear.listener.is_listening)
        broker.kill()
        until(lambda: ear.listener.trouble is not None)
        assert "can't be heard" in str(ear.listener.trouble)
        broker.start()
        publish_once(broker.port, "weather/field", message(time.time(), -7.0))
        until(lambda: len(ear.heard) == 1)
        assert ear.listener.trouble is None


def test_a_broker_that_refuses_says_so(tmp_path: Path) -> None:
    with RealBroker(tmp_path, "allow_anonymous false") as broker, Ear(broker, TOPIC) as ear:
        until(lambda: ear.listener.trouble is not None)
        assert "the broker refuses us" in str(ear.listener.trouble)


# -- the agent


class Post:
    """A weather courier that hands over what a test puts in."""

    trouble: str | None = None

    def __init__(self) -> None:
        self.box: list[Weather] = []

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def news(self) -> list[Weather]:
        news, self.box = self.box, []
        return news


@pytest.fixture
def post() -> Post:
    return Post()


@pytest.fixture
def agent(tmp_path: Path, post: Post) -> Iterator[Agent]:
    running = open_agent(tmp_path, ScriptedSource(warming(on_s=1e9)), weather=post)
    yield running
    running.store.close()


def status_of(agent: Agent) -> Status:
    assert agent.status is not None
    return agent.status


def test_weather_is_shown_with_the_next_tick_and_kept_with_the_next_commit(agent: Agent, post: Post) -> None:
    tick_until(agent, 60)
    air = status_of(agent).air
    assert air is not None
    assert (air.rests_on, air.source, air.wanted) == ("own-air", None, False)
    weather = told(START_UTC + 60)
    post.box.append(weather)
    tick_until(agent, 90)
    air = status_of(agent).air
    assert air is not None
    assert (air.rests_on, air.source) == ("forecast", "hourly")
    assert air.issued == utc_text(START_UTC + 60)
    assert air.reaches == utc_text(START_UTC + 60 + 29 * HOUR)
    assert not air.old
    assert agent.store.weather(0.0) == ({}, {}), "no commit for the weather alone"
    tick_until(agent, 400)
    said, past = agent.store.weather(0.0)
    assert said == {"hourly": weather}
    assert [h.air_c for h in past["hourly"]] == [-6.0]


def test_a_restart_knows_the_weather_and_the_air_that_was(agent: Agent, post: Post, tmp_path: Path) -> None:
    post.box.append(told(START_UTC))
    tick_until(agent, 3 * HOUR, 60.0)
    before = agent.air_known()
    agent._finish()
    agent.store.close()
    after = open_agent(
        tmp_path, ScriptedSource(warming(on_s=1e9)), start_s=3 * HOUR, start_utc=START_UTC + 3 * HOUR
    )
    known = after.air_known()
    after.store.close()
    assert known.weather == before.weather
    assert [round(t_s / HOUR) for t_s, _ in known.own] == [0, 1, 2, 3]
    assert {c for _, c in known.own} == {-10.0}
    assert known.stands == "outside"


def test_the_air_to_come_follows_forecast_and_own_air(agent: Agent, post: Post) -> None:
    """The station told −6, −6.1 … while the aircraft's air was −10: four degrees colder there."""
    post.box.append(told(START_UTC))
    tick_until(agent, HOUR, 60.0)
    now_s = agent.clock.monotonic()
    ahead = air_ahead(agent.air_known(), now_s, now_s + 18 * HOUR)
    low, middle, high = ahead.band()
    assert ahead.rests_on == "forecast"
    assert middle[0] == pytest.approx(-10.0, abs=0.3)
    assert high[0] - low[0] < 1.5
    assert -11.7 < middle[12] < -7.0
    assert high[12] - low[12] > 3


def test_an_old_forecast_is_said_and_a_dead_one_not_used(agent: Agent, post: Post) -> None:
    post.box.append(told(START_UTC, hours=20))
    tick_until(agent, 60)
    assert not [n for n in status_of(agent).notes if "air to come" in n]
    tick_until(agent, 13 * HOUR, 600.0)
    air = status_of(agent).air
    assert air is not None
    assert air.rests_on == "forecast"
    assert air.old
    assert any("13 h old and so with a wider range" in n for n in status_of(agent).notes)
    tick_until(agent, 21 * HOUR, 600.0)
    air = status_of(agent).air
    assert air is not None
    assert air.rests_on == "own-air"
    assert any("can't be used any more" in n for n in status_of(agent).notes)


def test_trouble_of_the_courier_stands_in_the_document(agent: Agent, post: Post) -> None:
    post.trouble = "The hourly weather can't be had: it can't be reached."
    tick_until(agent, 30)
    assert post.trouble in status_of(agent).notes


def test_settings_that_name_a_source_not_heard_yet_say_so(tmp_path: Path) -> None:
    heard = Heard(with_source(settings_in(tmp_path)), "UTC")
    said = words.air_missing(heard.shown(START_UTC), "UTC", START_UTC)
    assert said is not None
    assert said.startswith("No weather has been heard yet.")
    plain = Heard(settings_in(tmp_path), "UTC")
    assert words.air_missing(plain.shown(START_UTC), "UTC", START_UTC) is None


def test_an_observation_is_said_to_be_missing_only_when_it_is_old(tmp_path: Path) -> None:
    heard = Heard(with_source(settings_in(tmp_path)), "UTC")
    heard.hear(Weather("metar", START_UTC, START_UTC, (WeatherHour(START_UTC, -5.0),)))
    said = [
        words.air_missing(heard.shown(START_UTC + h * HOUR), "UTC", START_UTC + h * HOUR) for h in (1, 5, 13)
    ]
    assert said[:2] == [None, None]
    assert said[2] is not None
    assert "can't be used any more. Neither weather nor the air" in said[2]


def test_the_courier_of_settings_has_a_thread_under_the_system_s_clock_alone(tmp_path: Path) -> None:
    plain = settings_in(tmp_path)
    assert weather_courier(plain, SystemClock()) is None
    for clock, threads in ((SystemClock(), True), (SimulatedClock(START_UTC), False)):
        courier = weather_courier(with_source(plain), clock)
        assert (courier._thread is not None) is threads
    jobs = housekeeping(plain, SimpleNamespace(clock=clock), courier)
    assert [job.work for job in jobs][1:] == [courier.look], "the loop asks in simulated time"


def with_source(settings: Settings) -> Settings:
    from msgspec.structs import replace as changed

    from probe_agent.config import MetarWeather

    return changed(settings, weather=changed(settings.weather, metar=MetarWeather(address="https://a")))


def test_under_a_simulated_clock_the_loop_asks_as_a_job(tmp_path: Path) -> None:
    clock = SimulatedClock(START_UTC)
    source = Scripted(*(told(START_UTC + i * HOUR, -6.0 - i) for i in range(4)))
    courier = WeatherCourier([source], clock, HOUR, on_thread=False)
    agent = open_agent(tmp_path, ScriptedSource(warming(on_s=1e9)), weather=courier)
    agent.jobs.append(Job(courier.look, every_s=HOUR, due_s=0.0))
    for _ in range(200):
        agent.clock.wait_until(agent.clock.monotonic() + 60, threading.Event())
        agent.tick()
        agent._run_jobs()
    agent.store.close()
    assert source.asked == 4
    assert status_of(agent).air is not None
    heard = agent.air_known().weather
    assert heard is not None
    assert heard.hours[0].air_c == -9.0


# -- told by a person


def answer_of(agent: Agent, body: dict[str, object]) -> dict[str, object]:
    command = ask(agent.store.path, "weather-said", body)
    agent.answer_commands()
    reader = Reader(agent.store.path)
    try:
        answer = json.loads(reader.answer(command) or "null")
        assert isinstance(answer, dict)
        return answer
    finally:
        reader.close()


def test_the_low_of_the_night_typed_in_counts_before_other_weather(agent: Agent, post: Post) -> None:
    post.box.append(told(START_UTC, -1.0))
    tick_until(agent, 60)
    until_at = START_UTC + 10 * HOUR
    answer = answer_of(agent, {"air_c": -18.0, "wind_m_s": 4.0, "until_at": until_at})
    assert answer["ok"] is True
    assert "−18 °C" in str(answer["text"])
    known = agent.air_known()
    assert known.weather is not None
    assert [h.air_c for h in known.weather.hours] == [-10.0, -18.0], "from the air measured now"
    assert wind_ahead(known.weather, until_at) == 4.0
    assert wind_ahead(known.weather, until_at + 4 * HOUR) is None
    now_s = agent.clock.monotonic()
    middle = air_ahead(known, now_s, now_s + 12 * HOUR).band()[1]
    assert middle[10] == pytest.approx(-18.0, abs=1.0)
    said, _ = agent.store.weather(0.0)
    assert set(said) == {"hourly", "typed"} or set(said) == {"typed"}
    tick_until(agent, 10.1 * HOUR, 600.0)
    assert status_of(agent).air is not None
    assert status_of(agent).air.source == "hourly", "past its time it no longer counts"  # type: ignore[union-attr]
    assert answer_of(agent, {"forget": True})["ok"] is True
    assert "typed" not in agent.store.weather(0.0)[0]


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"air_c": -300, "until_at": START_UTC + HOUR}, "can't be"),
        ({"air_c": -8, "until_at": START_UTC - HOUR}, "within the next 36 h"),
        ({"air_c": -8, "until_at": START_UTC + 99 * HOUR}, "within the next 36 h"),
        ({"air_c": 1e308, "until_at": START_UTC + HOUR}, "can't be"),
        ({"air_c": -8, "until_at": 1e308}, "within the next 36 h"),
        ({"air_c": -8, "wind_m_s": -1, "until_at": START_UTC + HOUR}, "wind of -1"),
        ({"air_c": "cold", "until_at": START_UTC + HOUR}, "not complete"),
        ({"until_at": START_UTC + HOUR}, "not complete"),
        ({"metar": "hello"}, "no METAR"),
        ({}, "not complete"),
    ],
)
def test_what_can_not_be_weather_is_refused_and_changes_nothing(
    agent: Agent, body: dict[str, object], said: str
) -> None:
    tick_until(agent, 60)
    answer = answer_of(agent, body)
    assert answer["ok"] is False
    assert said in str(answer["text"])
    assert "Nothing was changed" in str(answer["text"])
    assert agent.air_known().weather is None


def test_a_metar_as_text_is_a_station_s_present_air(agent: Agent) -> None:
    tick_until(agent, 60)
    day = datetime.fromtimestamp(START_UTC, UTC).strftime("%d%H%M")
    answer = answer_of(agent, {"metar": f"METAR KXXX {day}Z 24008KT CAVOK M05/M12 Q1010"})
    assert answer["ok"] is True
    known = agent.air_known()
    assert known.weather is not None
    assert known.weather.source == "metar"
    assert status_of(agent).air is not None
    assert status_of(agent).air.rests_on == "own-air"  # type: ignore[union-attr]


# -- kept hours


def test_a_station_s_hours_are_kept_thirty_days_one_an_hour(agent: Agent, post: Post) -> None:
    tick_until(agent, 30)
    heard = agent._heard
    for minutes in range(0, 40 * 24 * 60, 20):
        at = START_UTC + minutes * 60
        statements = heard.hear(Weather("metar", at, at, (WeatherHour(at, -5.0),)))
        if minutes % 1440 == 0:
            db = sqlite3.connect(agent.store.path)
            with db:
                for sql, values in statements:
                    db.execute(sql, values)
            db.close()
    _, past = agent.store.weather(0.0)
    assert len(past["metar"]) == 31
    assert past["metar"][-1].at - past["metar"][0].at <= 30 * 86_400


# -- the command


@pytest.fixture
def settings_file(tmp_path: Path) -> Path:
    file = tmp_path / "settings.toml"
    place = f"[store]\nfile = '{tmp_path}/probe-agent.db'\nruntime_dir = '{tmp_path}'\n"
    file.write_text(
        "[aircraft]\nname = 'Magpie'\nzone = 'UTC'\n[[places]]\nname = 'cyl-1'\nrequired = true\n" + place
    )
    return file


def run(settings_file: Path, *arguments: str) -> str:
    return CliRunner().invoke(main, ["weather", "--settings", str(settings_file), *arguments]).output


def test_the_command_shows_the_next_hours_from_what_is_kept(
    tmp_path: Path, settings_file: Path, post: Post
) -> None:
    now_at = time.time()
    agent = open_agent(tmp_path, ScriptedSource(warming(on_s=1e9)), now_at - 2 * HOUR, weather=post)
    post.box.append(told(now_at - 2 * HOUR))
    tick_until(agent, 2 * HOUR, 60.0)
    agent._finish()
    agent.store.close()
    lines = run(settings_file).splitlines()
    assert re.match(
        r"The hourly forecast, of .* \(120 min ago|The hourly forecast, of .* \(2 h ago", lines[0]
    )
    assert "rests on the hourly forecast" in lines[1]
    rows = [line for line in lines if re.search(r"├.*┼.*┤", line)]
    assert len(rows) == 19
    numbers = [float(n.replace("−", "-")) for n in re.findall(r"−?\d+\.\d", rows[0])]
    assert numbers == sorted(numbers)
    assert numbers[1] == pytest.approx(-10.0, abs=0.5)
    assert all(len(line) <= 100 for line in lines)


def test_the_command_says_why_it_shows_nothing(tmp_path: Path, settings_file: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(lambda t_s: {"cyl-1": -5.0}), time.time() - 60)
    tick_until(agent, 60)
    agent._finish()
    agent.store.close()
    said = run(settings_file)
    assert "No weather has been heard." in said
    assert "Bind a probe to ambient" in said


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--air-c", "-8", "--air-f", "10"), "one of the two"),
        (("--air-c", "-8", "--forget"), "Give one of"),
        (("--air-c", "-8", "--until", "soon"), "is not a time"),
        (("--air-c", "-8", "--until", "25:00"), "is not a time"),
        (("--wind", "-3"), "not in the range"),
    ],
)
def test_the_command_refuses_what_it_can_not_ask(
    settings_file: Path, arguments: tuple[str, ...], said: str
) -> None:
    assert said in run(settings_file, *arguments)


def test_the_picture_in_fahrenheit_is_of_the_same_air(tmp_path: Path) -> None:
    heard = Heard(settings_in(tmp_path), "UTC")
    heard.hear(replace(told(START_UTC), hours=told(START_UTC).hours))
    heard.measured(START_UTC, -10.0)
    celsius, fahrenheit = (picture(heard, START_UTC, "UTC", unit) for unit in ("C", "F"))
    first = [
        [float(n.replace("−", "-")) for n in re.findall(r"−?\d+\.\d", rows[3])]
        for rows in (celsius, fahrenheit)
    ]
    assert first[1] == pytest.approx([c * 1.8 + 32 for c in first[0]], abs=0.15)


# -- the daemon


def test_settings_to_status_document_over_https(tmp_path: Path) -> None:
    """The real daemon on a simulated engine: fetched over HTTPS, shown, kept, and its going said."""
    authority = Authority(tmp_path)

    def hours() -> bytes:
        now_at = time.time()
        rows = [{"at": utc_text(now_at + i * HOUR), "air": 14 - i / 10} for i in range(-1, 40)]
        return json.dumps({"hours": rows}).encode()

    with HttpsServer(authority.certificate(), says(hours())) as server:
        settings = write_settings(
            tmp_path,
            f"""
[weather.hourly]
address = "{server.address}"
ca_file = "{authority.file}"
entries = "/hours"
time = "/at"
air = "/air"
air_unit = "F"
""",
        )
        with Process(
            "probe_agent.cli", "try", "--settings", str(settings), "--speed", "600", log=tmp_path / "log"
        ) as daemon:

            def rests_on(basis: str) -> bool:
                status = status_in(tmp_path)
                return status is not None and status.air is not None and status.air.rests_on == basis

            daemon.wait_for(lambda: rests_on("forecast"))
            server.answer = says(b"", 503)
            daemon.wait_for(
                lambda: any(
                    "trouble of its own (503)" in n for n in getattr(status_in(tmp_path), "notes", ())
                )
            )
            status = status_in(tmp_path)
            assert status is not None
            assert status.air is not None
            assert status.air.source == "hourly"
            assert not any("secret" in n for n in status.notes)
        assert "secret" not in (tmp_path / "log").read_text()
    reader = Reader(tmp_path / "probe-agent.db")
    try:
        said, past = reader.weather(0.0)
    finally:
        reader.close()
    assert said["hourly"].hours[0].air_c == pytest.approx((14.1 - 32) / 1.8, abs=0.01)
    assert past["hourly"]
