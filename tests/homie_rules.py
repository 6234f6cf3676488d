"""A rule checker for a recorded Homie 5 stream, and for what this product promises on top of it.

Rules: homieiot/convention, convention.md, v5.0.0; the section is named in each complaint. Complaints
that begin with "house:" are promises of our own: retained traffic with QoS 1, message expiry on values
and never on $state and $description, no temperature beside a fault, nothing old left at `ready`.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

ID = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?\Z")  # inner hyphens only: stricter readers exist
STATES = ("init", "ready", "disconnected", "sleeping", "lost")
LOG_LEVELS = ("debug", "info", "warn", "error", "fatal")
DATATYPES = ("integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json")
MAY_DESCRIBE = ("init", "disconnected", "lost")
LOOKALIKES = {"º": "U+00BA instead of U+00B0", "℃": "U+2103 instead of °C", "℉": "U+2109 instead of °F"}
FLOAT = re.compile(r"-?(\d+(\.\d*)?|\.\d+)([eE]-?\d+)?\Z")
INTEGER = re.compile(r"-?\d+\Z")
DURATION = re.compile(r"PT(?=.)(\d+H)?(\d+M)?(\d+(\.\d+)?S)?\Z")
_DEVICE_KEYS = {"homie", "version", "nodes", "name", "type", "children", "root", "parent", "extensions"}
_NODE_KEYS = {"name", "type", "properties"}
_PROPERTY_KEYS = {"name", "datatype", "format", "settable", "retained", "unit"}


@dataclass(frozen=True)
class Seen:
    """One message as a subscriber saw it, retain flag as published."""

    topic: str
    payload: bytes
    retain: bool = True
    qos: int = 1
    expiry_s: int | None = None
    user: tuple[tuple[str, str], ...] = ()


@dataclass
class _Device:
    """What the stream has said of one device so far."""

    state: str | None = None
    described: dict[str, Any] | None = None
    described_since_init: bool = False
    version: int = -1
    content: str = ""
    values: dict[str, bytes] = field(default_factory=dict)
    properties: dict[str, dict[str, Any]] = field(default_factory=dict)
    """"node/property" → its description."""


def complaints(
    stream: Iterable[Seen], old: Mapping[str, Seen] | None = None, domain: str = "homie"
) -> list[str]:
    """Every rule the stream breaks, in order; old: what the broker retained before it, by topic."""
    devices: dict[str, _Device] = {}
    out: list[str] = []
    for topic, seen in (old or {}).items():
        parts = topic.split("/")
        if parts[:2] == [domain, "5"] and len(parts) > 3:
            device = devices.setdefault(parts[2], _Device())
            key = "/".join(parts[3:])
            if key not in ("$state", "$description"):
                device.values[key] = seen.payload
            elif key == "$description":
                device.version, device.content = _version_and_content(seen.payload)
    for n, seen in enumerate(stream):
        out += [f"message {n}, {seen.topic}: {text}" for text in _check(seen, devices, domain)]
    for name, device in devices.items():
        if device.state == "ready":
            out += [f"at the end, {name}: {text}" for text in _check_whole(device)]
    return out


def _check(seen: Seen, devices: dict[str, _Device], domain: str) -> Iterator[str]:
    parts = seen.topic.split("/")
    if len(parts) < 4 or parts[0] != domain or parts[1] != "5":
        yield "not below <domain>/5/<device>/ (Base Topic)"
        return
    if parts[2] == "$broadcast":
        return
    if not ID.match(parts[2]):
        yield "device ID must be a-z, 0-9 and inner hyphens (Topic IDs)"
    device, rest = devices.setdefault(parts[2], _Device()), parts[3:]
    yield from _check_delivery(seen, device, rest)
    if rest == ["$state"]:
        yield from _check_state(seen, device)
    elif rest == ["$description"]:
        yield from _check_description(seen, device)
    elif rest[0] == "$alert":
        yield from _check_alert(seen, device, rest)
    elif rest[0] == "$log":
        if len(rest) != 2 or rest[1] not in LOG_LEVELS:
            yield "unknown log level (Device Logging)"
    elif rest[0].startswith("$"):
        yield "unknown device attribute (Device Attributes)"
    else:
        yield from _check_value(seen, device, rest)


def _check_delivery(seen: Seen, device: _Device, rest: list[str]) -> Iterator[str]:
    momentary = rest[0] == "$log" or rest[-1] == "set"
    momentary |= device.properties.get("/".join(rest[:2]), {}).get("retained") is False
    if momentary:
        if seen.retain:
            yield "must not be retained (MQTT settings)"
        return
    if not seen.retain:
        yield "must be retained (MQTT settings)"
    if seen.qos != 1:
        yield f"house: QoS {seen.qos} where all retained traffic has QoS 1"
    if rest[0].startswith("$"):
        if seen.expiry_s is not None:
            yield "house: must never expire"
    elif seen.payload and not 600 <= (seen.expiry_s or 0) <= 3600:
        yield f"house: a value must expire after 10 to 60 min, not {seen.expiry_s}"


def _check_state(seen: Seen, device: _Device) -> Iterator[str]:
    state = seen.payload.decode("utf-8", "replace")
    if state == "":  # the device is removed
        device.state = None
        return
    if state not in STATES:
        yield f"{state!r} is not a state (Device Lifecycle)"
        return
    if state == "init":
        device.described_since_init = False
    if state in ("ready", "sleeping"):
        if device.described is None:
            yield f"{state} without a $description (Device Lifecycle)"
        elif not device.described_since_init:
            yield f"{state} without init and $description on this connection (house order)"
    device.state = state
    if state in ("disconnected", "lost"):
        device.described_since_init = False
    if state == "ready":
        yield from _check_whole(device)


def _check_whole(device: _Device) -> Iterator[str]:
    """What must hold whenever a device is ready and quiet."""
    for key in device.values:
        described = device.properties.get("/".join(key.split("/")[:2]))
        fits = described is not None and (described.get("settable") or not key.endswith("/$target"))
        if not key.startswith("$") and not fits:
            yield f"house: {key} is retained and not described"
    nodes = {key.split("/")[0] for key in device.properties}
    for node in nodes:
        status = device.values.get(f"{node}/status")
        known = f"{node}/temperature" in device.values
        if f"{node}/status" not in device.properties or f"{node}/temperature" not in device.properties:
            continue
        if status is None:
            yield f"house: {node} has no status"
        elif known != (status in (b"ok", b"by-hand")):
            yield f"house: {node} has status {status.decode()} and {'a' if known else 'no'} temperature"


def _check_alert(seen: Seen, device: _Device, rest: list[str]) -> Iterator[str]:
    if len(rest) != 2 or not ID.match(rest[1]):
        yield "not $alert/<ID> (Alerts)"
        return
    yield from _check_text(seen.payload)
    yield from _check_time(seen, device)
    _keep(device, "/".join(rest), seen.payload)


def _check_time(seen: Seen, device: _Device) -> Iterator[str]:
    """Whether anything but the state may be said now; deleting always may."""
    if not seen.payload:
        return
    if device.state in (None, "disconnected", "lost"):
        yield f"said while the device is {device.state} (Device Lifecycle)"
    elif device.state == "init" and not device.described_since_init:
        yield "said before $description (house order)"


def _check_value(seen: Seen, device: _Device, rest: list[str]) -> Iterator[str]:
    if any(not ID.match(part) for part in rest[:2]):
        yield "node and property ID must be a-z, 0-9 and inner hyphens (Topic IDs)"
    if rest[2:] not in ([], ["set"], ["$target"]):
        yield "not <node>/<property>, …/set or …/$target (Property)"
        return
    key = "/".join(rest[:2])
    described = device.properties.get(key)
    if rest[2:] != ["set"] and seen.retain:
        _keep(device, "/".join(rest), seen.payload)
    if not seen.payload:
        return
    yield from _check_time(seen, device)
    if described is None:
        yield "not in $description (Property)"
        return
    if rest[2:] == ["set"] and not described.get("settable", False):
        yield "is not settable (Property)"
    yield from _check_payload(seen.payload, described)


def _keep(device: _Device, key: str, payload: bytes) -> None:
    if payload:
        device.values[key] = payload
    else:
        device.values.pop(key, None)


# -- payloads (Payload)


def _check_text(payload: bytes) -> Iterator[str]:
    if payload.startswith(b"\xef\xbb\xbf"):
        yield "begins with a byte order mark (Payload)"
    try:
        payload.decode("utf-8")
    except UnicodeDecodeError:
        yield "is not UTF-8 (Payload)"


def _check_payload(payload: bytes, described: Mapping[str, Any]) -> Iterator[str]:
    bad = list(_check_text(payload))
    yield from bad
    datatype = described.get("datatype")
    if bad or datatype == "string":
        return
    text = payload.decode()
    if not _READS[str(datatype)](text, str(described.get("format") or "")):
        yield f"{text!r} is no {datatype} ({described.get('format')}) (Payload)"


def _is_float(text: str, limits: str) -> bool:
    return bool(FLOAT.match(text)) and math.isfinite(float(text)) and _within(float(text), limits)


def _is_integer(text: str, limits: str) -> bool:
    return bool(INTEGER.match(text)) and -(2**63) <= int(text) < 2**63 and _within(int(text), limits)


def _within(value: float, limits: str) -> bool:
    low, high, *_ = [*limits.split(":"), "", ""]
    return (not low or value >= float(low)) and (not high or value <= float(high))


def _is_datetime(text: str, _: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return "T" in text


def _is_json(text: str, _: str) -> bool:
    try:
        return isinstance(json.loads(text), dict | list)
    except ValueError:
        return False


def _is_color(text: str, forms: str) -> bool:
    kind, *numbers = text.split(",")
    return kind in forms.split(",") and len(numbers) in (2, 3) and all(FLOAT.match(n) for n in numbers)


_READS = {
    "float": _is_float,
    "integer": _is_integer,
    "boolean": lambda text, _: text in ("true", "false"),
    "enum": lambda text, values: text in values.split(","),
    "datetime": _is_datetime,
    "duration": lambda text, _: bool(DURATION.match(text)),
    "json": _is_json,
    "color": _is_color,
}


# -- $description


def _version_and_content(payload: bytes) -> tuple[int, str]:
    try:
        held = json.loads(payload)
        version = held.pop("version")
    except (ValueError, KeyError, AttributeError, TypeError):
        return -1, ""
    return (version, json.dumps(held, sort_keys=True)) if isinstance(version, int) else (-1, "")


def _check_description(seen: Seen, device: _Device) -> Iterator[str]:
    if not seen.payload:
        device.described, device.properties = None, {}
        return
    if device.state is None:
        yield "$description before $state (house order)"
    yield from _check_text(seen.payload)
    try:
        d = json.loads(seen.payload, object_pairs_hook=_no_doubles)
    except ValueError as err:
        yield f"is not JSON: {err} (Device Attributes)"
        return
    if not isinstance(d, dict):
        yield "is no JSON object (Device Attributes)"
        return
    bad = list(_check_device(d))
    yield from bad
    if bad:
        return
    version, content = _version_and_content(seen.payload)
    if content != device.content:
        if device.state not in (None, *MAY_DESCRIBE):
            yield f"changes while the device is {device.state} (Device Lifecycle)"
        if version <= device.version:
            yield f"another content under version {version} after {device.version} (Device Attributes)"
    elif version < device.version:
        yield f"version {version} after {device.version} (Device Attributes)"
    device.version, device.content, device.described = version, content, d
    device.described_since_init = True
    device.properties = {
        f"{node}/{name}": p
        for node, n in d.get("nodes", {}).items()
        for name, p in n.get("properties", {}).items()
    }


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len({key for key, _ in pairs}) != len(pairs):
        raise ValueError("a key is there twice")
    return dict(pairs)


def _check_device(d: dict[str, Any]) -> Iterator[str]:
    yield from _check_keys(d, _DEVICE_KEYS, "the device")
    if not (isinstance(d.get("homie"), str) and re.match(r"5\.\d+\Z", d["homie"])):
        yield '"homie" must be a string like "5.0" (Device Attributes)'
    if type(d.get("version")) is not int:
        yield '"version" must be an integer (Device Attributes)'
    if "parent" in d and "root" not in d:
        yield '"parent" without "root" (Device Attributes)'
    for key in ("children", "extensions"):
        if key in d and not (isinstance(d[key], list) and all(isinstance(x, str) for x in d[key])):
            yield f'"{key}" must be a list of strings (Device Attributes)'
    nodes = d.get("nodes", {})
    if not isinstance(nodes, dict):
        yield '"nodes" must be an object (Device Attributes)'
        return
    for name, node in nodes.items():
        yield from (f"node {name}: {text}" for text in _check_node(name, node))


def _check_node(name: str, node: Any) -> Iterator[str]:
    if not ID.match(name):
        yield "ID must be a-z, 0-9 and inner hyphens (Topic IDs)"
    if not isinstance(node, dict):
        yield "must be an object (Node Attributes)"
        return
    yield from _check_keys(node, _NODE_KEYS, "the node")
    properties = node.get("properties", {})
    if not isinstance(properties, dict):
        yield '"properties" must be an object (Node Attributes)'
        return
    for key, p in properties.items():
        if not ID.match(key):
            yield f"property ID {key} must be a-z, 0-9 and inner hyphens (Topic IDs)"
        yield from (f"property {key}: {text}" for text in _check_property(p))


def _check_property(p: Any) -> Iterator[str]:
    if not isinstance(p, dict):
        yield "must be an object (Property Attributes)"
        return
    yield from _check_keys(p, _PROPERTY_KEYS, "the property")
    datatype = p.get("datatype")
    if datatype not in DATATYPES:
        yield f"{datatype!r} is not a datatype (Property Attributes)"
        return
    for key in ("settable", "retained"):
        if key in p and not isinstance(p[key], bool):
            yield f'"{key}" must be true or false (Property Attributes)'
    for wrong, what in LOOKALIKES.items():
        if wrong in str(p.get("unit", "")):
            yield f"unit {p['unit']}: {what} (Units)"
    yield from _check_format(str(datatype), p.get("format"))


def _check_keys(table: dict[str, Any], known: set[str], what: str) -> Iterator[str]:
    for key, value in table.items():
        if key not in known:
            yield f'"{key}" is no key of {what} (Device Attributes)'
        if value is None:
            yield f'"{key}" must not be null (Device Attributes)'
        if key in ("name", "type", "format", "unit", "root", "parent") and not isinstance(value, str):
            yield f'"{key}" must be a string (Device Attributes)'


def _check_format(datatype: str, given: Any) -> Iterator[str]:
    if given is None:
        if datatype in ("enum", "color"):
            yield f"{datatype} needs a format (Formats)"
        return
    parts = str(given).split(",")
    if datatype == "enum" and ("" in parts or len(set(parts)) != len(parts)):
        yield f"enum values {given!r}: one is empty or there twice (Formats)"
    elif datatype == "boolean" and (len(parts) != 2 or "" in parts or parts[0] == parts[1]):
        yield f"boolean labels {given!r} must be two different words (Formats)"
    elif datatype == "color" and not set(parts) <= {"rgb", "hsv", "xyz"}:
        yield f"unknown color forms {given!r} (Formats)"
    elif datatype in ("float", "integer"):
        yield from _check_limits(str(given), FLOAT if datatype == "float" else INTEGER)
    elif datatype in ("string", "datetime", "duration"):
        yield f"{datatype} has no format (Formats)"


def _check_limits(given: str, number: re.Pattern[str]) -> Iterator[str]:
    parts = given.split(":")
    if len(parts) not in (2, 3) or any(p and not number.match(p) for p in parts):
        yield f"limits {given!r} are not min:max:step (Formats)"
        return
    low, high, step = [*(float(p) if p else None for p in parts), None][:3]
    if low is not None and high is not None and low > high:
        yield f"limits {given!r}: min above max (Formats)"
    if step is not None and step <= 0:
        yield f"limits {given!r}: step must be above 0 (Formats)"
