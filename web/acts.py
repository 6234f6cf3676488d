"""What a person does on the page, as commands to the daemon: checked here, decided there."""

from __future__ import annotations

import json
import re
import sqlite3
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from probe_agent import pairing
from probe_agent.config import CERTAINTIES
from probe_agent.store import OpenCode, Reader, Role, StoreError, ask, await_answer

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_TIME = re.compile(r"\d{2}:\d{2}")
LOWEST_C, HIGHEST_C = -60.0, 200.0
OLDEST_MIN = 60.0
REMEMBERED = 256
_MINUS = {"−": "-", "–": "-", "‒": "-", "﹣": "-", ",": "."}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an act, in a sentence; `at_field` names the field a refusal belongs to."""

    ok: bool
    text: str
    at_field: str | None = None


@dataclass(frozen=True, slots=True)
class HandForm:
    """The hand-reading form as typed, and the sentence at each field that was refused."""

    place: str = ""
    value: str = ""
    below_zero: bool = False
    unit: str = ""
    method: str = "infrared"
    minutes: str = "0"
    refusals: Mapping[str, str] = field(default_factory=dict)


def read_hand_form(form: Mapping[str, str], unit: str) -> HandForm:
    """What was typed, nothing judged; `unit` is the page's, where the form names none."""
    return HandForm(
        place=form.get("place", ""),
        value=form.get("value", "").strip()[:20],
        below_zero=form.get("below_zero") == "yes",
        unit=form.get("unit", unit),
        method=form.get("method", ""),
        minutes=form.get("minutes", "").strip()[:10],
    )


def check_hand_form(typed: HandForm, places: frozenset[str]) -> tuple[dict[str, Any] | None, dict[str, str]]:
    """The command body (age still in minutes of the run as age_s [s]), or the sentence at each field."""
    wrong: dict[str, str] = {}
    if typed.place not in places:
        wrong["place"] = "Choose the place that was measured."
    value_c = _celsius(typed, wrong)
    if typed.method not in ("infrared", "contact"):
        wrong["method"] = "Say which kind of thermometer it was."
    minutes = _number(typed.minutes or "0")
    if minutes is None or not 0 <= minutes <= OLDEST_MIN:
        wrong["minutes"] = f"Write how many minutes ago, 0 to {OLDEST_MIN:g}."
    if wrong or value_c is None or minutes is None:
        return None, wrong
    return {"place": typed.place, "c": round(value_c, 3), "method": typed.method, "age_s": minutes * 60}, {}


def _celsius(typed: HandForm, wrong: dict[str, str]) -> float | None:
    number = _number(typed.value)
    if number is None:
        wrong["value"] = "Write the temperature as a number, such as 4.5; a comma is fine."
        return None
    if typed.below_zero:
        number = -abs(number)
    if typed.unit not in ("C", "F"):
        wrong["unit"] = "Say whether it was °C or °F."
        return None
    value_c = (number - 32) / 1.8 if typed.unit == "F" else number
    if not LOWEST_C <= value_c <= HIGHEST_C:
        low, high = (
            (LOWEST_C, HIGHEST_C) if typed.unit == "C" else (LOWEST_C * 1.8 + 32, HIGHEST_C * 1.8 + 32)
        )
        wrong["value"] = (
            f"No engine metal has that. Write a value from {_signed(low)} to {_signed(high)} °{typed.unit}."
        )
        return None
    return value_c


def _number(text: str) -> float | None:
    plain = "".join(_MINUS.get(ch, ch) for ch in text).replace(" ", "")
    if not plain or set(plain) - set("0123456789.-+"):
        return None
    try:
        return float(plain)
    except ValueError:
        return None


def _signed(number: float) -> str:
    return f"{number:g}".replace("-", "−")


@dataclass(frozen=True, slots=True)
class PlanForm:
    """The form of a plan as typed, and the sentence at each field that was refused."""

    date: str = ""
    time: str = ""
    certainty: str = "9/10"
    travel_min: str = "0"
    uncovered_min: str = "20"
    refusals: Mapping[str, str] = field(default_factory=dict)


def read_plan_form(form: Mapping[str, str], usual: PlanForm) -> PlanForm:
    """What was typed, nothing judged; `usual` where a field is missing."""
    return PlanForm(
        form.get("date", usual.date).strip()[:20],
        form.get("time", usual.time).strip()[:20],
        form.get("certainty", usual.certainty)[:10],
        form.get("travel_min", usual.travel_min).strip()[:10],
        form.get("uncovered_min", usual.uncovered_min).strip()[:10],
    )


def check_plan_form(typed: PlanForm) -> tuple[dict[str, Any] | None, dict[str, str]]:
    """The body of a plan, or the sentence at each field. Whether that start exists, the daemon says."""
    wrong: dict[str, str] = {}
    if not _DATE.fullmatch(typed.date):
        wrong["date"] = "Write the day as year, month, day, such as 2026-12-05."
    if not _TIME.fullmatch(typed.time):
        wrong["time"] = "Write the time of the engine start, such as 09:00."
    if typed.certainty not in CERTAINTIES:
        wrong["certainty"] = "Choose on how many mornings the start is to be kept."
    minutes = {}
    for name, most in (("travel_min", 600), ("uncovered_min", 180)):
        number = _number(getattr(typed, name) or "0")
        if number is None or not 0 <= number <= most:
            wrong[name] = f"Write minutes, 0 to {most}."
        else:
            minutes[name] = number
    if wrong:
        return None, wrong
    return {"start": f"{typed.date}T{typed.time}", "certainty": typed.certainty, **minutes}, {}


@dataclass(frozen=True, slots=True)
class CodeForm:
    """A pairing code as read, with what goes with it. most: the role the way allows; token: of the session
    that would begin, it stays here; instead: the session that would end."""

    code: str
    label: str
    most: Role
    token: str
    instead: int | None


class Commander:
    """Leaves commands in the store and waits for the daemon's answers. A form sent twice (a double
    tap, a reload) acts once: its number is the command's, and what became of it is remembered."""

    def __init__(self, store_path: Path, timeout_s: float = 10.0) -> None:
        self.store_path = store_path
        self.timeout_s = timeout_s
        self._lock = threading.Lock()
        self._trying = threading.Lock()
        self._done: OrderedDict[str, Outcome] = OrderedDict()
        self._running: dict[str, threading.Event] = {}

    def outcome(self, number: str) -> Outcome | None:
        """What became of the form with that number, None while nothing is known of it."""
        with self._lock:
            return self._done.get(number)

    def act_once(self, number: str, kind: str, body: Mapping[str, Any]) -> Outcome:
        """Ask the daemon, unless the form with that number was sent before; its outcome."""
        return self._once(number, lambda: self._ask(kind, body, number))

    def pair_once(self, number: str, typed: CodeForm) -> Outcome:
        """Try a pairing code, unless the form with that number was sent before; its outcome.

        One at a time: the code's scrypt takes 16 MB, and whoever sends many waits in no thread.
        """
        return self._once(number, lambda: self._pair(number, typed))

    def _pair(self, number: str, typed: CodeForm) -> Outcome:
        if not self._trying.acquire(blocking=False):
            return Outcome(False, "Another code is being tried at this moment. Type it again.")
        try:
            return self._try_code(number, typed)
        except (StoreError, sqlite3.Error) as err:
            return Outcome(False, f"Nothing was done: {err}")
        finally:
            self._trying.release()

    def _try_code(self, number: str, typed: CodeForm) -> Outcome:
        code = self._open_code()
        if code is None:
            return Outcome(False, pairing.NO_CODE)
        body = {
            "code": code.number,
            "hash": pairing.seal(typed.code, code.salt).hex(),
            "token": pairing.token_hash(typed.token).hex(),
            "most": typed.most,
            "label": typed.label,
            "instead": typed.instead,
        }
        return self._ask(pairing.TRY, body, number)

    def _open_code(self) -> OpenCode | None:
        reader = Reader(self.store_path)
        try:
            return reader.open_code(time.time())
        finally:
            reader.close()

    def _once(self, number: str, act: Callable[[], Outcome]) -> Outcome:
        with self._lock:
            if number in self._done:
                return self._done[number]
            earlier = self._running.get(number)
            if earlier is None:
                finished = self._running[number] = threading.Event()
        if earlier is not None:
            earlier.wait(self.timeout_s + 5)
            return self.outcome(number) or _NO_ANSWER
        outcome = _NO_ANSWER
        try:
            outcome = act()
        finally:
            with self._lock:
                self._done[number] = outcome
                while len(self._done) > REMEMBERED:
                    self._done.popitem(last=False)
                del self._running[number]
            finished.set()
        return outcome

    def _ask(self, kind: str, body: Mapping[str, Any], number: str) -> Outcome:
        try:
            command = ask(self.store_path, kind, body, self.timeout_s + 5, number)
            answer = await_answer(self.store_path, command, self.timeout_s)
        except StoreError as err:
            return Outcome(False, f"Nothing was done: {err}")
        except sqlite3.Error:
            return Outcome(
                False,
                "Nothing was done: the record can't be written. Look at the board's disk, then try again.",
            )
        return _NO_ANSWER if answer is None else _read_answer(answer)


_NO_ANSWER = Outcome(
    False,
    "The daemon has not answered in time; whether it was done isn't known. Look at the page in a minute "
    "before trying again.",
)


def _read_answer(answer: str) -> Outcome:
    try:
        told = json.loads(answer)
        return Outcome(bool(told["ok"]), str(told["text"]), told.get("field"))
    except (ValueError, KeyError, TypeError, AttributeError):
        return Outcome(False, "The daemon's answer could not be read; look at the page before trying again.")
