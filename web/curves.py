"""The pages of heat-ups: the list, several over one another, one with its forecasts, note and part in what is
learned, and the readings as CSV."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.status import Status, StatusError, is_stale
from probe_agent.store import CurveRow, HeatupKept, Preview, Reader, StoreError, reader_of
from web.acts import Outcome
from web.desk import Desk
from web.heatups import MOST_LINES, Chosen, draw_small, nearest, present_heatup, read_chosen, zooms
from web.looks import Eye, Look, look_at_one, look_over
from web.overlay import draw_overlay
from web.said import present_said

SMALL_POINTS = 32
A_PAGE = 150
ALL = 10_000
_OURS = ("unit", "part", "said")
"""Arguments of an address that say nothing of what is looked at."""
_FIGURE, _PREVIEW = {"figure": "figure.html"}, {"preview": "preview.html"}
"""Parts of pages that the script asks for alone."""


class CurvePages:
    """What stands behind the routes of app.py, loaded when one is first asked for; with a reader of the
    record that is opened when it is there and kept."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._lock = threading.RLock()
        self._reader: Reader | None = None

    @contextmanager
    def _record(self) -> Iterator[Reader]:
        """The record, one request at a time. Raises StoreError, sqlite3.Error."""
        with self._lock:
            self._reader = reader_of(self.desk.store_path, self._reader)
            yield self._reader

    # -- seeing

    def all(self) -> Response:
        """The newest heat-ups, or those before a number, as rows with small curves."""
        return self._list_page()

    def over(self) -> Response:
        """Several heat-ups over one another."""
        try:
            with self._record() as record:
                eye = self._eye(record)
                chosen = read_chosen(request.args, request.args.getlist("h"), eye.places, eye.unit)
                chosen, told = self._with_nearest(record, chosen)
                found = record.heatups_named(chosen.numbers[:MOST_LINES])
                if not found or len(chosen.numbers) > MOST_LINES:
                    return self._list_page(_choose(len(chosen.numbers)), 422)
                chosen = replace(chosen, numbers=tuple(h.heatup for h in found))
                look = look_over(record, found, chosen, eye)
        except (StoreError, sqlite3.Error) as err:
            return self._unread(err)
        values = self._values(told=told, look=look, places=eye.places, several=len(found) > 1)
        values |= self._figure(look, chosen, url_for("curves_over"))
        return self.desk.respond(values, _template("over.html", _FIGURE), 422 if chosen.refusals else 200)

    def one(self, number: int) -> Response:
        """One heat-up, with all that is known of it."""
        return self._one_page(number, self.desk.commander.outcome(request.args.get("said", "")))

    def csv(self) -> Response:
        """All committed readings of the chosen heat-ups, a row an instant."""
        try:
            with self._record() as record:
                found = record.heatups_named(_numbers()[:A_PAGE])
                places = list(record.required_places())
        except (StoreError, sqlite3.Error) as err:
            return self._unread(err)
        if not found:
            return self._list_page(_choose(0), 422)
        response = Response(_csv(self.desk.store_path, found, places, self._zone()), mimetype="text/csv")
        name = _file_name(self.desk.settings.aircraft.name, found)
        response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return response

    # -- acting

    def act_note(self) -> BaseResponse:
        """Keep what the owner writes of a heat-up."""
        number, note = _named(request.form.get("heatup", "")), request.form.get("note", "").strip()
        form = {"note": note, "refusals": {}}
        if len(note) > words.NOTE_LENGTH and self.desk.refusal("note-heatup") is None:
            said = f"Write at most {words.NOTE_LENGTH} letters; these are {len(note)}."
            return self._one_page(number, None, {"note": note, "refusals": {"note": said}}, 422)
        return self._act("note-heatup", number, {"note": note}, form)

    def act_preview(self) -> BaseResponse:
        """Ask what leaving a heat-up out would change, or counting it again."""
        return self._act_on_learning("preview-heatup")

    def act_exclude(self) -> BaseResponse:
        """Leave a heat-up out of what is learned, or count it again."""
        return self._act_on_learning("exclude-heatup")

    def _act_on_learning(self, kind: str) -> BaseResponse:
        number = _named(request.form.get("heatup", ""))
        if request.form.get("excluded") not in ("yes", "no"):
            return self._one_page(number, Outcome(False, "Say whether it is to be left out."), code=422)
        return self._act(kind, number, {"excluded": request.form["excluded"] == "yes"})

    def _act(
        self, kind: str, number: int, body: Mapping[str, Any], form: Mapping[str, Any] | None = None
    ) -> BaseResponse:
        return self.desk.act(
            kind,
            {"heatup": number, **body},
            lambda said, code: self._one_page(number, said, form, code),
            lambda once: redirect(url_for("heatup", number=number, said=once, _anchor="said"), 303),
        )

    # -- pages

    def _values(self, **values: Any) -> dict[str, Any]:
        """What each of these templates is given."""
        args = [(k, v) for k, v in request.args.items(multi=True) if k not in _OURS]
        links = {u: f"{request.path}?{urlencode([*args, ('unit', u)])}" for u in ("F", "C")}
        return {
            "aircraft": self.desk.settings.aircraft.name,
            "unit": self.desk.unit(),
            "unit_links": links if request.method == "GET" else {},
            "zone": self._zone().replace("_", " "),
            "said": None,
            "most": MOST_LINES,
            **values,
        }

    def _status(self) -> Status | None:
        try:
            return self.desk.source.read()
        except StatusError:
            return None

    def _zone(self) -> str:
        status = self._status()
        return status.zone if status else self.desk.settings.aircraft.zone or "UTC"

    def _eye(self, record: Reader) -> Eye:
        status = self._status()
        recent = status.recent if status else None
        fresh = status is not None and not is_stale(status)
        return Eye(self._zone(), self.desk.unit(), recent, fresh, record.required_places())

    def _unread(self, err: Exception) -> Response:
        text = str(err) if isinstance(err, StoreError) else f"The record can't be read ({err})."
        return self.desk.respond(self._values(rows=[], reason=text), "curves.html", 503)

    def _list_page(self, wrong: str = "", code: int = 200) -> Response:
        before = _named(request.args.get("before", "")) or None
        try:
            with self._record() as record:
                heatups = record.heatups(before, A_PAGE)
                rows = self._list_rows(record, heatups)
        except (StoreError, sqlite3.Error) as err:
            return self._unread(err)
        values = self._values(
            rows=rows,
            chosen=frozenset(_numbers()),
            wrong=wrong,
            live=rows[0] if rows and rows[0].is_open else None,
            several_setups=len({h.alike for h in heatups}) > 1,
            before=before,
            more=heatups[-1].heatup if len(heatups) == A_PAGE else None,
        )
        return self.desk.respond(values, "curves.html", code)

    def _list_rows(self, record: Reader, heatups: Sequence[HeatupKept]) -> list[Any]:
        curves = record.small_curves(heatups, SMALL_POINTS)
        small, eye = draw_small(heatups, curves), self._eye(record)
        rows = []
        for h in heatups:
            points = curves[h.heatup].points if h.heatup in curves else ()
            first_c = next((c for _, c in points if c is not None), None)
            row = present_heatup(h, eye.zone, eye.unit, first_c, eye.fresh)
            rows.append(replace(row, small=small.get(h.heatup)))
        return rows

    def _one_page(
        self,
        number: int,
        said: Outcome | None = None,
        form: Mapping[str, Any] | None = None,
        code: int = 200,
    ) -> Response:
        try:
            with self._record() as record:
                found = record.heatups_named([number])
                if not found:
                    page = self._values(number=number, said=said, heatup=None)
                    return self.desk.respond(page, "heatup.html", 404 if code == 200 else code)
                values = self._one_values(record, found[0])
        except (StoreError, sqlite3.Error) as err:
            return self._unread(err)
        page = self._values(said=said, form=form or {"note": found[0].note, "refusals": {}}, **values)
        return self.desk.respond(page, _template("heatup.html", _FIGURE | _PREVIEW), code)

    def _one_values(self, record: Reader, h: HeatupKept) -> dict[str, Any]:
        eye = self._eye(record)
        chosen = read_chosen(request.args, [str(h.heatup)], eye.places, eye.unit)
        look = look_at_one(record, h, chosen, eye)
        first = record.small_curves([h], 2).get(h.heatup)
        first_c = first.points[0][1] if first else None
        preview = record.preview()
        return {
            "heatup": present_heatup(h, eye.zone, eye.unit, first_c, eye.fresh),
            "announced": present_said(h, record.announced(h), eye.zone),
            "preview": _told_preview(preview) if preview and preview.heatup == h.heatup else None,
            "look": look,
            **self._figure(look, chosen, url_for("heatup", number=h.heatup)),
        }

    def _with_nearest(self, record: Reader, chosen: Chosen) -> tuple[Chosen, str]:
        """With near=12 the address asks for that heat-up over the nearest earlier ones by outside cold."""
        number = _named(request.args.get("near", ""))
        found = record.heatups_named([number]) if number else []
        if not found:
            return chosen, ""
        near = nearest(found[0], record.heatups(None, ALL))
        numbers = (number, *(h.heatup for h in near))
        if found[0].air_c is None:
            told = "The outside air was not measured at heater-on, so none is nearest. Choose from the list."
        elif not near:
            told = "No other heat-up of this setup has its outside air measured. Choose from the list."
        else:
            told = "Over the nearest heat-ups of the same setup by outside cold at heater-on."
        return replace(chosen, numbers=numbers), told

    # -- the figure

    def _figure(self, look: Look, chosen: Chosen, base: str) -> dict[str, Any]:
        """What the figure's template is given; base: the address it is asked anew from."""
        here = replace(chosen, at_s=look.view.at_s)
        numbers = [("h", n) for n in chosen.numbers]
        return {
            "look": look,
            "picture": None if look.is_empty else draw_overlay(look.lines, look.view, look.sentence),
            "chosen": chosen,
            "base": base,
            "zoom": {
                word: f"{base}?{here.query(**{'from': a, 'to': b})}"
                for word, (a, b) in zooms(look.view).items()
            },
            "kept": chosen.pairs(at=None),
            "asked": f"{base}?{chosen.query()}",
            "csv": f"{url_for('curves_csv')}?{urlencode(numbers)}",
        }


def _template(whole: str, parts: Mapping[str, str]) -> str:
    """The page, or the part of it alone that is asked for."""
    return parts.get(request.args.get("part", ""), whole)


def _named(number: str) -> int:
    """A heat-up's number as written in a form or an address; 0, which is none, where it is none."""
    return int(number) if re.fullmatch("[0-9]{1,9}", number) else 0


def _numbers() -> list[int]:
    """The heat-ups an address names."""
    return [n for n in dict.fromkeys(map(_named, request.args.getlist("h"))) if n]


def _choose(count: int) -> str:
    """Why nothing can be laid over one another."""
    if count > MOST_LINES:
        return f"Choose at most {words.count(MOST_LINES)}; these are {count}, too many to be told apart."
    return "Choose at least one heat-up by its box, then press again."


def _told_preview(preview: Preview) -> dict[str, Any]:
    """A preview as the page shows it."""
    if preview.state == "working":
        sentences: tuple[str, ...] = (words.preview_progress(preview.done, preview.of),)
    elif preview.state == "failed":
        sentences = (f"It can't be said: {preview.why}.",)
    else:
        sentences = words.preview_sentences(preview)
    return {"state": preview.state, "excluded": preview.excluded, "sentences": sentences}


# -- readings as a file


def _csv(file: Path, found: Sequence[HeatupKept], places: Sequence[str], zone: str) -> Iterator[str]:
    """Lines of a table: heatup, time_utc, time_field, minutes_after_heater_on, heater_share, a column of °C
    for each place. A connection of its own, so that a slow download holds up no page."""
    head = ("heatup", "time_utc", "time_field", "minutes_after_heater_on", "heater_share")
    yield _csv_line([*head, *(f"{place}_c" for place in places)])
    reader = Reader(file)
    try:
        for h in found:
            for row in reader.heatup_rows(h):
                yield _csv_line(_csv_row(h, row, places, ZoneInfo(zone)))
    finally:
        reader.close()


def _csv_row(h: HeatupKept, row: CurveRow, places: Sequence[str], zone: ZoneInfo) -> list[object]:
    utc = datetime.fromtimestamp(row.at, UTC)
    values = [row.values_c.get(place) for place in places]
    return [
        h.heatup,
        utc.isoformat(timespec="seconds").replace("+00:00", "Z"),
        utc.astimezone(zone).isoformat(timespec="seconds"),
        round((row.at - h.on_at) / 60, 2),
        "" if row.heater is None else row.heater,
        *("" if c is None else c for c in values),
    ]


def _csv_line(cells: Sequence[object]) -> str:
    out = io.StringIO()
    csv.writer(out).writerow(cells)
    return out.getvalue()


def _file_name(aircraft: str, found: Sequence[HeatupKept]) -> str:
    name = re.sub(r"[^a-z0-9]+", "-", aircraft.lower()).strip("-") or "aircraft"
    numbers = "-".join(str(h.heatup) for h in found[:MOST_LINES])
    return f"{name}-heat-up-{numbers}{'-and-more' if len(found) > MOST_LINES else ''}.csv"
