"""Settings that people change at the field, on the page or by command: which may be, what is typed for them,
and what they and the settings file come to. The file stays the base; network, access, plug, heater, limits
of too hot and need, places and setups stand in it alone."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Literal

import msgspec

from probe_agent import words
from probe_agent.config import CERTAINTIES, Settings
from probe_agent.words import Unit

KEPT = "chosen"
"""The name under which changes are kept."""
NONE = "none"
MOST_KEPT = 100
Kind = Literal["temperature", "minutes", "certainty", "time", "time or none", "hours", "unit"]
Value = float | str
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
_MINUS = str.maketrans({"−": "-", "–": "-", ",": "."})


class Refused(ValueError):
    """What was typed can't be; the text says why and what to write."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A setting that may be changed: its key and table in the settings file, what it is, what it takes."""

    name: str
    table: str
    what: str
    kind: Kind
    most: float = 0.0


CHOICES = (
    Choice("target_c", "limits", "Target of the coldest point", "temperature"),
    Choice("certainty", "planning", "Usual certainty of a plan", "certainty"),
    Choice(
        "travel_min",
        "planning",
        "Minutes to the aircraft for whoever switches on",
        "minutes",
        600,
    ),
    Choice("uncovered_min", "planning", "Minutes from heater and cover off to engine start", "minutes", 180),
    Choice("evening", "planning", "Word before a departure goes out at", "time"),
    Choice("quiet", "messages", "Quiet hours", "hours"),
    Choice("morning_look", "messages", "Morning look", "time or none"),
    Choice("unit", "messages", "Unit in messages", "unit"),
)
HINTS: Mapping[Kind, str] = {
    "temperature": "a temperature",
    "minutes": "minutes",
    "certainty": "8/10, 9/10 or 19/20",
    "time": "a time like 19:30",
    "time or none": "a time like 05:50, or none",
    "hours": "hours like 22:00-05:30, or none",
    "unit": "C or F",
}


class Change(msgspec.Struct, frozen=True):
    """One change: when [UTC s], which setting, its value from then on; None: as the file says."""

    at: float
    name: str
    value: Value | None = None
    undone_at: float | None = None


def choice_of(name: str) -> Choice | None:
    return next((c for c in CHOICES if c.name == name), None)


def read_changes(text: str | None) -> tuple[Change, ...]:
    """Changes as kept, oldest first; none where they are of another version."""
    try:
        return msgspec.json.decode(text or "[]", type=tuple[Change, ...])
    except msgspec.MsgspecError:
        return ()


def keep_text(changes: Sequence[Change]) -> str:
    """Changes as they are kept: the last ones, and of each setting the one that holds."""
    held = set(map(id, in_force(changes).values()))
    recent = len(changes) - MOST_KEPT
    kept = [c for i, c in enumerate(changes) if i >= recent or id(c) in held]
    return msgspec.json.encode(kept).decode()


def in_force(changes: Iterable[Change]) -> dict[str, Change]:
    """Setting → its last change that isn't undone."""
    return {c.name: c for c in changes if c.undone_at is None}


def value_of(settings: Settings, choice: Choice) -> Value:
    """What settings say of it."""
    found = getattr(getattr(settings, choice.table), choice.name)
    return NONE if found is None else found


def with_chosen(file: Settings, changes: Iterable[Change]) -> Settings:
    """The file's settings with the changes in force; one that no longer fits the file is passed over."""
    settings = file
    held = in_force(changes)
    for choice in CHOICES:
        change = held.get(choice.name)
        if change is not None and change.value is not None and _fits(choice, change.value, file):
            settings = _replaced(settings, choice, change.value)
    return settings


def with_kept(file: Settings, text: str | None) -> Settings:
    """The same from what is kept."""
    return with_chosen(file, read_changes(text))


def _replaced(settings: Settings, choice: Choice, value: Value) -> Settings:
    table = getattr(settings, choice.table)
    told: dict[str, Any] = {choice.name: None if value == NONE else value}
    if choice.name == "morning_look" and value == NONE:
        told["morning_look_daily"] = False
    return msgspec.structs.replace(settings, **{choice.table: msgspec.structs.replace(table, **told)})


def _fits(choice: Choice, value: Value, file: Settings) -> bool:
    try:
        return judged(choice, str(value), "C", file) == value
    except Refused:
        return False


def judged(choice: Choice, text: str, unit: Unit, file: Settings) -> Value:
    """What was typed for a setting, in the file's own terms. unit: of a temperature. Raises Refused."""
    typed = text.strip()
    if choice.kind == "temperature":
        return _target(typed, unit, file)
    if choice.kind == "minutes":
        number = _number(typed)
        if number is None or not 0 <= number <= choice.most:
            raise Refused(f"Write minutes, 0 to {choice.most:g}.")
        return number
    return _word(choice.kind, typed)


def _word(kind: Kind, typed: str) -> str:
    """A value that is written as it is kept."""
    known: bool = {
        "certainty": typed in CERTAINTIES,
        "unit": typed in ("C", "F"),
        "time": _TIME.fullmatch(typed) is not None,
        "time or none": typed == NONE or _TIME.fullmatch(typed) is not None,
        "hours": typed == NONE or all(map(_TIME.fullmatch, _ends(typed))),
    }[kind]
    if not known:
        raise Refused(f"Write {HINTS[kind]}.")
    return typed


def _ends(typed: str) -> tuple[str, str]:
    begin, _, end = typed.partition("-")
    return begin, end


def _target(typed: str, unit: Unit, file: Settings) -> float:
    limits, number = file.limits, _number(typed)
    c = None if number is None else (number - 32) / 1.8 if unit == "F" else number
    if c is None or not limits.need_below_c <= c < limits.too_hot_c:
        low, high = (words.as_typed(x, unit) for x in (limits.need_below_c, limits.too_hot_c))
        raise Refused(
            f"Write a temperature from {low}, where heat is needed below, to less than {high}, too hot."
        )
    return c if unit == "C" else round(c, 3)


def _number(typed: str) -> float | None:
    plain = typed.translate(_MINUS)
    return float(plain) if re.fullmatch(r"[-+]?\d{1,4}(\.\d{1,6})?", plain) else None


def shown(choice: Choice, value: Value, unit: Unit) -> str:
    """A value as a reader sees it."""
    if choice.kind == "temperature":
        c = float(value)
        return words.temperature(c, unit, (c,))
    if choice.kind == "minutes":
        return f"{float(value):g} min"
    return {"certainty": f"{value} mornings", "unit": f"°{value}"}.get(choice.kind, str(value))


def field_text(choice: Choice, value: Value, unit: Unit) -> str:
    """A value as it stands in a field."""
    if choice.kind == "temperature":
        return f"{round(words.in_unit(float(value), unit), 1):g}"
    return f"{value:g}" if isinstance(value, float) else str(value)


def as_toml(changes: Iterable[Change], bound: Mapping[str, tuple[str, str]]) -> str:
    """What was chosen, in the settings file's own words, with a checksum over it: to be taken over into a
    file, or onto another board. bound: address → (place, source)."""
    held = in_force(changes)
    lines = []
    for table in dict.fromkeys(c.table for c in CHOICES):
        told = [(c, held[c.name].value) for c in CHOICES if c.table == table and c.name in held]
        if keys := [_toml_line(c.name, v) for c, v in told if v is not None]:
            lines += [f"[{table}]", *keys]
    for address, (place, source) in sorted(bound.items(), key=lambda b: b[1]):
        lines += ["[[probes]]", *(_toml_line(*kv) for kv in (("place", place), ("address", address)))]
        lines.append(_toml_line("source", source))
    text = "\n".join([*lines, ""])
    return f"# sha256 of what follows: {sha256(text.encode()).hexdigest()}\n{text}"


def _toml_line(key: str, value: Value) -> str:
    if value == NONE:
        return f"# {key} is not set"
    return f"{key} = {msgspec.json.encode(value).decode()}"
