"""Settings: what is understood is exact, everything else is refused with file, key and remedy."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe_agent import config
from probe_agent.config import Settings, SettingsError, load_settings, parse_settings

EXAMPLE = Path(__file__).parents[1] / "deploy" / "example.toml"

HOURLY = "[weather.hourly]\ntime = '/t'\nair = '/a'\n"

PLACES = """
[[places]]
name = "cyl-1"
required = true
[[places]]
name = "sump"
near_heater = true
"""


def load(text: str) -> Settings:
    return parse_settings(text.encode(), "magpie.toml")


def refusal(text: str) -> str:
    with pytest.raises(SettingsError) as caught:
        load(text)
    said = str(caught.value)
    assert said.startswith("magpie.toml: ")
    assert len(said) < 400
    assert "\n" not in said
    return said.removeprefix("magpie.toml: ")


# -- what is understood


def test_an_empty_file_is_all_defaults() -> None:
    found = load("")
    assert found == Settings()
    assert found.limits.target_c == pytest.approx(7.2222, abs=1e-4)
    assert found.limits.need_below_c == pytest.approx(-1.1111, abs=1e-4)
    assert found.setup is None
    assert found.required == ()


def test_a_temperature_may_be_written_in_either_unit() -> None:
    fahrenheit = load("[limits]\nneed_below_f = 20\ntarget_f = 50.0\ntoo_hot_f = 140")
    celsius = load("[limits]\nneed_below_c = -6.666666666666667\ntarget_c = 10\ntoo_hot_c = 60")
    for key in ("need_below_c", "target_c", "too_hot_c"):
        assert getattr(fahrenheit.limits, key) == pytest.approx(getattr(celsius.limits, key), abs=1e-9)


@given(st.floats(-76, 140, allow_nan=False))
def test_a_limit_keeps_its_exact_value(f: float) -> None:
    found = load(f"[limits]\ntarget_f = {f!r}\nneed_below_c = -60\ntoo_hot_c = 300")
    assert found.limits.target_c * 1.8 + 32 == pytest.approx(f, abs=1e-9)


def test_places_are_asked_by_name() -> None:
    found = load(PLACES)
    assert found.required == ("cyl-1",)
    assert found.place("sump").near_heater
    assert not found.place("cabin").required


@pytest.mark.parametrize(
    ("place", "near", "may"),
    [
        ("cyl-1", False, True),
        ("cyl-1", True, False),
        ("ambient", False, False),
        ("heater-outlet", False, False),
        ("battery", False, False),
        ("cabin", False, False),
        ("coolant", False, True),
    ],
)
def test_only_the_engines_own_points_can_be_coldest(place: str, near: bool, may: bool) -> None:
    assert config.may_be_coldest(place, near) is may


@pytest.mark.parametrize("heater", config.FAR_PLACES)
def test_one_far_place_measured_is_enough(heater: str) -> None:
    setup = config.Setup(name="x", heater=heater, watts=500)  # type: ignore[arg-type]
    far = config.FAR_PLACES[heater]
    assert config.unmeasured_far_places(setup, ["ambient", "battery"]) == far
    for place in far:
        measured = "cyl-11" if place == "cyl" else place
        assert config.unmeasured_far_places(setup, [measured]) == ()
    assert config.unmeasured_far_places(None, []) == ()


# -- the example


def test_the_example_loads_and_uses_the_defaults_it_states() -> None:
    found = load_settings(EXAMPLE)
    assert found.aircraft.name == "Magpie"
    assert found.limits == Settings().limits
    assert found.one_wire == Settings().one_wire
    assert found.sampling == Settings().sampling
    assert found.store == Settings().store
    assert found.page == Settings().page
    assert found.messages == Settings().messages
    assert {p.place for p in found.probes} == {p.name for p in found.places}
    assert config.unmeasured_far_places(found.setup, found.required) == ()


def table_of(kind: Any) -> Any:
    """The table a field holds: itself, in a list, or perhaps."""
    return next((a for a in getattr(kind, "__args__", ()) if isinstance(a, type)), kind)


def is_table(kind: Any) -> bool:
    return isinstance(table_of(kind), type) and issubclass(table_of(kind), msgspec.Struct)


def tables(kind: Any) -> Iterator[tuple[str, Any]]:
    """Every table within a table, with its name."""
    for field in msgspec.structs.fields(kind):
        if is_table(field.type):
            yield field.name, table_of(field.type)
            yield from tables(table_of(field.type))


def test_the_example_explains_each_key() -> None:
    """Every key of every table stands in the file, in use or commented out, with words beside or above it."""
    text = EXAMPLE.read_text("utf-8")
    lines = text.splitlines()
    for table, kind in tables(Settings):
        for key in (f.name for f in msgspec.structs.fields(kind) if not is_table(f.type)):
            stem = key[:-2] if key.endswith("_c") else key
            found = [i for i, line in enumerate(lines) if re.match(rf"(# ?)?{stem}(_[cf])? = ", line)]
            assert found, f"{table}.{key} is not in the example"
            known = any(
                "#" in lines[i].lstrip("# ") or re.search(rf"^# .*\b{stem}\b[:= ]", text, re.MULTILINE)
                for i in found
            )
            plain = key in PLAIN
            assert known or plain, f"{table}.{key} is not explained"


PLAIN = {
    # Names that say all there is to say, under a heading that explains the table.
    *("host", "port", "tls", "ca_file", "username", "password_file", "directory", "file", "address_file"),
    *("place", "timeout_s", "name", "listen"),
}


def test_each_line_of_the_example_that_is_commented_out_is_understood_too() -> None:
    text = re.sub(
        r"^# (\[\[(?:recipients|probes|places)\]\]|\[weather\.\w+\]|\[(?:switch|circuit|club)\]|\w+ = )",
        r"\1",
        EXAMPLE.read_text("utf-8"),
        flags=re.MULTILINE,
    )
    text = text.replace("required = true: nothing", "# ").replace("near_heater = true: a", "# ")
    text = text.replace("tls = false ", "tls = true ")  # what its certificates need
    found = load(text)
    assert found.broker.host == "127.0.0.1"
    assert found.broker.device == "magpie"
    assert found.aircraft.zone == "Europe/Oslo"
    assert found.recipients[0].address_file is not None
    assert found.weather.hourly is not None
    assert found.weather.hourly.entries == "/hours"
    assert found.weather.metar is not None
    assert found.weather.topic is not None
    assert found.switch is not None
    assert found.switch.timer_s == 300
    assert found.club is not None
    assert found.club.boards == ("magpie", "kestrel")
    assert found.aircraft.field == "Reedmoor"
    assert found.circuit is not None
    assert found.circuit.name == "hangar-2"
    remote = found.probes[-1]
    assert (remote.source, remote.topic, remote.pointer, remote.expires_s) == (
        "mqtt",
        "shed/cabin",
        "/temperature",
        600,
    )


# -- refusals


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        (f"{HOURLY}address = 'http://a'", "weather.hourly.address must begin with https://", "Correct"),
        (f"{HOURLY}", "weather.hourly needs address or address_file", "one of the two"),
        ("[weather.metar]", "weather.metar needs address or address_file", "one of the two"),
        (f"{HOURLY}address = 'https://a'\nwind = 'w'", "weather.hourly.wind is not a JSON pointer", "Write"),
        (f"{HOURLY}address = 'https://a'\nair_unit = 'R'", "weather.hourly.air_unit is none", "C, F, K"),
        (f"{HOURLY}address = 'https://a'\nwinds = '/w'", "weather.hourly.winds is not", "Did you mean wind?"),
        (f"{HOURLY}address = 'https://a'\ntime_zone = 'Mars'", "weather.hourly.time_zone: Mars", "Europe"),
        ("[weather.hourly]\naddress = 'https://a'\nair = '/a'", "weather.hourly.time is needed", "Add it"),
        ("[weather.hourly]\naddress = 'https://a'\ntime = '/t'", "weather.hourly needs the key air", "Add"),
        ("[weather]\nhourly = 3", "weather.hourly must be a table", "probe-agent example"),
        ("[weather]\nevery_min = 5", "weather.every_min must be at least 10", "Correct"),
        ("[weather.topic]\ntopic = 'a'\nair = '/a'", "weather.topic needs a broker", "Set broker.host"),
        ("[weather.topic]\ntopic = 'a/#'\nair = '/a'", "weather.topic.topic must be one topic", "Correct"),
        ("[limits]\ntarget_f = 45\ntarget_c = 7", "limits.target_f and target_c are both given", "Keep one"),
        ("[limits]\ntarget_c = nan", "limits.target_c is nan", "Write a number"),
        ("[limits]\ntarget_f = inf", "limits.target_f is inf", "Write a number"),
        ("[limits]\nsoak_min = -inf", "limits.soak_min is -inf", "Write a number"),
        ('[[setups]]\nname="w"\nheater="fixed-pad"\nwatts=nan', "setups (entry 1) watts is nan", "a number"),
        ("[limits]\ntarget_f = true", "limits.target_f must be a number", "Fahrenheit"),
        ("[limits]\ntarget_f = 1000", "limits.target_f is out of bounds", "from −76 to 572"),
        ("[limits]\ntarget_c = 1000", "limits.target_c must be at most 300", "Correct"),
        (f"[limits]\ntarget_f = {'9' * 400}", "limits.target_f is too large", "Correct"),
        (f"[limits]\nsoak_min = {'9' * 400}", "limits.soak_min is too large", "Correct"),
        (
            "[limits]\ntarget_f = 20",
            "limits.target_f (20 °F) is below limits.need_below_c",
            "Raise the target",
        ),
        ("[limits]\ntarget_c = -3\nneed_below_f = 30", "limits.target_c (-3.0 °C) is below", "need_below_f"),
        ("[limits]\ntoo_hot_c = 5", "limits.too_hot_c (5.0 °C) must lie above limits.target_c", "Raise it"),
        ("[sampling]\ninterval_s = 1", "sampling.interval_s must be at least 5", "Correct"),
        ("[page]\nport = 70000", "page.port must be at most 65535", "Correct"),
        ("[page]\nowner_days = 401", "page.owner_days must be at most 400", "Correct"),
        ("[page]\nviewer_days = 0", "page.viewer_days must be at least 1", "Correct"),
        ('[page]\nviewing = "all"', "page.viewing is none of the known words", "anyone, paired"),
        ("[page]\nplain_acts = 1", "page.plain_acts must be true or false", "probe-agent example"),
        (
            '[page]\nproxy = "192.168.1.2"',
            "page.proxy: 192.168.1.2 is not an address of this board",
            "127.0.0.1",
        ),
        ('[page]\nproxy = "localhost"', "page.proxy: localhost is not an address", "127.0.0.1"),
        ("[page]\nport = 1.5", "page.port must be a whole number", "probe-agent example"),
        ('[limits]\nsoak_min = "30"', "limits.soak_min must be a number", "probe-agent example"),
        ("[limits]\ncore_certainty = 1", "limits.core_certainty must be at most 0.99", "Correct"),
        ("limits = 3", "limits must be a table", "probe-agent example"),
        ("places = [1]", "places (entry 1) must be a table", "probe-agent example"),
        ("[places]\nname = 'sump'", "places must be a list of tables", "probe-agent example"),
        ("[[places]]", "places (entry 1) needs the key name", "Add it"),
        (
            '[aircraft]\nlayout = "boxer"',
            "aircraft.layout is none of the known words",
            "opposed-4, opposed-6",
        ),
        ('[[setups]]\nname="w"\nheater="stove"\nwatts=3', "setups (entry 1) heater", "fixed-pad"),
        ('[[setups]]\nname="A b"\nheater="fixed-pad"\nwatts=3', "setups (entry 1) name", "small letters"),
        ('[[setups]]\nname="a\\n"\nheater="fixed-pad"\nwatts=3', "setups (entry 1) name", "small letters"),
        ('[aircraft]\nname = "Mag\\nBcc: x"', "aircraft.name", "one line of text"),
        ('[aircraft]\nname = ""', "aircraft.name", "one line of text"),
        ('[aircraft]\nname = " "', "aircraft.name", "one line of text"),
        ('[aircraft]\nzone = "Mars/Hangar"', "aircraft.zone", "Europe/Oslo"),
        ('[aircraft]\nzone = "../etc"', "aircraft.zone", "Europe/Oslo"),
        ('[[places]]\nname = "wing"', "places: wing is not a known place", "other-"),
        ('[[places]]\nname = "cyl-0"', "places: cyl-0 is not a known place", "cyl-1"),
        (PLACES + '[[places]]\nname = "sump"', "places: sump is described twice", "Remove one"),
        (
            '[[places]]\nname="sump"\nrequired=true\nnear_heater=true',
            "sump can't be required",
            "required = false",
        ),
        ('[[places]]\nname="cabin"\nrequired=true', "cabin can't be required", "required = false"),
        ('[[probes]]\nplace="sump"\naddress="3b-0c98000000a1"', "probes: sump is not among", "[[places]]"),
        (PLACES + '[[probes]]\nplace="sump"\naddress="3B-0C98000000A1"', "3B-0C98000000A1", "small letters"),
        (
            PLACES
            + "".join(f'[[probes]]\nplace="{p}"\naddress="28-0c98000000a1"\n' for p in ("cyl-1", "sump")),
            "address 28-0c98000000a1 is bound to two places",
            "Keep one binding",
        ),
        (
            PLACES + "".join(f'[[probes]]\nplace="sump"\naddress="28-0c98000000a{n}"\n' for n in (1, 2)),
            "probes: sump has two probes",
            "other-",
        ),
        (
            '[[recipients]]\nname = "pilot"',
            "recipients: pilot needs address or address_file",
            "one of the two",
        ),
        (
            '[[recipients]]\nname="p"\naddress="json://x"\naddress_file="y"',
            "recipients: p needs address or address_file",
            "one of the two",
        ),
        ('[[recipients]]\nname="p"\naddress="a"\n' * 2, "recipients: p is there twice", "its own name"),
        ("[limits", "end of document", "probe-agent example"),
        ("[limits]\n[limits]", "line 2", "probe-agent example"),
        (
            "[limits]\nsoak_min = 3\nsoak_min = 4\n",
            "stands there a second time (at line 3",
            "probe-agent example",
        ),
        (f'[aircraft]\nname = "{"x" * 41}"', "aircraft.name must have at most 40 characters", "Correct it"),
        (f"x = {'9' * 5000}", "digits", "probe-agent example"),
        (f"x = {'[' * 5000}", "too deep", "plain tables"),
    ],
)
def test_a_refusal_names_file_key_and_remedy(text: str, key: str, remedy: str) -> None:
    said = refusal(text)
    assert key in said
    assert remedy in said


@pytest.mark.parametrize(
    ("text", "key", "meant"),
    [
        ('[aircrafts]\nname = "x"', "aircrafts", "aircraft"),
        ("[limits]\ntraget_f = 45", "limits.traget_f", "target_f"),
        ("[limits]\ntarget = 45", "limits.target", "target_c or target_f"),
        ("[limits]\nsoak = 45", "limits.soak", "soak_min"),
        ('[[places]]\nname = "sump"\n[[places]]\nnmae = "cyl-1"', "places (entry 2) nmae", "name"),
        ('[[setups]]\nname="w"\nheater="fixed-pad"\nwatt=3', "setups (entry 1) watt", "watts"),
        ('[broker]\nhots = "x"', "broker.hots", "host"),
        ("[sampling]\nintervall_s = 15", "sampling.intervall_s", "interval_s"),
    ],
)
def test_an_unknown_key_is_refused_with_a_suggestion(text: str, key: str, meant: str) -> None:
    said = refusal(text)
    assert said.startswith(f"{key} is not a known key. Did you mean {meant}")


def test_an_unknown_key_like_none_is_told_what_is_allowed() -> None:
    assert refusal("[page]\nzzz = 1") == (
        "page.zzz is not a known key. "
        "Allowed here: listen, port, viewing, owner_days, viewer_days, proxy, plain_acts, public_url."
    )
    assert refusal('"a b" = 1').startswith('"a b" is not a known key. Allowed here: aircraft, places')
    assert refusal("[page]\nport_f = 1").startswith("page.port_f is not a known key.")


def test_a_file_that_cant_be_read_says_why(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"no\.toml: can't be read \(No such file"):
        load_settings(tmp_path / "no.toml")
    with pytest.raises(SettingsError, match="can't be read"):
        load_settings(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('[aircraft]\nname = "Elster-ä"'.encode("latin-1"))
    with pytest.raises(SettingsError, match="line 2 is not UTF-8"):
        load_settings(latin)


# -- nothing but a refusal ever comes of a damaged file

_lines = EXAMPLE.read_text("utf-8").splitlines()
_values = st.one_of(
    st.integers(),
    st.floats(),
    st.booleans(),
    st.text(max_size=50),
    st.text(max_size=50).map(json.dumps),
    st.sampled_from(["nan", "-inf", "[]", "{}", "[[1]]", "''", "1979-05-27", "07:32:00", "0x1F", "1e400"]),
)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_a_mangled_example_is_understood_or_refused(data: st.DataObject) -> None:
    lines = list(_lines)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        match data.draw(st.sampled_from(["drop", "double", "cut", "value", "key"])):
            case "drop":
                lines[at] = ""
            case "double":
                lines.insert(at, lines[data.draw(st.integers(0, len(lines) - 1))])
            case "cut":
                lines[at] = lines[at][: data.draw(st.integers(0, len(lines[at])))]
            case "value":
                value = data.draw(_values)
                shown = str(value).lower() if isinstance(value, bool) else str(value)
                lines[at] = f"{lines[at].partition('=')[0]}= {shown}"
            case "key":
                lines[at] = f"{data.draw(st.text('abc_fc.-', max_size=6))}{lines[at]}"
    only_a_refusal("\n".join(lines).encode("utf-8", "surrogatepass"))


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200))
def test_noise_is_refused(noise: bytes) -> None:
    only_a_refusal(noise)


def only_a_refusal(data: bytes) -> None:
    try:
        found = parse_settings(data, "magpie.toml")
    except SettingsError as err:
        refused = str(err)
    else:
        refused = ""
    if refused:
        assert refused.startswith("magpie.toml: ")
        return
    tomllib.loads(data.decode())
    assert found.limits.need_below_c <= found.limits.target_c < found.limits.too_hot_c
    assert not set(found.required) & config.NEVER_COLDEST


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[messages]\nquiet = "22-5"', 'messages.quiet must be written like "22:00-05:30". Correct it.'),
        (
            '[messages]\nmorning_look = "6:00"',
            'messages.morning_look must be written like "05:50". Correct it.',
        ),
        (
            '[messages]\nweekly_test = "Sonntag"',
            'messages.weekly_test must be written like "Sun 18:00" (a day in three letters, or daily, and a '
            'time), or "never". Correct it.',
        ),
        (
            "[messages]\nmorning_look_daily = true",
            'messages.morning_look_daily needs a time. Add morning_look, like "05:50".',
        ),
        (
            '[page]\npublic_url = "http://magpie.example.org/"',
            "page.public_url must be https:// with a name and no blank, without a slash at its end, like "
            "https://magpie.example.org. Correct it.",
        ),
    ],
)
def test_times_and_addresses_of_messages_are_refused_with_an_example(text: str, said: str) -> None:
    assert refusal(text) == said


# -- the switch

SWITCH = """
[broker]
host = "127.0.0.1"
[[setups]]
name = "winter"
heater = "{heater}"
watts = 650
[sampling]
interval_s = {interval}
[switch]
{keys}
"""
PLUG = 'timer_s = 300\nmanual_allows_unattended = true\ncommand_topic = "p/set"\nstate_topic = "p/state"'


def switched(keys: str = PLUG, heater: str = "pads-and-bands", interval: int = 15) -> str:
    return PLACES + SWITCH.format(heater=heater, interval=interval, keys=keys)


def test_nothing_is_switched_unless_it_is_configured() -> None:
    assert Settings().switch is None
    assert load(switched()).switch is not None
    assert load(switched('timer_s = 300\nmanual_allows_unattended = true\nhomie = "plug/relay/on"')).switch


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        (switched(heater="combustion"), "a combustion heater is never switched", "Remove [switch]"),
        (switched(PLUG.replace("manual_allows_unattended = true\n", "")), "allows_unattended", "read it"),
        (switched(heater="cowl-heater"), "switch.hot_air_confirmed: cowl-heater", "only then"),
        (switched(heater="ducted-air"), "switch.hot_air_confirmed: ducted-air", "only then"),
        (switched(interval=16), "sampling.interval_s is 16", "Lower it"),
        (switched(PLUG.replace("timer_s = 300\n", "")), "needs the key timer_s", "Add it"),
        (switched(PLUG.replace("300", "30")), "switch.timer_s must be at least 60", "Correct"),
        (switched(PLUG.replace("300", "3600")), "switch.timer_s must be at most 1800", "Correct"),
        (switched(PLUG + '\nhomie = "a/b/c"'), "command_topic or homie", "one of the two"),
        (switched(PLUG.replace("command_topic", "timer_topic")), "command_topic or homie", "one of the two"),
        (switched(PLUG.replace('state_topic = "p/state"', "")), "whether it is on", "power_topic"),
        (switched(PLUG.replace("p/state", "p/set")), "are the same", "Correct one"),
        (switched(PLUG + '\non = "off"'), "the same word", "Correct one"),
        (switched(PLUG.replace("p/set", "p/#")), "one topic without # and +", "Correct"),
        (switched(PLUG.replace('command_topic = "p/set"', 'homie = "a/b"')), "device/node/property", "it"),
        (switched(PLUG + "\npower_pointer = 'w'"), "is not a JSON pointer", "Write one"),
        (switched(PLUG + '\nhomie_power = "a/b/c"'), "needs homie", "power_topic"),
        (switched().replace('host = "127.0.0.1"', "port = 1"), "switch needs a broker", "Set broker.host"),
        (switched().replace("required = true", "required = false"), "no place is required", "required"),
        (
            switched()[switched().index("[broker]") :].replace("[[setups]]", "[aircraft]").split("heater")[0]
            + "[switch]\n"
            + PLUG,
            "no setup is described",
            "[[setups]]",
        ),
    ],
)
def test_a_switch_that_could_hurt_is_refused(text: str, key: str, remedy: str) -> None:
    said = refusal(text)
    assert key in said, said
    assert remedy in said, said


@pytest.mark.parametrize("heater", ["cowl-heater", "ducted-air"])
def test_hot_air_needs_a_second_word_of_the_owner(heater: str) -> None:
    assert load(switched(PLUG + "\nhot_air_confirmed = true", heater=heater)).switch is not None


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (
            'tls = true\ncert_file = "/x.pem"',
            "broker: cert_file and key_file go together. Add the other one.",
        ),
        ('tls = true\nkey_file = "/x.key"', "broker: cert_file and key_file go together. Add the other one."),
        ('ca_file = "/ca.pem"', "broker.ca_file needs tls = true. Set it, or remove ca_file."),
        ('cert_file = "/x.pem"\nkey_file = "/x.key"', "broker.cert_file needs tls = true."),
    ],
)
def test_certificates_without_what_they_need_are_refused(table: str, said: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(said)):
        load(f'[broker]\nhost = "broker.example.org"\n{table}\n')


def test_history_without_a_broker_is_refused() -> None:
    with pytest.raises(SettingsError, match=re.escape("broker.history needs a broker. Set broker.host")):
        load("[broker]\nhistory = true\n")
    assert load('[broker]\nhost = "broker.example.org"\nhistory = true\n').broker.history
