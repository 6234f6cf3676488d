"""The page By hand: a round of readings that a person takes, and the table to take along. What is typed is
checked here, what is doubtful is asked by the daemon, what can't be sent stays on the phone (hand.js)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.words import Unit
from web.acts import Outcome, number_of, whole_number
from web.desk import Desk
from web.present import present_taken
from web.wire import json_answer

LOWEST_C, HIGHEST_C = -60.0, 200.0
MOST_ENTRIES = 20
"""In one request; a phone that has kept more sends again."""
ROUND_S = 20 * 60.0
"""A reading belongs to the round at hand for so long; it stands in for as long."""
SHOWN = 12
QUESTIONS = ("sign", "jump")
"""Fields of a refusal that asks: the same reading is taken once somebody says that it is right."""
_CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]?([0-5]\d)")
_NUMBERED = re.compile(r"[0-9a-f]{32}")
NO_LIST = "That was no list of readings. Load this page again."
NO_PLACE = "Choose the place that was measured."
NO_VALUE = "Write the temperature as a number, such as 4.5; a comma is fine."


# -- what is typed


@dataclass(frozen=True, slots=True)
class HandForm:
    """The form of a reading as typed, and the sentence at each field that was refused. when: now, or at the
    clock time; question: what is asked before it is taken, with what it would be by each answer."""

    place: str = ""
    value: str = ""
    below_zero: bool = False
    unit: str = ""
    method: str = "infrared"
    when: str = "now"
    clock: str = ""
    sure: bool = False
    refusals: Mapping[str, str] = field(default_factory=dict)
    question: str = ""
    answers: tuple[tuple[str, str], ...] = ()


def read_hand_form(form: Mapping[str, str], unit: str) -> HandForm:
    """What was typed, nothing judged; `unit` is the page's, where the form names none. An answer to a
    question is the value it names, and sure."""
    answer = form.get("answer", "")
    return HandForm(
        place=form.get("place", ""),
        value=(answer or form.get("value", "")).strip()[:20],
        below_zero=form.get("below_zero") == "yes" and not answer,
        unit=form.get("unit", unit),
        method=form.get("method", ""),
        when=form.get("when", "now"),
        clock=form.get("clock", "").strip()[:10],
        sure=bool(answer) or form.get("sure") == "yes",
    )


def check_hand_form(typed: HandForm, places: frozenset[str]) -> tuple[dict[str, Any] | None, dict[str, str]]:
    """The command's body, or the sentence at each field."""
    wrong: dict[str, str] = {}
    if typed.place not in places:
        wrong["place"] = NO_PLACE
    value_c = _celsius(typed, wrong)
    if typed.method not in ("infrared", "contact"):
        wrong["method"] = "Say which kind of thermometer it was."
    when = _when(typed, wrong)
    if wrong or value_c is None:
        return None, wrong
    body = {"place": typed.place, "c": round(value_c, 3), "method": typed.method, "unit": typed.unit, **when}
    return body | ({"sure": True} if typed.sure else {}), {}


def _when(typed: HandForm, wrong: dict[str, str]) -> dict[str, Any]:
    if typed.when == "now":
        return {"age_s": 0}
    found = _CLOCK.fullmatch(typed.clock)
    if typed.when != "at" or found is None:
        wrong["time"] = "Write the time it was measured, such as 06:40, or choose now."
        return {}
    return {"clock": f"{int(found[1]):02}:{found[2]}", "told_ago_s": 0}


def _celsius(typed: HandForm, wrong: dict[str, str]) -> float | None:
    number = number_of(typed.value)
    if number is None:
        wrong["value"] = NO_VALUE
        return None
    if typed.below_zero:
        number = -abs(number)
    if typed.unit not in ("C", "F"):
        wrong["unit"] = "Say whether it was °C or °F."
        return None
    value_c = (number - 32) / 1.8 if typed.unit == "F" else number
    if not LOWEST_C <= value_c <= HIGHEST_C:
        low, high = (words.as_typed(c, typed.unit) for c in (LOWEST_C, HIGHEST_C))  # type: ignore[arg-type]
        wrong["value"] = f"No engine metal has that. Write a value from {low} to {high}."
        return None
    return value_c


def with_answer(typed: HandForm, outcome: Outcome) -> HandForm:
    """The form with what the daemon said of it: a refusal at its field, or a question with its answers."""
    if outcome.at_field not in QUESTIONS:
        at = outcome.at_field
        return replace(typed, refusals={at: outcome.text}) if at in _FIELDS else typed
    return replace(typed, question=outcome.text, answers=answers_of(typed, outcome.at_field == "sign"))


_FIELDS = ("place", "value", "unit", "method", "time")


def answers_of(typed: HandForm, by_sign: bool) -> tuple[tuple[str, str], ...]:
    """What may be answered, as (label, value): both signs, or that it is right as it stands."""
    number = number_of(typed.value) or 0.0
    shown = f"{abs(number):g}"
    below = (typed.below_zero or number < 0) and number != 0
    minus, plus = (f"minus {shown} °{typed.unit}", f"-{shown}"), (f"{shown} °{typed.unit}", shown)
    if by_sign:
        return minus, plus
    label, value = minus if below else plus
    return ((f"{label} is right", value),)


# -- the pages


class HandPages:
    """What stands behind the routes of app.py, loaded when one is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def show(self) -> Response:
        return self._page(self.desk.said())

    def part(self) -> Response:
        """What readings have come to, and those entered, for the script."""
        return self.desk.respond(self._values(), "hand_part.html")

    def _page(
        self, said: Outcome | None = None, form: HandForm | None = None, code: int = 200, since: str = ""
    ) -> Response:
        """since: why the time of the heater was refused."""
        values = self._values() | {"since": since, "since_typed": request.form.get("since", "")[:10]}
        fresh = HandForm(place=values["next_place"], unit=values["unit"], method=values["last_method"])
        values |= {"said": said, "form": form or fresh}
        values |= {"propeller": words.PROPELLER, "infrared": words.INFRARED}
        return self.desk.respond(values, "hand.html", code)

    def _values(self) -> dict[str, Any]:
        desk, values = self.desk, self.desk.values()
        status, unit = values["status"], values["unit"]
        zone, now_at = desk.zone(status), desk.now_at(status)
        taken = desk.record.hand_readings(SHOWN)
        tiles = self._tiles(taken, now_at, unit)
        todo = [t["slug"] for t in tiles if not t["mark"]]
        return values | {
            "tiles": tiles,
            "next_place": todo[0] if todo and len(todo) < len(tiles) else "",
            "taken": present_taken(taken, unit, zone),
            "last_method": taken[0]["method"] if taken else "infrared",
            "tells": words.round_tells(status, unit) if status and not values["view"].old else (),
            "zone": zone,
            "kept_here": words.KEPT_HERE,
            "no_place": NO_PLACE,
            "no_value": NO_VALUE,
            "field_now": datetime.fromtimestamp(now_at, ZoneInfo(zone)).strftime("%H:%M"),
            "needed": [p.name for p in desk.settings.places if p.required],
        }

    def _tiles(self, taken: list[dict[str, Any]], now_at: float, unit: Unit) -> list[dict[str, str]]:
        """Places to choose from, each with its reading of the round at hand."""
        recent = [h for h in reversed(taken) if now_at - h["at"] < ROUND_S]
        marks = {h["place"]: words.as_typed(h["c"], unit) for h in recent}
        names = self._places()
        return [{"slug": p, "name": words.place_name(p), "mark": marks.get(p, "")} for p in names]

    def _places(self) -> list[str]:
        """Every place a person may measure. The air is none: a thermometer held to metal doesn't tell it."""
        return [place for place in self.desk.places() if place != "ambient"]

    # -- acting

    def enter(self) -> BaseResponse:
        """One reading, by the plain form."""
        typed = read_hand_form(request.form, self.desk.unit())
        body, wrong = check_hand_form(typed, frozenset(self._places()))

        def refused(said: Outcome | None, code: int) -> BaseResponse:
            asked = with_answer(typed, said) if said else replace(typed, refusals=wrong)
            return self._page(said if asked is typed else None, asked, code)

        return self.desk.act("hand-reading", body, refused, _go_on)

    def tell_since(self) -> BaseResponse:
        """The heater is on since an earlier time."""
        found = _CLOCK.fullmatch(request.form.get("since", "").strip())

        def refused(said: Outcome | None, code: int) -> BaseResponse:
            at_field = said is None or said.at_field == "since"
            wrong = words.on_too_long_ago() if said is None else said.text
            return self._page(None if at_field else said, code=code, since=wrong if at_field else "")

        body = {"on": True, "clock": f"{int(found[1]):02}:{found[2]}"} if found else None
        return self.desk.act("heater-said", body, refused, _go_on)

    def undo(self) -> BaseResponse:
        """A reading that was entered counts no longer."""
        number = whole_number(request.form.get("id", ""))

        def refused(said: Outcome | None, code: int) -> BaseResponse:
            return self._page(said or Outcome(False, "That reading isn't in the list."), code=code)

        body = None if number is None else {"id": number}
        return self.desk.act("undo-hand-reading", body, refused, _go_on)

    def enter_round(self) -> Response:
        """What a phone has kept, in the order it was measured, each with a number of its own that holds for
        good: sent again, it counts once. JSON: the answer to each, by its number."""
        if (refusal := self.desk.gate.refusal("hand-reading")) is not None:
            return json_answer({"refused": refusal}, 403)
        try:
            sent = msgspec.json.decode(request.form.get("entries", ""), type=list[dict[str, Any]])
        except msgspec.MsgspecError:
            return json_answer({"refused": NO_LIST}, 422)
        if len(sent) > MOST_ENTRIES or not all(_NUMBERED.fullmatch(str(e.get("id"))) for e in sent):
            return json_answer({"refused": NO_LIST}, 422)
        return json_answer({"answers": self._ask_all(sent)}, 200)

    def _ask_all(self, sent: list[dict[str, Any]]) -> list[dict[str, Any]]:
        places, unit = frozenset(self._places()), self.desk.unit()
        answers: dict[str, dict[str, Any]] = {}
        asked: list[tuple[str, HandForm, dict[str, Any]]] = []
        for entry in sent:
            typed = read_hand_form({k: str(v) for k, v in entry.items()}, unit)
            body, wrong = check_hand_form(typed, places)
            if body is None:
                at, text = next(iter(wrong.items()))
                answers[entry["id"]] = {"id": entry["id"], "state": "refused", "field": at, "text": text}
            else:
                asked.append((entry["id"], typed, body | _told_ago(entry)))
        outcomes = self.desk.commander.act_each_once(
            "hand-reading", [(_number(entry_id), body) for entry_id, _, body in asked]
        )
        for (entry_id, typed, _), outcome in zip(asked, outcomes, strict=True):
            answers[entry_id] = {"id": entry_id, **_told(typed, outcome)}
        return [answers[entry["id"]] for entry in sent]


def _go_on(number: str) -> BaseResponse:
    return redirect(url_for("hand", said=number, _anchor="said"), 303)


def _told_ago(entry: Mapping[str, Any]) -> dict[str, float]:
    """How long ago it was entered on the phone: its measurement is as much older."""
    ago_s = number_of(str(entry.get("ago_s", 0)))
    told = max(0.0, ago_s or 0.0)
    return {"told_ago_s": told} if entry.get("when") == "at" else {"age_s": told}


def _number(entry: str) -> str:
    """The number of an entry's command: the phone's own, long and random, so the same after any restart."""
    return sha256(f"by hand {entry}".encode()).hexdigest()[:32]


def _told(typed: HandForm, outcome: Outcome) -> dict[str, Any]:
    """What became of an entry: counted, refused, asked (with answers), or waits."""
    if outcome.ok:
        return {"state": "counted", "text": outcome.text}
    if outcome.at_field in QUESTIONS:
        answers = answers_of(typed, outcome.at_field == "sign")
        return {"state": "asked", "text": outcome.text, "answers": answers}
    state = "waits" if outcome.at_field == "waits" else "refused"
    return {"state": state, "text": outcome.text, "field": outcome.at_field or "value"}
