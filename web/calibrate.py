"""The page on which an owner calibrates: what the setup taught, probes checked and corrected, the heat-up
card. It works nothing out: it shows what the daemon has kept, and asks."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Any

import msgspec
from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.config import NEVER_COLDEST
from probe_agent.status import Status, TakeAlong
from probe_agent.store import TAKE_ALONG, Check, ComparedNow, KeptCorrection, Reader, StoreError, Taught
from probe_agent.words import Unit
from web.acts import Outcome, number_of, whole_number
from web.desk import Desk
from web.take_along import shown

CHECKED = ("cold-soak", "ice", "boiling", "contact", "infrared", "flange")
_FT, _HPA_PER_INHG = 0.3048, 33.8639
"""The foot, and the inch of mercury at 0 °C in hPa (from memory)."""
_LOWEST_C, _HIGHEST_C = -60.0, 120.0
ANSWERED_S = 86_400.0


@dataclass(frozen=True, slots=True)
class CheckForm:
    """A form of a check as typed, and the sentence at each field that was refused."""

    kind: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    refusals: Mapping[str, str] = field(default_factory=dict)

    def value(self, kind: str, name: str) -> str:
        """What stands in a field of that kind's form."""
        return self.typed.get(name, "") if kind == self.kind else ""


class CalibratePages:
    """What stands behind the routes of app.py, loaded when one is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    # -- seeing

    def show(self) -> Response:
        """What is known of the setup and its probes."""
        return self._page(self.desk.said())

    def card(self) -> Response:
        """The sheet to hang in the hangar."""
        status, unit = self.desk.status(), self.desk.unit()
        zone, now_at = self.desk.zone(status), self.desk.now_at(status)
        try:
            reader = Reader(self.desk.store_path)
        except StoreError as err:
            return self._unread(err)
        try:
            table, taught = _table(reader.kept(TAKE_ALONG)), reader.taught()
        finally:
            reader.close()
        newer = table is not None and taught is not None and taught.heat_ups > table.heat_ups
        values = self._values(
            status,
            setup=self._setup(),
            table=shown(table, unit, zone) if table is not None and table.is_whole else None,
            working=table is not None and not table.is_whole,
            printed=words.day(now_at, zone),
            newer=newer,
            heat_ups=words.heat_ups(table.heat_ups if table is not None else 0),
        )
        return self.desk.respond(values, "card.html", 200)

    # -- acting

    def act_check(self) -> BaseResponse:
        """Have probes compared with what they should read."""
        body, form = read_check(request.form, self.desk.unit(), self.desk.places())
        return self._act("check-probes", body, form, "check")

    def act_correct(self) -> BaseResponse:
        """Correct probes as the last check proposes."""
        number = number_of(request.form.get("asked_at", ""))
        return self._act("accept-correction", {"asked_at": number or 0.0}, CheckForm(), "said")

    def act_uncorrect(self) -> BaseResponse:
        """Undo corrections accepted together."""
        number = whole_number(request.form.get("correction", ""))
        return self._act("undo-correction", {"correction": number or 0}, CheckForm(), "said")

    def _act(self, kind: str, body: dict[str, Any] | None, form: CheckForm, anchor: str) -> BaseResponse:
        def refused(said: Outcome | None, code: int) -> BaseResponse:
            at_field = {said.at_field: said.text} if said and said.at_field else form.refusals
            return self._page(said, replace(form, refusals=at_field), code)

        def done(once: str) -> BaseResponse:
            said = None if kind == "check-probes" else once
            return redirect(url_for("calibrate", said=said, _anchor=anchor), 303)

        return self.desk.act(kind, body, refused, done)

    # -- shared

    def _setup(self) -> str:
        setup = self.desk.settings.setup
        if setup is None:
            return "no setup described"
        on = [word for is_on, word in ((setup.cover, "cover"), (setup.cowl_plugs, "cowl plugs")) if is_on]
        return f"{setup.name}: {setup.heater.replace('-', ' ')}, {setup.watts:g} W" + "".join(
            f", {word}" for word in on
        )

    def _values(self, status: Status | None, **values: Any) -> dict[str, Any]:
        unit = self.desk.unit()
        return {
            "aircraft": self.desk.settings.aircraft.name,
            "unit": unit,
            "zone": self.desk.zone(status).replace("_", " "),
            "said": None,
            **values,
        }

    def _unread(self, err: Exception) -> Response:
        text = str(err) if isinstance(err, StoreError) else f"The record can't be read ({err})."
        return self.desk.respond(self._values(self.desk.status(), reason=text), "calibrate.html", 503)

    def _page(self, said: Outcome | None = None, form: CheckForm | None = None, code: int = 200) -> Response:
        status, unit = self.desk.status(), self.desk.unit()
        zone, now_at = self.desk.zone(status), self.desk.now_at(status)
        try:
            reader = Reader(self.desk.store_path)
            try:
                check, taught, kept = reader.check(), reader.taught(), reader.corrections()
                found = reader.answered(now_at - ANSWERED_S)
            finally:
                reader.close()
        except (StoreError, sqlite3.Error) as err:
            return self._unread(err)
        metal = [p for p in self.desk.places() if p not in NEVER_COLDEST]
        values = self._values(
            status,
            said=said,
            form=form or CheckForm(),
            taught=_taught(taught, unit),
            check=_check(check, zone, now_at, unit),
            corrections=_corrections(kept, zone, unit),
            answered=[words.answered(a.place, a.rows, a.faults) for a in found],
            metal=metal,
            probes=self.desk.places(),
            setup=self._setup(),
        )
        return self.desk.respond(values, "calibrate.html", code)


def _table(text: str | None) -> TakeAlong | None:
    try:
        return msgspec.json.decode(text or "", type=TakeAlong)
    except msgspec.MsgspecError:
        return None


# -- what was typed


def read_check(
    form: Mapping[str, str], unit: Unit, places: Sequence[str]
) -> tuple[dict[str, Any] | None, CheckForm]:
    """The body of a check, None with a sentence at each field where it can't be one."""
    kind = form.get("kind", "")
    typed = {name: value.strip()[:20] for name, value in form.items() if name not in ("token", "once")}
    wrong: dict[str, str] = {}
    body: dict[str, Any] = {"kind": kind}
    if kind not in CHECKED:
        wrong["kind"] = "Choose one of the checks."
    if kind in ("ice", "boiling", "contact"):
        body["place"] = typed.get("place", "")
        if body["place"] not in places:
            wrong["place"] = "Choose the probe."
    if kind in ("contact", "flange"):
        body["c"] = _celsius(typed.get("value", ""), unit, wrong, "value")
    if kind == "infrared":
        body["spots_c"] = _spots(typed, unit, places, wrong)
    if kind == "boiling":
        body |= _pressure(typed, wrong)
    return (None if wrong else body), CheckForm(kind, typed, wrong)


def _celsius(text: str, unit: Unit, wrong: dict[str, str], name: str) -> float | None:
    number = number_of(text)
    if number is None:
        wrong[name] = "Write the temperature as a number, such as −4.5; a comma is fine."
        return None
    c = (number - 32) / 1.8 if unit == "F" else number
    if not _LOWEST_C <= c <= _HIGHEST_C:
        low, high = words.temperature(_LOWEST_C, unit), words.temperature(_HIGHEST_C, unit)
        wrong[name] = f"Write a temperature from {low} to {high}."
        return None
    return round(c, 3)


def _spots(
    typed: Mapping[str, str], unit: Unit, places: Sequence[str], wrong: dict[str, str]
) -> dict[str, float]:
    found = {}
    for place in places:
        if (text := typed.get(f"spot-{place}", "")) and (
            c := _celsius(text, unit, wrong, f"spot-{place}")
        ) is not None:
            found[place] = c
    if len(found) < 3 and not wrong:
        wrong["spots"] = "Write at least three spots of one round."
    return found


def _pressure(typed: Mapping[str, str], wrong: dict[str, str]) -> dict[str, float]:
    """Pressure [hPa], and the elevation [m] where one is given."""
    number = number_of(typed.get("pressure", ""))
    if number is None:
        wrong["pressure"] = "Write the pressure as a number, such as 1013 or 29.92."
        return {}
    told = {"pressure_hpa": round(number * _HPA_PER_INHG if number < 40 else number, 1)}
    if text := typed.get("height", ""):
        height = number_of(text)
        if height is None or not -500 <= height <= 20_000:
            wrong["height"] = "Write the field's elevation as a number, or leave it empty."
            return told
        told["elevation_m"] = height * (1.0 if typed.get("height_in") == "m" else _FT)
    return told


# -- laid out


def _taught(taught: Taught | None, unit: Unit) -> dict[str, Any] | None:
    if taught is None:
        return None
    rows = [
        ("Rate", taught.rate_c_per_h, "/h", "all of the metal at full heat, if nothing were lost"),
        ("Plateau", taught.plateau_c, "", f"above the air, {_where(taught.coldest)}, if heating goes on"),
        ("Spread", taught.spread_c, "", "warmest over coldest required place, there"),
    ]
    shown_rows = [
        {
            "name": name,
            "middle": words.degrees(band[1], unit, signed=False) + per,
            "range": f"{words.degrees(band[0], unit, False)} to {words.degrees(band[2], unit, False)}{per}",
            "what": what,
        }
        for name, band, per, what in rows
        if band is not None
    ]
    falls = [
        words.falls_sentence(f.place, f.fall_c, f.neighbours_c, f.reads_heater_c, unit) for f in taught.falls
    ]
    return {
        "heat_ups": taught.heat_ups,
        "rows": shown_rows,
        "rests": words.rests_on_heat_ups(taught.heat_ups),
        "falls": falls,
        "tests": max((f.tests for f in taught.falls), default=0),
    }


def _where(place: str | None) -> str:
    return "at the coldest required place" if place is None else f"at {words.place_name(place)}"


def _check(check: Check | None, zone: str, now_at: float, unit: Unit) -> dict[str, Any] | None:
    if check is None:
        return None
    told: list[str] = []
    if check.state == "failed":
        told.append(f"It can't be said: {check.why}.")
    told += [words.why_no_check(r, zone, check.asked_at, unit) for r in check.reasons]
    if check.beyond:
        told.append(words.beyond_limit(check.beyond, check.limit_c, unit))
    if check.kind == "flange" and check.core_c is not None and check.said_c is not None:
        told.append(words.flange_sentence(check.said_c, check.core_c, unit))
    elif check.state == "done" and not check.changing and not check.reasons:
        told.append(words.nothing_to_correct(check.kind))
    return {
        "state": check.state,
        "title": words.correction_reason(check.kind)[:1].upper() + words.correction_reason(check.kind)[1:],
        "at": words.moment(check.asked_at, zone, now_at),
        "asked_at": repr(check.asked_at),
        "taken": check.taken,
        "done": check.done,
        "of": check.of,
        "told": told,
        "fixed": _fixed(check, unit),
        "rows": [
            {
                "name": words.place_name(c.place),
                "reads": words.tenths(c.reads_c, unit),
                "should": words.tenths(c.should_c, unit),
                "change": _change(c, check, unit),
            }
            for c in check.found
        ],
        "shift": words.shift_sentence(check.shifted) if check.shifted is not None else "",
        "offers": check.state == "done" and bool(check.changing) and not check.taken,
    }


def _change(c: ComparedNow, check: Check, unit: Unit) -> str:
    """By how much a probe would be corrected, in words where it wouldn't."""
    if check.state == "refused":
        return "not offered"
    return words.degrees(c.wanted_c - c.offset_c, unit) if c.wanted_c != c.offset_c else "stays"


def _fixed(check: Check, unit: Unit) -> str:
    """What a bath has, and where that is from."""
    if check.true_c is None:
        return ""
    if check.pressure_hpa is None:
        return f"Melting ice in water has {words.tenths(check.true_c, unit)}."
    return (
        f"At {check.pressure_hpa:.0f} hPa water boils at {words.tenths(check.true_c, unit)} "
        "(saturation line of IAPWS-IF97)."
    )


def _corrections(kept: Sequence[KeptCorrection], zone: str, unit: Unit) -> list[dict[str, Any]]:
    """Corrections accepted together as one entry, newest first."""
    out = []
    for (at, reason), group in groupby(kept, lambda c: (c.from_at, c.reason)):
        rows = list(group)[::-1]
        undone = rows[0].undone_at
        out.append(
            {
                "number": rows[0].number,
                "day": words.heatup_day(at, zone),
                "reason": reason,
                "lines": [
                    f"{words.place_name(c.place) if c.place else c.address} {words.degrees(c.offset_c, unit)}"
                    + ("" if c.in_force or undone is not None else " (replaced since)")
                    for c in rows
                ],
                "undone": "" if undone is None else f"undone {words.day(undone, zone)}",
            }
        )
    return out
