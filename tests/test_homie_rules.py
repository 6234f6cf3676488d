"""The rule checker accepts a right stream and catches each wrong one."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from homie_rules import Seen, complaints

DEVICE = "homie/5/magpie"
DESCRIPTION: dict[str, Any] = {
    "homie": "5.0",
    "version": 3,
    "name": "Magpie",
    "nodes": {
        "sump": {
            "name": "Sump",
            "properties": {
                "status": {"datatype": "enum", "format": "ok,open,by-hand"},
                "temperature": {"datatype": "float", "unit": "°C", "format": "-60:300"},
                "sampled-at": {"datatype": "datetime"},
                "count": {"datatype": "integer", "format": "0:10:1"},
                "note": {"datatype": "string"},
                "near": {"datatype": "boolean"},
                "since": {"datatype": "duration"},
                "raw": {"datatype": "json"},
                "lamp": {"datatype": "color", "format": "rgb,hsv"},
                "wish": {"datatype": "float", "settable": True},
                "pulse": {"datatype": "boolean", "retained": False},
            },
        }
    },
}
VALUES = {
    "status": "ok",
    "temperature": "-12.25",
    "sampled-at": "2027-01-16T05:50:00Z",
    "count": "7",
    "note": "\0",
    "near": "true",
    "since": "PT1H30M",
    "raw": '{"a":1}',
    "lamp": "rgb,10,20,30",
    "wish": "4e1",
}


def at(topic: str, payload: str | bytes, **how: Any) -> Seen:
    data = payload.encode() if isinstance(payload, str) else payload
    if not topic.startswith("$") and data:
        how.setdefault("expiry_s", 1200)
    return Seen(f"{DEVICE}/{topic}", data, **how)


def described(change: Callable[[dict[str, Any]], Any] | None = None, version: int = 3) -> Seen:
    """$description, changed."""
    table = json.loads(json.dumps(DESCRIPTION))
    table["version"] = version
    if change is not None:
        change(table)
    return at("$description", json.dumps(table, ensure_ascii=False))


def session(*later: Seen, description: Seen | None = None, **values: str | None) -> list[Seen]:
    """A whole right connection, then what is added; values=None leaves one out."""
    said = {**VALUES, **values}
    return [
        at("$state", "init"),
        description or described(),
        *(at(f"sump/{key}", value) for key, value in said.items() if value is not None),
        at("$alert/probe-sump", "Sump is not measured."),
        at("$state", "ready"),
        *later,
    ]


def test_a_right_stream_passes() -> None:
    stream = session(
        at("sump/status", "open"),
        at("sump/temperature", ""),
        at("$alert/probe-sump", ""),
        at("$log/warn", "weak", retain=False, qos=0, expiry_s=None),
        at("sump/wish/set", "5", retain=False, expiry_s=None),
        at("sump/wish/$target", "5"),
        at("sump/pulse", "true", retain=False, qos=0, expiry_s=None),
        at("$state", "init"),
        described(lambda d: d["nodes"].pop("sump"), version=4),
        *(at(f"sump/{key}", "") for key in (*VALUES, "wish/$target")),
        at("$state", "ready"),
        at("$state", "disconnected"),
    )
    assert complaints([*stream, *session(description=described(version=5))]) == []


def test_a_lost_device_may_come_back_with_the_same_description() -> None:
    assert complaints([*session(at("$state", "lost")), *session()]) == []


def test_deleting_what_was_left_over_is_right_and_leaving_it_is_not() -> None:
    old = {f"{DEVICE}/tank/temperature": at("tank/temperature", "1")}
    assert complaints(session(), old)
    right = session()
    right.insert(-1, at("tank/temperature", ""))
    assert complaints(right, old) == []


def node(change: Callable[[dict[str, Any]], Any]) -> Callable[[dict[str, Any]], Any]:
    return lambda d: change(d["nodes"]["sump"])


def prop(name: str, **changes: Any) -> Callable[[dict[str, Any]], Any]:
    return lambda d: d["nodes"]["sump"]["properties"][name].update(changes)


DESCRIPTIONS: dict[str, Callable[[dict[str, Any]], Any]] = {
    "is no key of the device": lambda d: d.update(mine=1),
    '"homie" must be a string like': lambda d: d.update(homie="5.0.0"),
    'must be a string like "5.0"': lambda d: d.pop("homie"),
    '"version" must be an integer': lambda d: d.update(version="3"),
    'version" must be an integer': lambda d: d.update(version=True),
    '"parent" without "root"': lambda d: d.update(parent="a"),
    '"children" must be a list': lambda d: d.update(children="a"),
    '"extensions" must be a list': lambda d: d.update(extensions=[1]),
    '"nodes" must be an object': lambda d: d.update(nodes=[]),
    '"name" must not be null': lambda d: d.update(name=None),
    "node Sump: ID": lambda d: d["nodes"].update(Sump={}),
    "node -sump: ID": lambda d: d["nodes"].update({"-sump": {}}),
    "must be an object (Node": lambda d: d["nodes"].update(sump=[]),
    "is no key of the node": node(lambda n: n.update(unit="x")),
    '"properties" must be an object': node(lambda n: n.update(properties=[])),
    "property ID to_c must": node(lambda n: n["properties"].update(to_c={"datatype": "float"})),
    "must be an object (Property": node(lambda n: n["properties"].update(x=1)),
    "is no key of the property": prop("note", mine=1),
    "is not a datatype": prop("note", datatype="number"),
    "None is not a datatype": lambda d: d["nodes"]["sump"]["properties"]["note"].pop("datatype"),
    '"settable" must be true or false': prop("note", settable="false"),
    '"retained" must be true or false': prop("note", retained=1),
    '"unit" must not be null': prop("temperature", unit=None),
    "U+00BA": prop("temperature", unit="ºC"),
    "U+2103": prop("temperature", unit="℃"),
    "enum needs a format": lambda d: d["nodes"]["sump"]["properties"]["status"].pop("format"),
    "one is empty or there twice": prop("status", format="ok,open,ok"),
    "is empty or there twice": prop("status", format="ok,,open"),
    "boolean labels": prop("near", format="yes"),
    "unknown color forms": prop("lamp", format="cmyk"),
    "are not min:max:step": prop("temperature", format="warm"),
    "min above max": prop("temperature", format="5:1"),
    "step must be above 0": prop("temperature", format="0:1:0"),
    "string has no format": prop("note", format="x"),
}


@pytest.mark.parametrize("wanted", DESCRIPTIONS)
def test_a_wrong_description_is_caught(wanted: str) -> None:
    found = complaints(session(description=described(DESCRIPTIONS[wanted])))
    assert any(wanted in f and "$description" in f for f in found), found


@pytest.mark.parametrize(
    ("key", "payload"),
    [
        ("status", "OK"),
        ("status", " ok"),
        ("temperature", "nan"),
        ("temperature", "inf"),
        ("temperature", "1e999"),
        ("temperature", " 1"),
        ("temperature", "1,5"),
        ("temperature", "+1"),
        ("temperature", "301"),
        ("temperature", "0x10"),
        ("sampled-at", "2027-01-16"),
        ("sampled-at", "yesterday"),
        ("count", "1.0"),
        ("count", "11"),
        ("count", "9223372036854775808"),
        ("near", "True"),
        ("near", "1"),
        ("since", "PT"),
        ("since", "90"),
        ("raw", "1"),
        ("raw", "{"),
        ("lamp", "xyz,1,2"),
        ("lamp", "red"),
        ("note", "\ufeffx"),
    ],
)
def test_a_wrong_payload_is_caught(key: str, payload: str) -> None:
    found = complaints(session(**{key: payload}))
    assert any(f"{DEVICE}/sump/{key}" in f and "(Payload)" in f for f in found), found


def test_bytes_that_are_no_text_are_caught() -> None:
    assert "is not UTF-8" in complaints(session(at("sump/note", b"\xff")))[0]


@pytest.mark.parametrize(
    ("wrong", "wanted"),
    [
        (Seen("homie/4/magpie/$state", b"ready"), "not below <domain>/5/"),
        (at("$state", "alert"), "is not a state"),
        (at("$name", "Magpie"), "unknown device attribute"),
        (at("$log/trace", "x", retain=False), "unknown log level"),
        (at("$log/warn", "x"), "must not be retained"),
        (at("$alert/a/b", "x"), "not $alert/<ID>"),
        (at("$alert/-a", "x"), "not $alert/<ID>"),
        (at("sump/level", "1"), "not in $description"),
        (at("Sump/note", "1"), "node and property ID"),
        (at("sump/note/x", "1"), "not <node>/<property>"),
        (at("sump/note/set", "1", retain=False, expiry_s=None), "is not settable"),
        (at("sump/wish/set", "1"), "must not be retained"),
        (at("sump/pulse", "true"), "must not be retained"),
        (at("sump/note", "x", retain=False), "must be retained"),
        (at("$state", "ready", retain=False), "must be retained"),
        (at("sump/note", "x", qos=0), "house: QoS 0"),
        (at("$state", "lost", qos=2), "house: QoS 2"),
        (at("sump/note", "x", expiry_s=None), "must expire after 10 to 60 min, not None"),
        (at("sump/note", "x", expiry_s=7200), "must expire after 10 to 60 min, not 7200"),
        (at("$state", "ready", expiry_s=1200), "must never expire"),
        (replace(described(), expiry_s=1200), "must never expire"),
        (described(lambda d: d.update(name="Other"), version=4), "changes while the device is ready"),
        (Seen("homie/5/Magpie/$state", b"init"), "device ID must be"),
    ],
)
def test_a_wrong_message_is_caught(wrong: Seen, wanted: str) -> None:
    found = complaints(session(wrong))
    assert any(wanted in f for f in found), found


def test_order_is_watched() -> None:
    init, told, *values, ready = session()
    for stream, wanted in (
        ([told, init, *values, ready], "$description before $state"),
        ([init, values[0], told, *values[1:], ready], "said before $description"),
        ([init, ready, told, *values], "ready without a $description"),
        ([init, told, *values, ready, init, ready], "ready without init and $description on this"),
        ([init, told, *values, ready, at("$state", "lost"), ready], "ready without init and $description"),
        ([init, told, *values, ready, at("$state", "lost"), values[1]], "said while the device is lost"),
        ([*session(at("$state", "disconnected")), values[-1]], "said while the device is disconnected"),
        ([values[0], init, told, *values[1:], ready], "said while the device is None"),
    ):
        found = complaints(stream)
        assert any(wanted in f for f in found), (wanted, found)


def test_versions_must_rise_with_each_change_and_never_fall() -> None:
    lost = at("$state", "lost")
    same = described(lambda d: d.update(name="Other"))
    assert any(
        "another content under version 3 after 3" in f
        for f in complaints([*session(lost), *session(description=same)])
    )
    fallen = described(version=2)
    assert any("version 2 after 3" in f for f in complaints([*session(lost), *session(description=fallen)]))
    old = {f"{DEVICE}/$description": described(lambda d: d.update(name="Other"), version=8)}
    assert any("under version 3 after 8" in f for f in complaints(session(), old))


def test_a_number_beside_a_fault_is_caught_and_a_value_that_is_missing_too() -> None:
    assert any("status open and a temperature" in f for f in complaints(session(status="open")))
    assert any("status ok and no temperature" in f for f in complaints(session(temperature=None)))
    assert any("has no status" in f for f in complaints(session(status=None)))
    assert any("status open and a temperature" in f for f in complaints(session(at("sump/status", "open"))))


def test_an_undescribed_leftover_is_caught_at_ready() -> None:
    gone = described(lambda d: d["nodes"]["sump"]["properties"].pop("note"), version=4)
    found = complaints([*session(at("$state", "init"), gone, at("$state", "ready"))])
    assert any("sump/note is retained and not described" in f for f in found)


def test_json_with_a_key_twice_is_caught() -> None:
    doubled = at("$description", '{"homie":"5.0","version":3,"version":4}')
    assert any("a key is there twice" in f for f in complaints([at("$state", "init"), doubled]))
