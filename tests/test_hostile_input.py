"""Whatever comes in from outside is understood or refused in a sentence: nothing crashes, nothing is stored
that the schema forbids, nothing already stored is lost.

Each surface has an ordinary run and, with -m long, one of more than 100,000 examples over all surfaces
together.
"""

from __future__ import annotations

import json
import math
import re
import time
import tomllib
import warnings
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote

import msgspec
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from living_page import BOARD, PLAIN, LivingPage, hidden, sound
from scripted import SETTINGS as AIRCRAFT
from scripted import ScriptedSource, open_agent, tick_until, warming

from probe_agent import pairing, store
from probe_agent.beside import WORKED_OUT
from probe_agent.broker import BrokerCourier
from probe_agent.clock import SimulatedClock
from probe_agent.config import Fields, Settings, SettingsError, TopicWeather, parse_settings
from probe_agent.orders import FAILED
from probe_agent.probes.recording import COLDEST_C, HOTTEST_C, RecordingError, read_rows
from probe_agent.readings import Weather
from probe_agent.replay import Options, parse
from probe_agent.switch import Line, wiring_of
from probe_agent.switchman import ORDERS
from probe_agent.weather.decoding import WeatherError, hourly_weather, metar_weather
from probe_agent.weather.topic import TopicListener

NOW_AT = datetime(2027, 1, 16, 5, 50, tzinfo=UTC).timestamp()


def names(text: str) -> list[str]:
    """The words of a text."""
    return text.split()


TRIED: list[int] = []
"""How many examples each property was given in this process."""


def run(test: Callable[..., None], examples: int) -> None:
    """A property with so many examples, found failures shrunk; the same ones each time where they are few."""
    settings(
        max_examples=examples,
        derandomize=examples < 2000,
        deadline=None,
        database=None,
        phases=(Phase.explicit, Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
    )(test)()
    TRIED.append(examples)


def is_a_sentence(said: str, begin: str = "") -> None:
    """One line for the owner, that says where, and is none of a library's."""
    assert said.startswith(begin)
    assert 0 < len(said) < 1000
    assert not re.search("[\r\n\x00]|Traceback|Expected `", said)
    if begin:
        assert said.rstrip().endswith(".")


# -- what people and programs may send: numbers of all kinds, text of all kinds

DIGITS = st.text("0123456789", min_size=1, max_size=8) | st.integers(1, 6000).map(lambda n: "9" * n)
WILD_NUMBERS = st.one_of(
    DIGITS,
    st.floats().map(str),
    st.integers().map(str),
    st.sampled_from(["1e400", "-1e400", "nan", "inf", "-0", "0x1F", "1_000", "٣", "½", "−4,5", "1e-400", ""]),
)
WILD_TEXT = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        [
            "\x00",
            "\r\nSet-Cookie: a=b",
            "<script>1</script>",
            "' OR 1=1 --",
            "../../etc/passwd",
            "\u2028",
            "🛩" * 30,
        ]
    ),
)
WILD = WILD_NUMBERS | WILD_TEXT


# -- recordings

CELLS = st.one_of(
    WILD_NUMBERS, st.sampled_from(["", "5.25", "-6", '"', '"a,b"', " 7 ", "2027-01-16T05:50:00Z"])
)
STAMPS = st.one_of(
    st.integers(-10, 10_000).map(str),
    st.datetimes(timezones=st.none() | st.timezones()).map(datetime.isoformat),
    st.sampled_from(["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1e12", "-1e11"]),
    WILD,
)
HEADERS = st.lists(
    st.sampled_from(["time", "cyl-1", "cyl-2", "sump", "ambient", "heater", "", "Time"]), max_size=6
)


@st.composite
def recordings(draw: st.DrawFn) -> str:
    """Text that is nearly a recording."""
    columns = draw(st.just(["time", "cyl-1", "ambient", "heater"]) | HEADERS)
    rows = draw(st.lists(st.tuples(STAMPS, st.lists(CELLS, max_size=6)), max_size=5))
    ordered = draw(st.booleans())
    lines = [",".join(columns)]
    for i, (stamp, cells) in enumerate(rows):
        first = str(60 * i) if ordered else stamp
        lines.append(",".join([first, *cells[: max(0, len(columns) - draw(st.integers(0, 2)))]]))
    return draw(st.sampled_from(["\n", "\r\n"])).join(lines)


def recording_is_read_or_refused(text: str) -> None:
    try:
        rows = list(read_rows(text.splitlines(), "night.csv"))
    except RecordingError as err:
        is_a_sentence(str(err), "night.csv: line ")
        return
    for row in rows:
        assert math.isfinite(row.t_s)
        values = [*row.values.values(), row.ambient]
        assert all(v is None or COLDEST_C <= v <= HOTTEST_C for v in values)
        assert row.heater is None or 0 <= row.heater <= 1


def recording_is_replayed_or_refused(text: str) -> None:
    try:
        for line in parse(text.splitlines(), "night.csv", Options(7.0)):
            told = json.loads(line, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
            assert told["coldest"] is None or told["coldest_c"] is not None
    except RecordingError as err:
        is_a_sentence(str(err), "night.csv: ")


def recording_runs(examples: int) -> None:
    run(given(recordings())(recording_is_read_or_refused), examples)
    run(given(recordings())(recording_is_replayed_or_refused), max(examples // 100, 10))


# -- settings

EXAMPLE = (Path(__file__).parent.parent / "deploy" / "example.toml").read_text("utf-8")
KNOWN: dict[str, Any] = tomllib.loads(EXAMPLE)
TOML_VALUES = st.recursive(
    st.one_of(
        st.booleans().map(lambda b: str(b).lower()),
        st.integers().map(str),
        st.floats().map(lambda x: repr(x) if math.isfinite(x) else str(x)),
        WILD_TEXT.map(lambda t: json.dumps(t.replace("\x7f", ""), ensure_ascii=True)),
        st.sampled_from(["1979-05-27", "07:32:00", "1e400", "[[", "'", "0o7", "+inf", "{}", "[]"]),
    ),
    lambda inner: st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
    max_leaves=4,
)
KEYS = sorted(
    {(table, key) for table, keys in KNOWN.items() if isinstance(keys, dict) for key in keys}
    | {("switch", f.name) for f in msgspec.structs.fields(type(parse_settings(EXAMPLE.encode(), "x").broker))}
    | {
        (field.name, inner.name)
        for field in msgspec.structs.fields(Settings)
        if isinstance(field.default, msgspec.Struct)
        for inner in msgspec.structs.fields(type(field.default))
    }
    | {("places", "name"), ("probes", "address"), ("setups", "watts"), ("recipients", "address")}
)


def settings_are_understood_or_refused(where: tuple[str, str], value: str, listed: bool) -> None:
    table, key = where
    head = f"[[{table}]]" if listed else f"[{table}]"
    try:
        found = parse_settings(f"{head}\n{key} = {value}\n".encode("utf-8", "replace"), "settings.toml")
    except SettingsError as err:
        is_a_sentence(str(err), "settings.toml")
        return
    assert isinstance(found, Settings)
    msgspec.json.decode(msgspec.json.encode(found))


def settings_runs(examples: int) -> None:
    run(
        given(st.sampled_from(KEYS), TOML_VALUES, st.booleans())(settings_are_understood_or_refused),
        examples,
    )


# -- weather

JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | WILD_TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["at", "air", "x"]), inner),
    max_leaves=8,
)
HOURLY = Fields(
    time="/hours/at", air="/hours/air", wind="/hours/wind", dew_point="/hours/dew", issued="/made"
)


@st.composite
def weather_documents(draw: st.DrawFn) -> bytes:
    kind = draw(st.integers(0, 3))
    if kind == 0:
        return draw(st.binary(max_size=60))
    if kind == 1:
        return b"[" * draw(st.integers(1, 3_000))
    size = draw(st.integers(0, 4))
    column = st.lists(st.floats(-120, 120) | JSON, min_size=size, max_size=size)
    times = st.lists(
        st.floats(NOW_AT - 1e6, NOW_AT + 2e6) | st.just("2027-01-16T05:00Z") | JSON,
        min_size=size,
        max_size=size,
    )
    hours = {"at": draw(times), "air": draw(column), "wind": draw(column), "dew": draw(column)}
    document = {"hours": hours, "made": draw(st.just("2027-01-16T04:00Z") | JSON)}
    if kind == 2:
        document = draw(st.just(document) | JSON)  # type: ignore[assignment]
    return json.dumps(document).encode()


def is_believable(weather: Weather) -> None:
    assert weather.hours
    assert weather.issued_at <= weather.taken_at
    for hour in weather.hours:
        numbers = [hour.at, hour.air_c, hour.wind_m_s, hour.dew_c, hour.cloud]
        assert all(n is None or math.isfinite(n) for n in numbers)
        assert -90 <= hour.air_c <= 60


def weather_is_understood_or_refused(body: bytes) -> None:
    try:
        is_believable(hourly_weather(body, HOURLY, "hourly", NOW_AT))
    except WeatherError as err:
        is_a_sentence(str(err))


GROUPS = st.sampled_from(
    names(
        "METAR SPECI COR AUTO ENXX 160550Z 310550Z 00000KT 24015G25KT VRB99MPS P99KT "
        "9999 CAVOK M04/M05 M99/M99 "
        "05/ /// //////KT T10451050 T1999 RMK SKC OVC001 BKN/// FEW999 Q1013 A2992 1/4SM "
        "M1/4SM R06/P1500N -SN "
        "+FZRA NOSIG BECMG TEMPO $ ="
    )
)


def metar_is_understood_or_refused(groups: list[str]) -> None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the daemon goes on where the library warns, so this does too
            is_believable(metar_weather(" ".join(groups), "metar", NOW_AT))
    except WeatherError as err:
        is_a_sentence(str(err))


def weather_runs(examples: int) -> None:
    run(given(weather_documents())(weather_is_understood_or_refused), examples)
    begun = st.lists(GROUPS, max_size=14).map(lambda g: ["METAR", "ENXX", "160520Z", *g])
    groups = begun | st.lists(GROUPS | WILD_TEXT, max_size=14)
    run(given(groups)(metar_is_understood_or_refused), examples)


# -- what the broker brings

PAYLOADS = st.one_of(
    st.sampled_from(
        [
            b"on",
            b"off",
            b"ready",
            b"lost",
            b"",
            b'{"meter":{"w":1e999}}',
            b'{"version": Infinity}',
            b"{}",
            b"null",
        ]
    ),
    st.binary(max_size=40),
    JSON.map(lambda value: json.dumps(value).encode()),
    st.integers(1, 3_000).map(lambda n: b"[" * n),
    st.integers(1, 6000).map(lambda n: b'{"version": ' + b"9" * n + b"}"),
)
SWITCH = parse_settings(
    (
        AIRCRAFT
        + """
[broker]
host = "127.0.0.1"
[switch]
manual_allows_unattended = true
timer_s = 180
command_topic = "plug/set"
state_topic = "plug/state"
state_pointer = "/relay/0/on"
power_topic = "plug/power"
power_pointer = "/meter/w"
"""
    ).encode(),
    "test.toml",
)


def plug_is_not_misled(heard: list[tuple[str, bytes, bool]]) -> None:
    """No message switches anything on, and what is said stays off while nothing was ordered."""
    assert SWITCH.switch is not None
    line = Line(wiring_of(SWITCH.switch, "homie"), 15.0, 0.0)
    line.opened(0.0)
    for i, (topic, payload, retained) in enumerate(heard):
        line.hear(topic, payload, retained, float(i))
        plug = line.seen()
        assert plug.power_w is None or 0 <= plug.power_w < 1e5
        for said in line.to_say(float(i)):
            assert said.payload in (b"off", b"")


def retained_description_is_passed_over(payload: bytes) -> None:
    """What somebody left at our own topic keeps nothing from being said; the version never falls."""
    courier = BrokerCourier.__new__(BrokerCourier)
    courier._version_of = lambda content: 7  # type: ignore[method-assign]
    tree = SimpleNamespace(content="x", description={"name": "x"})
    version = courier._version(tree, payload)  # type: ignore[arg-type]
    assert isinstance(version, int)
    assert version >= 7


def weather_topic_is_understood_or_told(payload: bytes) -> None:
    heard: list[Weather] = []
    fields = TopicWeather(topic="air", air="/air", time="/at")
    listener = TopicListener(SWITCH.broker, fields, None, SimulatedClock(NOW_AT, math.inf, 0.0))
    listener._heard = heard.append
    message = SimpleNamespace(retain=False, payload=payload)
    listener.hear(message)  # type: ignore[arg-type]
    for weather in heard:
        is_believable(weather)
    assert bool(heard) != bool(listener.trouble)


def broker_runs(examples: int) -> None:
    topics = st.sampled_from(["plug/set", "plug/state", "plug/power", "else"])
    heard = st.lists(st.tuples(topics, PAYLOADS, st.booleans()), max_size=6)
    run(given(heard)(plug_is_not_misled), examples)
    run(given(PAYLOADS)(retained_description_is_passed_over), examples)
    run(given(PAYLOADS)(weather_topic_is_understood_or_told), examples)


# -- commands, as whoever can write to the store may leave them

MEMBERS = {
    "answer-alert": "alert answer",
    "answer-link": "hash",
    "accept-correction": "asked_at",
    "cancel-departure": "departure",
    "check-probes": "kind place c spots_c field_hpa pressure_hpa elevation_m",
    "did-not-start": "departure",
    "exclude-heatup": "heatup excluded note",
    "flew": "what outing",
    "hand-reading": "place c method unit age_s clock told_ago_s sure",
    "heater-said": "on",
    "mail-take-along": "to",
    "move-departure": "departure start",
    "note-heatup": "heatup note",
    "nothing": "x",
    "oil-back": "level_checked",
    "plan": "start certainty travel_min uncovered_min",
    "preview-heatup": "heatup excluded",
    "started": "departure",
    "switch-unlock": "nobody_there",
    "test-recipient": "to",
    "timer-set": "departure",
    "undo-correction": "correction",
    "undo-hand-reading": "id",
    "weather-said": "air_c until_at wind_m_s metar forget",
    "what-if": "start certainty travel_min uncovered_min",
    pairing.OFFER: "role salt hash",
    pairing.TRY: "code hash token most label instead",
    pairing.END: "session",
}
"""What a command of each kind is made of."""
KINDS = sorted({*ORDERS, *WORKED_OUT, *MEMBERS})
RIGHT: dict[str, list[Any]] = {
    **{name: [1] for name in names("outing departure heatup correction id session code instead")},
    **{name: [True, False] for name in names("on level_checked excluded sure nobody_there forget")},
    **{name: [0, 5, 4.5] for name in names("c age_s told_ago_s air_c wind_m_s travel_min uncovered_min")},
    **{name: ["owner", "viewer", "answers"] for name in names("role most")},
    **{name: ["00" * 32, "00" * 16] for name in names("hash salt token")},
    "place": ["cyl-1", "ambient"],
    "method": ["contact", "infrared"],
    "unit": ["C", "F"],
    "clock": ["06:40"],
    "what": ["flown-hot", "not-flown"],
    "kind": ["ice", "boiling", "cold-soak", "contact", "infrared", "flange"],
    "spots_c": [{"cyl-1": 1, "cyl-2": 2, "cyl-3": 3}],
    "field_hpa": [1013.0],
    "start": ["2027-01-16T09:00"],
    "certainty": ["9/10"],
    "metar": ["METAR ENXX 160520Z M04/M05"],
    "to": ["owner"],
}
WRONG = st.one_of(
    st.sampled_from([2**63, 10**30, -(10**30), 1e300, math.inf, -math.inf, math.nan, -1, 0]),
    st.none(),
    st.floats(),
    st.integers(-(10**40), 10**40),
    WILD_TEXT,
    st.dictionaries(st.sampled_from(["cyl-1", "cyl-2", "x"]), st.floats() | st.integers(), max_size=3),
    st.lists(st.integers(), max_size=2),
)


@st.composite
def commands(draw: st.DrawFn) -> tuple[str, dict[str, Any]]:
    """A command with most of its members, most of them right."""
    kind = draw(st.sampled_from(KINDS))
    body = {}
    for member in names(MEMBERS.get(kind, "x")):
        if draw(st.integers(0, 7)):
            right = st.sampled_from(RIGHT.get(member, ["x"]))
            body[member] = draw(right | right | WRONG)
    return kind, body


def left(living: LivingPage, kind: str, body: dict[str, Any]) -> str:
    """Leave a command as any program with a hand on the store could, and have it answered; the answer."""
    db = store.connect(living.file)
    number = f"wild-{next(living.numbers)}"
    try:
        db.execute(
            "INSERT INTO commands (id, made_at, kind, body, expires_at)"
            " VALUES (?, strftime('%s','now'), ?, ?, strftime('%s','now') + 60)",
            (number, kind, json.dumps(body)),
        )
        living.agent.answer_commands()
        row = db.execute("SELECT answer FROM commands WHERE id = ?", (number,)).fetchone()
        db.execute("DELETE FROM commands WHERE id = ?", (number,))  # itself may be no JSON
    finally:
        db.close()
    assert row[0] is not None, "a command without an answer"
    return str(row[0])


def command_runs(living: LivingPage, examples: int) -> None:
    def command_is_carried_out_or_refused(command: tuple[str, dict[str, Any]]) -> None:
        kind, body = command
        answer = json.loads(left(living, kind, body))
        assert isinstance(answer["ok"], bool)
        assert answer["text"].strip()[-1] in ".?!", answer["text"]
        assert answer["text"] != FAILED, "an error nobody has thought of"

    run(given(commands())(command_is_carried_out_or_refused), examples)
    sound(living.file)


# -- forms and addresses

FIELDS = {
    "/act/alert": ("alert", "answer"),
    "/act/heater": ("on", "page"),
    "/act/oil": ("oil",),
    "/act/plug": ("plug",),
    "/act/flew": ("what", "outing"),
    "/act/plan": ("date", "time", "certainty", "travel_min", "uncovered_min", "what"),
    "/act/move": ("departure", "date", "time"),
    "/act/departure": ("departure", "what"),
    "/act/pair": ("code", "label"),
    "/act/hand-reading": (
        "place",
        "value",
        "below_zero",
        "unit",
        "method",
        "when",
        "clock",
        "sure",
        "answer",
    ),
    "/act/round": ("entries",),
    "/act/undo": ("id",),
    "/act/mail-table": ("to",),
    "/act/test-recipient": ("to",),
    "/act/received": ("code",),
    "/act/note": ("heatup", "note"),
    "/act/preview": ("heatup", "excluded"),
    "/act/exclude": ("heatup", "excluded"),
    "/act/check": ("kind", "place", "value", "pressure", "height", "height_in", "spot-cyl-1", "spot-cyl-2"),
    "/act/correct": ("asked_at",),
    "/act/uncorrect": ("correction",),
    "/act/bind": ("do", "seen", "found", "at-1", "at-cyl-1"),
    "/act/identify": ("do",),
    "/act/unbind": ("at",),
    "/act/choose": ("name", "text", "do"),
    "/act/unchoose": ("at",),
    "/act/heater-since": ("since",),
}
SENSIBLE = st.sampled_from(
    names(
        "yes no out back on off lock release flown-hot not-flown 2027-01-16 09:00 9/10 "
        "20 now at 06:40 cyl-1 C F "
        "contact infrared 1 2 plan what-if started timer-set owner ice boiling flange 1013 29.92 m ft 482913"
    )
)
ENTRIES = st.lists(
    st.dictionaries(
        st.sampled_from(
            ["id", "place", "value", "unit", "method", "when", "clock", "ago_s", "below_zero", "sure"]
        ),
        st.just("0123456789abcdef" * 2) | SENSIBLE | WILD | st.floats() | st.none(),
    )
    | JSON,
    max_size=3,
).map(json.dumps)
PAGES = names(
    "/ /now /curve /plan /record /record.csv /why /pair /hand /hand/part /take-along /setup /curves "
    "/curves/over /curves/csv /curves/1 /calibrate /calibrate/card /api/status /api/curve"
)
ASKED = (
    "unit",
    "clock",
    "said",
    "curve",
    "season",
    "before",
    "h",
    "near",
    "align",
    "c",
    "place",
    "from",
    "to",
    "at",
)


@st.composite
def forms(draw: st.DrawFn) -> tuple[str, dict[str, str]]:
    action = draw(st.sampled_from(sorted(FIELDS)))
    values = SENSIBLE | WILD
    if action == "/act/round":
        return action, {"entries": draw(ENTRIES | WILD)}
    return action, {name: draw(values) for name in FIELDS[action] if draw(st.integers(0, 7))}


def form_runs(living: LivingPage, examples: int) -> None:
    board, strange = living.browser(BOARD), living.browser(PLAIN)
    token = hidden(board, "/act/alert")["token"]

    def form_is_carried_out_or_refused(form: tuple[str, dict[str, str]]) -> None:
        action, values = form
        sent = {"token": token, "once": f"n{next(living.numbers)}", **values}
        answer = board.post(action, data=sent, base_url="http://localhost:8088")
        assert answer.status_code in (200, 303, 409, 413, 422) or action == "/act/pair", answer.status_code
        assert answer.status_code < 500
        assert not living.failed
        if answer.status_code == 303:
            assert re.fullmatch(r"/[a-z/0-9-]*(\?said=[0-9a-f]{32})?#[a-z]+", answer.headers["Location"])
        assert all("\n" not in value for value in answer.headers.values())

    run(given(forms())(form_is_carried_out_or_refused), examples)
    before = living.dump()

    def nothing_is_done_for_a_stranger(form: tuple[str, dict[str, str]]) -> None:
        action, values = form
        answer = strange.post(action, data={"token": token, "once": "1", **values})
        assert answer.status_code in (403, 413, 422)

    run(given(forms())(nothing_is_done_for_a_stranger), examples // 4)
    assert living.dump() == before
    sound(living.file)


def address_runs(living: LivingPage, examples: int) -> None:
    board = living.browser(BOARD)

    def page_is_shown_or_refused(path: str, asked: list[tuple[str, str]], language: str) -> None:
        answer = board.get(path, query_string=dict(asked), headers={"Accept-Language": language})
        assert answer.status_code in (200, 404, 422)

    pairs = st.lists(st.tuples(st.sampled_from(ASKED), SENSIBLE | WILD), max_size=4)
    languages = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20)
    run(given(st.sampled_from(PAGES), pairs, languages)(page_is_shown_or_refused), examples)

    def any_path_is_answered(path: str) -> None:
        assert board.get("/" + quote(path.lstrip("/"))).status_code in (200, 303, 308, 404, 405)

    run(
        given(WILD_TEXT | st.sampled_from(["answer/" + "a" * 300, "static/../app.py"]))(any_path_is_answered),
        examples,
    )


# -- the ordinary run and the long one


@pytest.fixture(scope="module")
def living(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivingPage]:
    with LivingPage(tmp_path_factory.mktemp("living")) as page:
        yield page


def test_recordings() -> None:
    recording_runs(400)


def test_settings() -> None:
    settings_runs(800)


def test_weather() -> None:
    weather_runs(200)


def test_what_the_broker_brings() -> None:
    broker_runs(200)


def test_commands(living: LivingPage) -> None:
    command_runs(living, 80)


def test_forms(living: LivingPage) -> None:
    form_runs(living, 100)


def test_addresses(living: LivingPage) -> None:
    address_runs(living, 80)


@pytest.mark.long
def test_all_of_it_a_hundred_thousand_times(living: LivingPage) -> None:
    """Shares by what one costs. How many were tried and the processor's time are printed."""
    begun_s = time.process_time()
    for name, surface in {
        "settings": lambda: settings_runs(30_000),
        "broker": lambda: broker_runs(8_000),
        "recordings": lambda: recording_runs(25_000),
        "weather": lambda: weather_runs(10_000),
        "forms": lambda: form_runs(living, 1_500),
        "addresses": lambda: address_runs(living, 1_000),
        "commands": lambda: command_runs(living, 1_500),
    }.items():
        surface()
        print(
            f"{name}: {sum(TRIED)} examples so far, {time.process_time() - begun_s:.0f} s of processor time"
        )
    assert sum(TRIED) >= 100_000


def test_a_recording_that_the_daemon_runs_is_bounded(tmp_path: Path) -> None:
    """A number the store's columns couldn't hold never reaches them."""
    with pytest.raises(RecordingError, match="line 2: column cyl-1: 1e\\+308 is no temperature"):
        list(read_rows(["time,cyl-1", "0,1e308"], "night.csv"))


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("flew", {"what": "flown-hot", "outing": 10**30}),
        (
            "hand-reading",
            {"place": "cyl-1", "c": 1, "method": "contact", "clock": "06:40", "told_ago_s": 1e300},
        ),
        ("hand-reading", {"place": "cyl-1", "c": math.inf, "method": "contact"}),
        ("undo-correction", {"correction": math.inf}),
    ],
)
def test_a_number_too_large_is_refused_and_off_is_heard_afterwards(
    tmp_path: Path, kind: str, body: dict[str, Any]
) -> None:
    """It ended the thread that listens for commands, until the daemon was started again."""
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    tick_until(agent, 30)
    first = store.ask(agent.store.path, kind, {}, 60.0)
    db = store.connect(agent.store.path)
    db.execute("UPDATE commands SET body = ? WHERE id = ?", (json.dumps(body), first))
    db.close()
    second = store.ask(agent.store.path, "heater-said", {"on": False}, 60.0)
    agent.answer_commands()
    answers = [json.loads(store.await_answer(agent.store.path, c, 0.1) or "{}") for c in (first, second)]
    agent.store.close()
    assert answers[0]["ok"] is False
    assert answers[0]["text"] != FAILED
    assert answers[1]["ok"] is True
