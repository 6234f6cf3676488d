"""Settings: one TOML file becomes frozen, typed values; anything not understood is refused.

A temperature is a key ending in _c or in _f, one of the two. Every refusal names the file, the key,
and what to write instead.
"""

from __future__ import annotations

import difflib
import ipaddress
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin
from zoneinfo import ZoneInfo

import msgspec

Layout = Literal["opposed-4", "opposed-6", "in-line", "v", "radial", "other"]
Heater = Literal["fixed-pad", "pads-and-bands", "cowl-heater", "ducted-air", "combustion"]
Hangar = Literal["outside", "unheated", "heated"]
SwitchedBy = Literal["our-plug", "timer", "person", "pilot"]
Certainty = Literal["8/10", "9/10", "19/20"]
CERTAINTIES: Mapping[Certainty, float] = {"8/10": 0.8, "9/10": 0.9, "19/20": 0.95}
"""In so many mornings of so many a start is to be kept."""

CYLINDER = re.compile(r"cyl-[1-9]\d?\Z")
ONE_WIRE_ADDRESS = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}\Z")
_PUBLIC_URL = re.compile(r"https://[A-Za-z0-9.-]+(:\d+)?(/[A-Za-z0-9._~-]+)*\Z")
OTHER = re.compile(r"other-[a-z0-9]+(-[a-z0-9]+)*\Z")
NAMED_PLACES = (
    "sump",
    "oil-tank",
    "case-top",
    "case-nose",
    "accessory-case",
    "oil-cooler",
    "coolant",
    "heater-outlet",
    "ambient",
    "battery",
    "cabin",
)
NEVER_COLDEST = frozenset({"heater-outlet", "ambient", "battery", "cabin"})
"""Places that never count as the coldest point: they are not the engine's metal or its liquids."""

FAR_PLACES: Mapping[str, tuple[str, ...]] = {
    # Common practice, no source, and trials with a simulated engine: where each kind of heat arrives last.
    "fixed-pad": ("cyl", "case-top", "case-nose"),
    "pads-and-bands": ("case-nose", "accessory-case"),
    "cowl-heater": ("case-top", "case-nose", "accessory-case"),
    "ducted-air": ("sump", "oil-tank", "case-top"),
    "combustion": ("sump", "oil-tank", "case-top"),
}

ASK_AGAIN_AFTER_S = (900.0, 900.0, 3600.0)
"""Waits between repeats of an alert for harm, so that it is asked at 0, 15 and 30 min and then each 60;
the last one comes again and again until it is answered."""

NEED_BELOW_C = (30 - 32) / 1.8  # 30 °F: common practice, no source
TARGET_C = (45 - 32) / 1.8  # 45 °F: common practice, no source


SHOWS = "probe-agent example shows"
"""Begins a remedy: the example is in the package, so it is there on every board."""


class SettingsError(ValueError):
    """A settings file that can't be used; the text says file, key and remedy. What it repeats of the file can
    neither steer a terminal nor fill it."""

    def __init__(self, text: str) -> None:
        plain = "".join(ch if ch.isprintable() else "\ufffd" for ch in text)
        super().__init__(re.sub(r"(\S{200})\S+", r"\1…", plain))


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the settings file."""


Temperature = Annotated[float, msgspec.Meta(ge=-60, le=300)]
Minutes = Annotated[float, msgspec.Meta(ge=0, le=600)]
Port = Annotated[int, msgspec.Meta(ge=1, le=65535)]
Name = Annotated[
    str, msgspec.Meta(pattern=r"^(?!\s)[^\x00-\x1f\x7f-\x9f\u2028\u2029]+(?<!\s)\Z", max_length=40)
]
"""One line of text: it stands in the subject of mails."""
Contact = Annotated[
    str, msgspec.Meta(pattern=r"^(?!\s)[^\x00-\x1f\x7f-\x9f\u2028\u2029]+(?<!\s)\Z", max_length=30)
]
TimeOfDay = Annotated[str, msgspec.Meta(pattern=r"^([01]\d|2[0-3]):[0-5]\d\Z")]
QuietHours = Annotated[str, msgspec.Meta(pattern=r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d\Z")]
WeeklyTime = Annotated[
    str, msgspec.Meta(pattern=r"^(never|(daily|Mon|Tue|Wed|Thu|Fri|Sat|Sun) ([01]\d|2[0-3]):[0-5]\d)\Z")
]
"""Times on the field's clock."""
Slug = Annotated[str, msgspec.Meta(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*\Z", max_length=40)]


class Aircraft(_Table, frozen=True):
    name: Name = "Aircraft"
    layout: Layout = "opposed-4"
    cooling: Literal["air", "liquid"] = "air"
    zone: str | None = None
    """IANA name of the field's time zone; None: the board's own."""
    field: Name | None = None
    """What the field is called, for a club's page."""


class Place(_Table, frozen=True):
    """A place of the engine or around it. `required`: readiness waits for it. `near_heater`: a pad,
    band or hot-air outlet lies beside the probe, so it counts for too hot and never for readiness."""

    name: Slug
    required: bool = False
    near_heater: bool = False


Pointer = Annotated[str, msgspec.Meta(pattern=r"^(/([^~/]|~[01])*)*\Z", max_length=200)]
"""A JSON pointer (RFC 6901), such as /hours/0/air."""
Topic = Annotated[str, msgspec.Meta(pattern=r"^[^#+\x00]+\Z", max_length=200)]


class Probe(_Table, frozen=True):
    """The first binding of an address to a place; later ones live in the store.

    source mqtt: a number in what others publish on `topic`, at `pointer`, in `unit`; its address is a name of
    the owner's. stale_after_s: a value is no older, or it is none [s]. expires_s: the message expiry that the
    sender gives, where it gives one: then the age of a retained message is known too [s].
    """

    place: Slug
    address: Annotated[str, msgspec.Meta(min_length=1, max_length=100)]
    source: Literal["one-wire", "recording", "simulated", "mqtt"] = "one-wire"
    thermocouple: Literal["K", "J", "T"] = "K"
    topic: Topic | None = None
    pointer: Pointer = ""
    unit: Literal["C", "F", "K"] = "C"
    stale_after_s: Annotated[float, msgspec.Meta(ge=5, le=900)] = 120.0
    expires_s: Annotated[int, msgspec.Meta(ge=1, le=86_400)] | None = None


class Setup(_Table, frozen=True):
    """One aircraft with one heater and cover."""

    name: Slug
    heater: Heater
    watts: Annotated[float, msgspec.Meta(gt=0, le=50_000)]
    cover: bool = False
    cowl_plugs: bool = False
    stands: Hangar = "outside"
    dryer: bool = False
    switched_by: SwitchedBy = "person"


class Limits(_Table, frozen=True):
    """When heat is needed, what the coldest point must reach, from where a point is too hot [°C], and what
    "ready" asks for. Too hot 60 °C, 30 min of soak and 30 more until the heater is to go off: common
    practice, no source; the heater's manual comes first."""

    need_below_c: Temperature = NEED_BELOW_C
    target_c: Temperature = TARGET_C
    too_hot_c: Temperature = 60.0
    ready_rule: Literal["soak", "core"] = "soak"
    soak_min: Minutes = 30.0
    core_certainty: Annotated[float, msgspec.Meta(ge=0.5, le=0.99)] = 0.9
    switch_off_after_ready_min: Minutes = 30.0
    need_air_below_c: Temperature | None = None
    """With need_air_hours: the manual's limit as air below this for so many hours or longer."""
    need_air_hours: Annotated[float, msgspec.Meta(gt=0, le=72)] | None = None


class Planning(_Table, frozen=True):
    """What a plan is made with unless it says otherwise. certainty: mornings of so many on which the start
    is to be kept; evening: local time of the word before a departure; person: the recipient who switches the
    heater on at the field. uncovered_min: 20 is common practice, no source."""

    certainty: Certainty = "9/10"
    travel_min: Minutes = 0.0
    uncovered_min: Annotated[float, msgspec.Meta(ge=0, le=180)] = 20.0
    evening: Annotated[str, msgspec.Meta(pattern=r"^([01]\d|2[0-3]):[0-5]\d\Z")] = "19:30"
    person: Name | None = None


class Costs(_Table, frozen=True):
    """price_per_kwh: of the heater's electricity, in `currency`, a word or sign of the owner's; None: no cost
    is worked out. season_month: the month on whose first day the record's season begins."""

    price_per_kwh: Annotated[float, msgspec.Meta(ge=0, le=10_000)] | None = None
    currency: Annotated[str, msgspec.Meta(pattern=r"^[^\s\x00-\x1f\x7f-\x9f]{1,8}\Z")] = "EUR"
    season_month: Annotated[int, msgspec.Meta(ge=1, le=12)] = 7


Viscosity = Annotated[float, msgspec.Meta(ge=2, le=10_000)]


class Engine(_Table, frozen=True):
    """What only the page "Why" needs. bearing_mm, clearance_mm: diameter and diametral running clearance of a
    main bearing, 60 as some size has to be taken (judgement); oil_…: the oil's data sheet, all three or
    none."""

    bearing_mm: Annotated[float, msgspec.Meta(ge=10, le=300)] = 60.0
    clearance_mm: Annotated[float, msgspec.Meta(gt=0, le=2)] | None = None
    oil_40_mm2_s: Viscosity | None = None
    oil_100_mm2_s: Viscosity | None = None
    oil_pour_point_c: Temperature | None = None


class OneWire(_Table, frozen=True):
    directory: str = "/sys/bus/w1/devices"
    deadline_s: Annotated[float, msgspec.Meta(gt=0, le=60)] = 10.0


class Sampling(_Table, frozen=True):
    interval_s: Annotated[float, msgspec.Meta(ge=5, le=600)] = 15.0


class StorePlace(_Table, frozen=True):
    file: str = "/var/lib/probe-agent/probe-agent.db"
    runtime_dir: str = "/run/probe-agent"
    most_mb: Annotated[int, msgspec.Meta(ge=20, le=1_000_000)] = 500
    """Readings of past seasons are thinned where the record is larger, those of heat-ups never."""


class Broker(_Table, frozen=True):
    """An MQTT 5 broker. Without a host nothing is published. cert_file, key_file: what vouches for us;
    history: whether stored readings go onwards to whoever keeps them elsewhere."""

    host: str | None = None
    port: Port = 1883
    tls: bool = False
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    username: str | None = None
    password_file: str | None = None
    domain: Slug = "homie"
    device: Slug | None = None
    history: bool = False


class Club(_Table, frozen=True):
    """The page of many aircraft, from the broker alone. boards: those that are expected, so that one never
    heard of is said; password_file: what a browser is asked for, needed where others than this machine reach
    the page."""

    boards: tuple[Slug, ...] = ()
    password_file: str | None = None


class Fields(_Table, frozen=True, kw_only=True):
    """Where in a JSON document the hours of weather are, and in what units.

    entries: pointer to a list of objects, the other pointers then inside each; None: each pointer leads to
    a list of its own, all equally long. issued: pointer to when it was made, in the whole document.
    """

    entries: Pointer | None = None
    time: Pointer | None = None
    air: Pointer
    wind: Pointer | None = None
    dew_point: Pointer | None = None
    cloud: Pointer | None = None
    issued: Pointer | None = None
    air_unit: Literal["C", "F", "K"] = "C"
    wind_unit: Literal["m/s", "km/h", "kt"] = "m/s"
    cloud_unit: Literal["percent", "share"] = "percent"
    time_zone: str | None = None
    """IANA name for times without an offset; None: UTC."""


class HourlyWeather(Fields, frozen=True, kw_only=True):
    """Hourly JSON over HTTPS. address: https only, or a file that holds it where it has a secret in it."""

    address: str | None = None
    address_file: str | None = None
    ca_file: str | None = None


class MetarWeather(_Table, frozen=True):
    """METAR reports over HTTPS, one a line."""

    address: str | None = None
    address_file: str | None = None
    ca_file: str | None = None


class TopicWeather(Fields, frozen=True, kw_only=True):
    """JSON on a topic of the broker under [broker]. Without `time` a message is the air now."""

    topic: Topic


class WeatherSources(_Table, frozen=True):
    """Where the air to come is heard from. None of them is needed."""

    hourly: HourlyWeather | None = None
    metar: MetarWeather | None = None
    topic: TopicWeather | None = None
    every_min: Annotated[float, msgspec.Meta(ge=10, le=360)] = 60.0
    timeout_s: Annotated[float, msgspec.Meta(ge=1, le=60)] = 20.0


Days = Annotated[int, msgspec.Meta(ge=1, le=400)]
"""How long a pairing lasts; browsers keep no cookie for longer (from memory)."""


class Page(_Table, frozen=True):
    """The page. proxy: the address on this board of the one whose forwarding headers are believed.
    public_url: where the page is reached from outside, for the links in messages; None: no links."""

    listen: Annotated[str, msgspec.Meta(min_length=1)] = "127.0.0.1"
    port: Port = 8088
    viewing: Literal["anyone", "paired"] = "anyone"
    owner_days: Days = 180
    viewer_days: Days = 180
    proxy: str | None = None
    plain_acts: bool = False
    public_url: Annotated[str, msgspec.Meta(max_length=60)] | None = None


class Recipient(_Table, frozen=True):
    """Who gets messages: the address of a channel, or a file that holds it where it is a secret.

    order: an alert for harm goes to those of the lowest number first, and with each asking that nobody
    answers to those of the next one too. harm_only: nothing but alerts for harm. quiet: hours of their
    own, instead of those of [messages]. contact: how others reach them.
    """

    name: Name
    address: str | None = None
    address_file: str | None = None
    order: Annotated[int, msgspec.Meta(ge=1, le=9)] = 1
    harm_only: bool = False
    quiet: QuietHours | None = None
    contact: Contact | None = None


class Messages(_Table, frozen=True):
    """quiet: nothing but harm in these hours. morning_look: sent at that time on days with a planned
    departure, each day with morning_look_daily. weekly_test: when each recipient is tested, once a week, or
    each day with "daily", or "never"."""

    unit: Literal["C", "F"] = "C"
    quiet: QuietHours | None = None
    morning_look: TimeOfDay | None = None
    morning_look_daily: bool = False
    weekly_test: WeeklyTime = "Sun 18:00"
    retry_s: Annotated[float, msgspec.Meta(gt=0, le=3600)] = 30.0
    timeout_s: Annotated[float, msgspec.Meta(gt=0, le=60)] = 15.0


class Watchdog(_Table, frozen=True):
    """An address elsewhere that is fetched while the daemon is fresh; silence there tells outsiders of a
    dead board. The address is a secret, so it stands in a file."""

    url_file: str | None = None
    every_s: Annotated[float, msgspec.Meta(ge=1, le=86_400)] = 300.0


HomieProperty = Annotated[str, msgspec.Meta(pattern=r"^[a-z0-9-]+/[a-z0-9-]+/[a-z0-9-]+\Z", max_length=200)]
Payload = Annotated[str, msgspec.Meta(min_length=1, max_length=500)]
LONGEST_INTERVAL_S = 15.0
"""With a switch readings come at least so often, so that whatever is wrong is seen in time."""
HOT_AIR: frozenset[Heater] = frozenset({"cowl-heater", "ducted-air"})
"""Heaters whose manuals seldom let them run alone in or on a cowl (common practice, no source)."""


class Switch(_Table, frozen=True, kw_only=True):
    """A plug or relay box on the broker that switches the heater of the setup in use.

    Either topics and payloads of its own, or, with `homie`, a Homie 5 device's: device/node/property.
    timer_s: after so long without a word from here it goes off by itself [s]; {timer_s} in `on` and `timer`
    stands for it. power_every_s: how often it tells its power at least. most_hours: no heating is longer.
    """

    timer_s: Annotated[int, msgspec.Meta(ge=60, le=1800)]
    manual_allows_unattended: bool = False
    hot_air_confirmed: bool = False
    command_topic: Topic | None = None
    on: Payload = "on"
    off: Payload = "off"
    timer_topic: Topic | None = None
    timer: Payload = "{timer_s}"
    state_topic: Topic | None = None
    state_pointer: Pointer = ""
    state_on: Payload = "on"
    state_off: Payload = "off"
    power_topic: Topic | None = None
    power_pointer: Pointer = ""
    power_every_s: Annotated[float, msgspec.Meta(ge=1, le=600)] = 60.0
    homie: HomieProperty | None = None
    homie_power: HomieProperty | None = None
    most_hours: Annotated[float, msgspec.Meta(gt=0, le=12)] = 6.0
    thermostat: bool = False


class Circuit(_Table, frozen=True, kw_only=True):
    """A circuit that heaters of several boards hang on.

    name: the same on each of them; limit_w: what they may draw together; power_w: what the heater here draws,
    None: the setup's watts.
    """

    name: Slug
    limit_w: Annotated[float, msgspec.Meta(gt=0, le=100_000)]
    power_w: Annotated[float, msgspec.Meta(gt=0, le=50_000)] | None = None


class Settings(_Table, frozen=True):
    """Everything one settings file says, with defaults for the rest."""

    aircraft: Aircraft = Aircraft()
    places: tuple[Place, ...] = ()
    probes: tuple[Probe, ...] = ()
    setups: tuple[Setup, ...] = ()
    limits: Limits = Limits()
    planning: Planning = Planning()
    costs: Costs = Costs()
    engine: Engine = Engine()
    one_wire: OneWire = OneWire()
    sampling: Sampling = Sampling()
    store: StorePlace = StorePlace()
    broker: Broker = Broker()
    weather: WeatherSources = WeatherSources()
    page: Page = Page()
    recipients: tuple[Recipient, ...] = ()
    messages: Messages = Messages()
    watchdog: Watchdog = Watchdog()
    switch: Switch | None = None
    club: Club | None = None
    circuit: Circuit | None = None

    @property
    def setup(self) -> Setup | None:
        """The setup in use at first: the first one described."""
        return self.setups[0] if self.setups else None

    def place(self, name: str) -> Place:
        """The place of that name; one not described is optional and not near a heater."""
        return next((p for p in self.places if p.name == name), Place(name=name))

    @property
    def required(self) -> tuple[str, ...]:
        return tuple(p.name for p in self.places if p.required)


def with_target(settings: Settings, target_c: float) -> Settings:
    """The same settings for another target, as for a recorded curve of any kind: the need-limit is not
    above it, and too hot is at least 15 °C higher."""
    limits = settings.limits
    other = msgspec.structs.replace(
        limits,
        target_c=target_c,
        need_below_c=min(limits.need_below_c, target_c),
        too_hot_c=max(limits.too_hot_c, target_c + 15.0),
    )
    return msgspec.structs.replace(settings, limits=other)


def may_be_coldest(place: str, near_heater: bool) -> bool:
    """Whether a place can count as the coldest point."""
    return not near_heater and place not in NEVER_COLDEST


def unmeasured_far_places(setup: Setup | None, measured: Iterable[str]) -> tuple[str, ...]:
    """The far places of the setup's heater of which none is among `measured`; () if one is."""
    if setup is None:
        return ()
    far = FAR_PLACES[setup.heater]
    kinds = {"cyl" if CYLINDER.match(m) else m for m in measured}
    return () if kinds.intersection(far) else far


def load_settings(path: Path) -> Settings:
    """The settings in a TOML file.

    Raises SettingsError with file, key and remedy; the file is only read, never written.
    """
    try:
        data = path.read_bytes()
    except OSError as err:
        raise SettingsError(
            f"{path}: can't be read ({err.strerror}). Check the name and who may read it."
        ) from err
    return parse_settings(data, str(path))


def parse_settings(data: bytes, file: str) -> Settings:
    """The settings in TOML text; `file` is the name used in refusals."""
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as err:
        line = data.count(b"\n", 0, err.start) + 1
        raise SettingsError(f"{file}: line {line} is not UTF-8. Save the file as UTF-8.") from err
    except RecursionError:
        raise SettingsError(f"{file}: brackets within brackets too deep. Write plain tables.") from None
    except ValueError as err:  # also numbers too long for tomllib itself
        raise SettingsError(f"{file}: {_of_toml(str(err))}. {SHOWS} how a line is written.") from err
    _refuse_unknown_keys(table, Settings, file, ())
    try:
        settings = msgspec.convert(_to_celsius(table, file, ()), Settings)
    except msgspec.ValidationError as err:
        raise SettingsError(_explain(str(err), file, table)) from err
    _check(settings, file, table)
    return settings


def refuse_unwatched(settings: Settings, file: str) -> None:
    """Settings the daemon is to watch by describe a place that readiness waits for; a recording names its
    own. Raises SettingsError; `file` is the name used in it."""
    if not settings.places:
        raise SettingsError(
            f"{file}: places: none is described, so there is nothing to watch. Add a [[places]] table for "
            f"each point of the engine, with required = true where readiness waits for it; "
            f"{SHOWS} how."
        )
    if not settings.required:
        raise SettingsError(
            f"{file}: places: none has required = true, so nothing could ever be called above target. Set it "
            f"for the points of the engine that readiness waits for."
        )


def _to_celsius(table: Mapping[str, Any], file: str, path: tuple[str, ...]) -> dict[str, Any]:
    """The same table with each key_f as key_c; both at once are refused."""
    out: dict[str, Any] = {}
    for key, value in table.items():
        here = (*path, key)
        if isinstance(value, dict):
            out[key] = _to_celsius(value, file, here)
        elif isinstance(value, list):
            out[key] = [
                _to_celsius(v, file, (*here, str(i + 1))) if isinstance(v, dict) else v
                for i, v in enumerate(value)
            ]
        elif isinstance(value, float) and not math.isfinite(value):
            raise SettingsError(f"{file}: {_dotted(here)} is {value}. Write a number.")
        elif isinstance(value, int) and abs(value) > _MOST:
            raise SettingsError(f"{file}: {_dotted(here)} is too large. Correct the number.")
        elif key.endswith("_f"):
            out[key[:-2] + "_c"] = _celsius(value, file, here, table)
        else:
            out[key] = value
    return out


_MOST = 10**15


def _celsius(value: object, file: str, here: tuple[str, ...], table: Mapping[str, Any]) -> float:
    twin = here[-1][:-2] + "_c"
    if twin in table:
        raise SettingsError(f"{file}: {_dotted(here)} and {twin} are both given. Keep one of the two.")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SettingsError(f"{file}: {_dotted(here)} must be a number of degrees Fahrenheit.")
    return (value - 32) / 1.8


def _refuse_unknown_keys(table: Mapping[str, Any], kind: Any, file: str, path: tuple[str, ...]) -> None:
    fields = {f.name: f.type for f in msgspec.structs.fields(kind)}
    for key, value in table.items():
        inner = fields.get(key[:-2] + "_c" if key.endswith("_f") else key)
        if inner is None:
            raise SettingsError(_unknown_key(key, list(fields), file, path))
        if isinstance(inner, type) and issubclass(inner, msgspec.Struct):
            if isinstance(value, dict):
                _refuse_unknown_keys(value, inner, file, (*path, key))
            continue
        item = next((a for a in get_args(inner) if isinstance(a, type) and issubclass(a, _Table)), None)
        if item is not None and isinstance(value, dict):
            _refuse_unknown_keys(value, item, file, (*path, key))
        if item is not None and isinstance(value, list):
            for i, entry in enumerate(value):
                if isinstance(entry, dict):
                    _refuse_unknown_keys(entry, item, file, (*path, key, str(i + 1)))


def _unknown_key(key: str, allowed: list[str], file: str, path: tuple[str, ...]) -> str:
    twins = [name[:-2] + "_f" for name in allowed if name.endswith("_c")]
    close = difflib.get_close_matches(key, allowed + twins, n=1)
    if key + "_c" in allowed:
        remedy = f"Did you mean {key}_c or {key}_f?"
    else:
        remedy = f"Did you mean {close[0]}?" if close else f"Allowed here: {', '.join(allowed)}."
    return f"{file}: {_dotted((*path, key))} is not a known key. {remedy}"


def _explain(text: str, file: str, table: Mapping[str, Any]) -> str:
    """msgspec's complaint in an owner's words, in °F where the owner wrote °F."""
    reason, _, where = text.partition(" - at ")
    path = tuple(_path_parts(where.strip("`")))
    given: Any = table
    for part in path[:-1]:
        given = given[int(part) - 1] if part.isdigit() else given[part]
    if path and path[-1].endswith("_c") and path[-1][:-2] + "_f" in given:
        key = _dotted(path)[:-2] + "_f"
        return f"{file}: {key} is out of bounds. Write a number from −76 to 572 (degrees Fahrenheit)."
    return f"{file}: {_dotted(path) if path else 'the file'} {_remedy(reason, path)}"


_TIMES: Mapping[tuple[str, ...], str] = {
    ("quiet",): '"22:00-05:30"',
    ("morning_look",): '"05:50"',
    ("weekly_test",): '"Sun 18:00" (a day in three letters, or daily, and a time), or "never"',
}

_KINDS = {
    "object": "a table",
    "array": "a list of tables",
    "str": "text in quotes",
    "float": "a number",
    "int": "a whole number",
    "bool": "true or false",
    "str | null": "text in quotes",
    "object | null": "a table",
}


def _remedy(reason: str, path: tuple[str, ...]) -> str:
    """What is wrong and what to write, from msgspec's reason."""
    if found := re.match(r"Object missing required field `(.*)`", reason):
        return f"needs the key {found[1]}. Add it; {SHOWS} how."
    if reason.startswith("Invalid enum value"):
        return f"is none of the known words. Write one of {', '.join(_choices(path))}."
    if found := re.match(r"Expected `(.*?)`, got", reason):
        return f"must be {_KINDS.get(found[1], found[1])}. {SHOWS} how to write it."
    if found := re.match(r"Expected `(?:float|int)` (<=|>=|<|>) (\S+)", reason):
        bound = {"<=": "at most", ">=": "at least", "<": "below", ">": "above"}[found[1]]
        return f"must be {bound} {float(found[2]):g}. Correct the number."
    if "matching regex" in reason and path[-1:] == ("evening",):
        return "must be a time of day. Write it like 19:30."
    if "matching regex" in reason and path[-1:] in _TIMES:
        return f"must be written like {_TIMES[path[-1:]]}. Correct it."
    if "matching regex" in reason and (
        path[-1:] in (("person",), ("contact",))
        or (path[-1:] == ("name",) and path[0] in ("aircraft", "recipients"))
        or path == ("aircraft", "field")
    ):
        return "must be one line of text without blanks at its ends. Correct it."
    if "matching regex" in reason and path[0] == "switch" and path[-1].startswith("homie"):
        return "must be device/node/property as the plug's Homie device names them. Correct it."
    if "matching regex" in reason and path[0] == "switch" and path[-1].endswith("_topic"):
        return "must be one topic without # and +. Correct it."
    if "matching regex" in reason and (
        path[0] in ("weather", "switch") or path[-1:] in (("topic",), ("pointer",))
    ):
        if path[-1] == "topic":
            return "must be one topic without # and +. Correct it."
        return "is not a JSON pointer. Write one like /hours/air; a / in a name is ~1 there and a ~ is ~0."
    if "matching regex" in reason:
        return "must be small letters, digits and single hyphens. Correct it."
    if found := re.match(r"Expected `\w+` of length (<=|>=) (\d+)", reason):
        return f"must have {'at most' if found[1] == '<=' else 'at least'} {found[2]} characters. Correct it."
    return f"is refused: {reason[:1].lower()}{reason[1:]}. {SHOWS} how to write it."


def _of_toml(reason: str) -> str:
    """What doesn't hold of the text as TOML, from tomllib's reason."""
    return reason.replace("Cannot overwrite a value", "a key or table stands there a second time")


def _choices(path: tuple[str, ...]) -> tuple[str, ...]:
    """The words a key can have, from its type."""
    kind: Any = Settings
    for part in path:
        if not part.isdigit():
            kind = next(f.type for f in msgspec.structs.fields(kind) if f.name == part)
            if get_origin(kind) is tuple or type(None) in get_args(kind):
                kind = get_args(kind)[0]
    return tuple(str(word) for word in get_args(kind))


def _path_parts(where: str) -> Iterable[str]:
    for name, index in re.findall(r"\.([a-z_0-9]+)|\[(\d+)\]", where):
        yield name or str(int(index) + 1)


def _dotted(path: tuple[str, ...]) -> str:
    """places.2.name → 'places (entry 2) name' as an owner reads it."""
    out = ""
    for part in path:
        if part.isdigit():
            out += f" (entry {part})"
            continue
        name = part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else f'"{part[:40]}"'
        out += ("" if not out else " " if out.endswith(")") else ".") + name
    return out


def _check(settings: Settings, file: str, table: Mapping[str, Any]) -> None:
    """What no single key shows. Raises SettingsError."""
    zone = settings.aircraft.zone
    if zone is not None and not _is_zone(zone):
        raise SettingsError(f"{file}: aircraft.zone: {zone} is not a time zone. Write one like Europe/Oslo.")
    limits, written = settings.limits, table.get("limits", {})
    need, target, hot = (
        _as_written(key, c, written)
        for key, c in (
            ("need_below", limits.need_below_c),
            ("target", limits.target_c),
            ("too_hot", limits.too_hot_c),
        )
    )
    if limits.target_c < limits.need_below_c:
        raise SettingsError(f"{file}: {target} is below {need}. Raise the target or lower the need-limit.")
    if limits.too_hot_c <= limits.target_c:
        raise SettingsError(f"{file}: {hot} must lie above {target}. Raise it.")
    _check_broker(settings.broker, file)
    if settings.club is not None and settings.broker.host is None:
        raise SettingsError(f"{file}: club needs a broker. Set broker.host, or remove [club].")
    _check_planning(settings, file)
    _check_engine(settings.engine, file)
    _check_page(settings.page, file)
    _check_places(settings, file)
    _check_probes(settings, file)
    _check_weather(settings, file)
    if settings.switch is not None:
        _check_switch(settings, settings.switch, file)
    if settings.circuit is not None:
        _check_circuit(settings, settings.circuit, file)
    for kind, names in (
        ("setups", [s.name for s in settings.setups]),
        ("recipients", [r.name for r in settings.recipients]),
    ):
        if twice := _first_double(names):
            raise SettingsError(f"{file}: {kind}: {twice} is there twice. Give each its own name.")
    url = settings.page.public_url
    if url is not None and not _PUBLIC_URL.match(url):
        raise SettingsError(
            f"{file}: page.public_url must be https:// with a name and no blank, without a slash at its end, "
            f"like https://magpie.example.org. Correct it."
        )
    if settings.messages.morning_look_daily and settings.messages.morning_look is None:
        raise SettingsError(
            f'{file}: messages.morning_look_daily needs a time. Add morning_look, like "05:50".'
        )
    for r in settings.recipients:
        if (r.address is None) == (r.address_file is None):
            raise SettingsError(
                f"{file}: recipients: {r.name} needs address or address_file, one of the two."
            )


def _check_circuit(settings: Settings, circuit: Circuit, file: str) -> None:
    """Boards hear of one another by the broker, and a heater must fit its circuit. Raises SettingsError."""
    if settings.broker.host is None:
        raise SettingsError(
            f"{file}: circuit needs a broker. Name its host under [broker], or remove [circuit]."
        )
    power_w = circuit.power_w or (settings.setup.watts if settings.setup is not None else None)
    if power_w is None:
        raise SettingsError(f"{file}: circuit.power_w is missing. Write what the heater draws [W].")
    if power_w > circuit.limit_w:
        raise SettingsError(
            f"{file}: circuit.limit_w: {circuit.limit_w:g} W is less than the heater alone draws "
            f"({power_w:g} W). Put that heater on another circuit, or correct the figures."
        )


def _check_broker(broker: Broker, file: str) -> None:
    """A certificate of ours needs its key, and TLS. Raises SettingsError."""
    if (broker.cert_file is None) != (broker.key_file is None):
        raise SettingsError(f"{file}: broker: cert_file and key_file go together. Add the other one.")
    for key in ("ca_file", "cert_file"):
        if getattr(broker, key) is not None and not broker.tls:
            raise SettingsError(f"{file}: broker.{key} needs tls = true. Set it, or remove {key}.")
    if broker.history and broker.host is None:
        raise SettingsError(f"{file}: broker.history needs a broker. Set broker.host, or remove history.")


def _check_planning(settings: Settings, file: str) -> None:
    limits, person = settings.limits, settings.planning.person
    if (limits.need_air_below_c is None) != (limits.need_air_hours is None):
        raise SettingsError(
            f"{file}: limits: need_air_below_c (or _f) and need_air_hours belong together. Give both or none."
        )
    if person is not None and person not in {r.name for r in settings.recipients}:
        raise SettingsError(f"{file}: planning.person: {person} is not among the recipients. Add it there.")


def _check_engine(engine: Engine, file: str) -> None:
    sheet = (engine.oil_40_mm2_s, engine.oil_100_mm2_s, engine.oil_pour_point_c)
    if all(figure is None for figure in sheet):
        return
    thin, thick, pour_c = engine.oil_100_mm2_s, engine.oil_40_mm2_s, engine.oil_pour_point_c
    if thin is None or thick is None or pour_c is None:
        raise SettingsError(
            f"{file}: engine needs oil_40_mm2_s, oil_100_mm2_s and oil_pour_point_c, all three or none. The "
            f"oil's data sheet has them."
        )
    if thin >= thick:
        raise SettingsError(
            f"{file}: engine.oil_100_mm2_s must be below oil_40_mm2_s: oil thins as it warms. "
            f"Look again at the data sheet."
        )
    if pour_c >= 40:
        raise SettingsError(f"{file}: engine.oil_pour_point_c must be below 40 °C. Correct it.")


def _check_page(page: Page, file: str) -> None:
    """From another machine the way to the page would be plain HTTP again, so a proxy is on this one."""
    try:
        fits = page.proxy is None or ipaddress.ip_address(page.proxy).is_loopback
    except ValueError:
        fits = False
    if not fits:
        raise SettingsError(
            f"{file}: page.proxy: {page.proxy} is not an address of this board itself. Run the proxy on the "
            f"board and write 127.0.0.1 or ::1."
        )


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _as_written(key: str, c: float, limits: Mapping[str, Any]) -> str:
    """A limit with its key and unit as in the file; in °C where the file leaves it out."""
    if key + "_f" in limits:
        return f"limits.{key}_f ({limits[key + '_f']:g} °F)"
    return f"limits.{key}_c ({c:.1f} °C)"


def _check_places(settings: Settings, file: str) -> None:
    if twice := _first_double([p.name for p in settings.places]):
        raise SettingsError(f"{file}: places: {twice} is described twice. Remove one.")
    for p in settings.places:
        if not (p.name in NAMED_PLACES or CYLINDER.match(p.name) or OTHER.match(p.name)):
            raise SettingsError(
                f"{file}: places: {p.name} is not a known place. Use one of {', '.join(NAMED_PLACES)}, "
                f"cyl-1, cyl-2 …, or other-… with a word of your own."
            )
        if p.required and not may_be_coldest(p.name, p.near_heater):
            why = "lies near a heater part" if p.near_heater else "is not part of the engine"
            raise SettingsError(
                f"{file}: places: {p.name} can't be required: it {why}, so it would say warm too early. "
                f"Set required = false."
            )


def _check_probes(settings: Settings, file: str) -> None:
    for p in settings.probes:
        if p.source == "one-wire" and not ONE_WIRE_ADDRESS.match(p.address):
            raise SettingsError(
                f"{file}: probes: address {p.address} is not as the kernel writes it. Copy the folder's name "
                f"under one_wire.directory, like 3b-0c98000000a1, in small letters."
            )
        _check_remote(p, settings.broker, file)
    if twice := _first_double([p.address for p in settings.probes]):
        raise SettingsError(f"{file}: probes: address {twice} is bound to two places. Keep one binding.")
    if twice := _first_double([p.place for p in settings.probes]):
        raise SettingsError(f"{file}: probes: {twice} has two probes. Name the second place other-…")
    known = {p.name for p in settings.places}
    for p in settings.probes:
        if p.place not in known:
            raise SettingsError(
                f"{file}: probes: {p.place} is not among the places. Add it under [[places]]."
            )


def _check_remote(probe: Probe, broker: Broker, file: str) -> None:
    """A probe on the broker needs a topic and a broker, another one neither. Raises SettingsError."""
    if probe.source != "mqtt":
        plain = Probe(place=probe.place, address=probe.address)
        keys = ("topic", "pointer", "unit", "stale_after_s", "expires_s")
        for key in keys:
            if getattr(probe, key) != getattr(plain, key):
                raise SettingsError(
                    f'{file}: probes: {probe.address}: {key} goes with source = "mqtt" alone. Remove it, '
                    f"or write that source."
                )
        return
    if probe.topic is None:
        raise SettingsError(
            f"{file}: probes: {probe.address} comes by the broker and needs topic. Add its sender's."
        )
    if broker.host is None:
        raise SettingsError(
            f'{file}: probes: {probe.address} has source = "mqtt", which needs a broker. Set broker.host.'
        )


def _check_weather(settings: Settings, file: str) -> None:
    weather = settings.weather
    for key, source in (("hourly", weather.hourly), ("metar", weather.metar)):
        if source is None:
            continue
        if (source.address is None) == (source.address_file is None):
            raise SettingsError(f"{file}: weather.{key} needs address or address_file, one of the two.")
        if source.address is not None and not source.address.startswith("https://"):
            raise SettingsError(
                f"{file}: weather.{key}.address must begin with https://, so that nobody on the way can "
                f"change the weather. Correct it."
            )
    if weather.hourly is not None and weather.hourly.time is None:
        raise SettingsError(
            f"{file}: weather.hourly.time is needed: the pointer to the hours' times. Add it."
        )
    if weather.topic is not None and settings.broker.host is None:
        raise SettingsError(
            f"{file}: weather.topic needs a broker. Set broker.host, or remove weather.topic."
        )
    for key, fields in (("hourly", weather.hourly), ("topic", weather.topic)):
        zone = fields.time_zone if fields is not None else None
        if zone is not None and not _is_zone(zone):
            raise SettingsError(
                f"{file}: weather.{key}.time_zone: {zone} is not a time zone. Write one like Europe/Oslo."
            )


def _check_switch(settings: Settings, switch: Switch, file: str) -> None:
    """Nothing is switched that could hurt somebody where nobody looks. Raises SettingsError."""
    for wrong in (
        _unfit_heater(settings.setup, switch),
        _unfit_watch(settings),
        _unfit_wiring(switch),
    ):
        if wrong is not None:
            raise SettingsError(f"{file}: {wrong}")


def _unfit_heater(setup: Setup | None, switch: Switch) -> str | None:
    if setup is None:
        return "switch: no setup is described. Add the heater under [[setups]]."
    if setup.heater == "combustion":
        return "switch: a combustion heater is never switched from afar nor left alone. Remove [switch]."
    if not switch.manual_allows_unattended:
        return (
            "switch.manual_allows_unattended is not true. Only a heater whose manual allows unattended use "
            "on an engine may be switched; read it, then write true, or remove [switch]."
        )
    if setup.heater in HOT_AIR and not switch.hot_air_confirmed:
        return (
            f"switch.hot_air_confirmed: {setup.heater} is not switched unless its manual says that it may "
            f"run unattended in or on a cowl. Write true only then, or remove [switch]."
        )
    return None


def _unfit_watch(settings: Settings) -> str | None:
    interval_s = settings.sampling.interval_s
    if interval_s > LONGEST_INTERVAL_S:
        return (
            f"sampling.interval_s is {interval_s:g}: with a switch readings are needed every "
            f"{LONGEST_INTERVAL_S:g} s or oftener. Lower it, or remove [switch]."
        )
    if not settings.required:
        return "switch: no place is required, so nothing would end the heat. Set required = true at a place."
    if settings.broker.host is None:
        return "switch needs a broker. Set broker.host, or remove [switch]."
    return None


def _unfit_wiring(switch: Switch) -> str | None:
    if (switch.command_topic is None) == (switch.homie is None):
        return "switch needs command_topic or homie, one of the two."
    if switch.homie is None and switch.state_topic is None and switch.power_topic is None:
        return (
            "switch: the plug must say whether it is on, or what it draws, or its timer can't be tested. Add "
            "state_topic or power_topic."
        )
    if switch.homie is not None and (switch.state_topic or switch.power_topic or switch.timer_topic):
        return "switch: homie brings its own topics. Remove state_topic, power_topic and timer_topic."
    if switch.homie is None and switch.homie_power is not None:
        return "switch.homie_power needs homie. Write power_topic instead."
    topics = [switch.command_topic, switch.timer_topic, switch.state_topic]
    if _first_double(t for t in topics if t is not None):
        return "switch: two of command_topic, timer_topic and state_topic are the same. Correct one."
    if switch.on == switch.off or switch.state_on == switch.state_off:
        return "switch: on and off are the same word. Correct one."
    return None


def _first_double(names: Iterable[str]) -> str | None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            return name
        seen.add(name)
    return None
