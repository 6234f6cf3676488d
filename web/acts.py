"""What a person does on the page, as commands to the daemon: checked here, decided there."""

from __future__ import annotations

import json
import re
import sqlite3
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from probe_agent import pairing
from probe_agent.config import CERTAINTIES
from probe_agent.store import OpenCode, Reader, Role, StoreError, ask, await_answer

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_TIME = re.compile(r"\d{2}:\d{2}")
REMEMBERED = 256
WAITS = "waits"
"""At the field of an outcome: nothing is known of it yet, and it may be asked for again."""
UNWRITABLE = "Nothing was done: the record can't be written. Look at the board's disk, then try again."
MOST_DIGITS = 40
"""Longer than this nobody types a number."""
_WHOLE = re.compile(r"[0-9]{1,9}")
_MINUS = {"−": "-", "–": "-", "‒": "-", "﹣": "-", ",": "."}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an act, in a sentence; `at_field` names the field a refusal belongs to."""

    ok: bool
    text: str
    at_field: str | None = None


def number_of(text: str) -> float | None:
    """A number as people write it, with comma or point and any kind of minus; None where it is none."""
    plain = "".join(_MINUS.get(ch, ch) for ch in text[:MOST_DIGITS]).replace(" ", "")
    if not plain or len(text) > MOST_DIGITS or set(plain) - set("0123456789.-+"):
        return None
    try:
        return float(plain)
    except ValueError:
        return None


def whole_number(text: str) -> int | None:
    """The number of a row as a form or an address has it, at most nine digits; None where it is none."""
    return int(text) if _WHOLE.fullmatch(text) else None


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
    start, wrong = check_start(typed.date, typed.time)
    if typed.certainty not in CERTAINTIES:
        wrong["certainty"] = "Choose on how many mornings the start is to be kept."
    minutes = {}
    for name, most in (("travel_min", 600), ("uncovered_min", 180)):
        number = number_of(getattr(typed, name) or "0")
        if number is None or not 0 <= number <= most:
            wrong[name] = f"Write minutes, 0 to {most}."
        else:
            minutes[name] = number
    if wrong:
        return None, wrong
    return {"start": start, "certainty": typed.certainty, **minutes}, {}


def check_start(date: str, time: str) -> tuple[str, dict[str, str]]:
    """An engine start on the field's clock, and the sentence at each field that can't be part of one."""
    wrong: dict[str, str] = {}
    if not _DATE.fullmatch(date):
        wrong["date"] = "Write the day as year, month, day, such as 2026-12-05."
    if not _TIME.fullmatch(time):
        wrong["time"] = "Write the time of the engine start, such as 09:00."
    return f"{date}T{time}", wrong


@dataclass(frozen=True, slots=True)
class CodeForm:
    """A pairing code as read, with what goes with it. most: the role the way allows; token: of the session
    that would begin, it stays here; instead: the session that would end."""

    code: str
    label: str
    most: Role
    token: str
    instead: int | None


_LATE = "late"
"""Field of an answer to a command that was not carried out because its time had passed."""
_MOST_TRIES = 50


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

    def act_each_once(self, kind: str, bodies: Sequence[tuple[str, Mapping[str, Any]]]) -> list[Outcome]:
        """Ask the daemon for each, in this order, unless it was asked under that number before; the outcomes.

        All are left before the first answer is awaited, so that they are carried out together. A number
        holds for good, also after a restart of either process: what was carried out once is not again.
        """
        try:
            left = [self._leave(kind, body, number) for number, body in bodies]
            deadline = time.monotonic() + self.timeout_s
            return [self._await(command, max(0.0, deadline - time.monotonic())) for command in left]
        except StoreError as err:
            return [Outcome(False, f"Nothing was done: {err}", WAITS)] * len(bodies)
        except sqlite3.Error:
            return [Outcome(False, UNWRITABLE, WAITS)] * len(bodies)

    def _leave(self, kind: str, body: Mapping[str, Any], number: str) -> str:
        """The command with that number, left now or before; where its time had passed before the daemon
        came to it, which it then says, another one."""
        reader = Reader(self.store_path)
        try:
            for attempt in range(_MOST_TRIES):
                command = f"{number}-{attempt}"
                answer = reader.answer(command)
                if answer is None or _read_answer(answer).at_field != _LATE:
                    return ask(self.store_path, kind, body, self.timeout_s + 5, command)
        finally:
            reader.close()
        raise StoreError("it came too late too often. Type it again.")

    def _await(self, command: str, timeout_s: float) -> Outcome:
        answer = await_answer(self.store_path, command, timeout_s)
        if answer is None:
            return Outcome(False, _NO_ANSWER.text, WAITS)
        outcome = _read_answer(answer)
        return replace(outcome, at_field=WAITS) if outcome.at_field == _LATE else outcome

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
            return Outcome(False, UNWRITABLE)
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
