"""The routes of a club's page: all aircraft, what of them is new, and Now of each. Nothing is taken."""

from __future__ import annotations

from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

from flask import (
    Flask,
    Response,
    abort,
    g,
    get_template_attribute,
    make_response,
    redirect,
    render_template,
    request,
    url_for,
)
from markupsafe import Markup
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.status import StatusError
from web import choices
from web.chart import FORMS, draw_curve
from web.club.now import club_view, curve_of
from web.club.rows import HEADINGS_ORDER, NOWHERE, Row, Sheet, Wanted
from web.club.source import ClubSource, now_s
from web.drawing import draw_engine
from web.parts import Parts
from web.scale import draw_scale
from web.wire import held_tag, json_answer

NOW = ("now", "now_part", "curve_part")
"""Endpoints of one aircraft's pages; their addresses begin with the one at hand."""


class ClubPages:
    """The routes, on one source."""

    def __init__(self, app: Flask, source: ClubSource, boards: tuple[str, ...]) -> None:
        self.app, self.source, self.boards = app, source, boards
        self.parts = Parts()
        self._sheets: dict[tuple[str, str], Sheet] = {}

    # -- all of them

    def show(self) -> BaseResponse:
        """The page; with one aircraft alone, its own."""
        wanted, sheet, told = self._asked()
        kept = sheet.rows(told)
        if len(kept) == 1 and not wanted.query and kept[0].worked is not None:
            return redirect(url_for("now", device=kept[0].row.device, **_choice()), 303)
        shown = [k for k in kept if wanted.takes(k.row)]
        values = {
            "sections": [
                (h, words.HEADINGS[h], [k.html for k in shown if k.row.heading == h]) for h in HEADINGS_ORDER
            ],
            "total": len(kept),
            "shown": len(shown),
            "asof": datetime.now(UTC).strftime("%H:%M UTC"),
            "told": told,
            "tag": f"{sheet.begun}.{sheet.change}",
            "wanted": wanted,
            "fields": sorted({k.row.field for k in kept if k.row.field}, key=str.casefold),
            "nowhere": NOWHERE if any(not k.row.field for k in kept) else "",
            "headings": words.HEADINGS,
        }
        return self._respond("club.html", values)

    def rows(self) -> BaseResponse:
        """What changed since the tag a page holds: rows, and devices that are gone from its choice; 304 where
        nothing did. `more`: that isn't all."""
        wanted, sheet, told = self._asked()
        kept = sheet.rows(told)
        had = held_tag()
        begun, _, change = had.partition(".")
        if begun != sheet.begun or not change.isdecimal() or len(change) > 15:
            return json_answer({"again": True}, 200)
        news = sheet.since(int(change), wanted)
        body: dict[str, Any] = {
            "rows": [[k.row.device, k.row.heading, k.row.order, k.html] for k in news.rows],
            "gone": news.gone,
            "total": len(kept),
            "more": news.more,
        }
        response = json_answer(body | {"told": told} if news.told_is_new else body, 200)
        response.set_etag(f"{sheet.begun}.{news.change}")
        return response.make_conditional(request)

    def _asked(self) -> tuple[Wanted, Sheet, str]:
        field, heading = request.args.get("field", "")[:80], request.args.get("state", "")
        wanted = Wanted(field, heading if heading in words.HEADINGS else "")
        told = [self.source.trouble or ""]
        if self.source.heard.passed_over:
            told.append(f"More boards write than the {len(self.source.heard.all())} this page keeps.")
        return wanted, self._sheet(), " ".join(t for t in told if t)

    def _sheet(self) -> Sheet:
        key = (choices.unit(), choices.clock())
        found = self._sheets.get(key)
        if found is None:
            macro = get_template_attribute("club_row.html", "row")

            def draw(row: Row) -> str:
                return str(macro(row)).strip()

            found = Sheet(self.source.heard, self.boards, key[0], draw, now_s)
            found = self._sheets.setdefault(key, found)
        return found

    # -- one of them

    def now(self, device: str) -> Response:
        """Now of one aircraft."""
        values = self._values(device)
        values |= self._curve(device, values)
        response = self._respond("club_now.html", values)
        self.parts.remember(values["print"], response.get_data(as_text=True))
        return response

    def part(self, device: str) -> BaseResponse:
        """As the board's own page: those parts that differ; 304 where none does."""
        values = self._values(device)
        tag, had = values["print"], held_tag()
        response = make_response("")
        if tag != had:
            response = self._respond("now.html", values)
            html = response.get_data(as_text=True)
            response.set_data(self.parts.news(html, had))
            self.parts.remember(tag, html)
        response.set_etag(tag)
        return response.make_conditional(request)

    def curve_part(self, device: str) -> Response:
        """The chart alone."""
        values = self._values(device)
        return make_response(render_template("curve.html", **values, **self._curve(device, values)))

    def _values(self, device: str) -> dict[str, Any]:
        g.device = device
        board = self.source.heard.get(device)
        if board is None or board.status is None:
            abort(404)
        unit = choices.unit()
        view = club_view(board, now_s(), unit)
        reader = f"{board.device} {board.serial} {view.old} {view.silence} {unit} {choices.clock()}"
        return {
            "status": board.status,
            "board": board,
            "view": view,
            "reason": "",
            "scale": Markup(draw_scale(board.status, unit)),
            "engine": Markup(draw_engine(view.layout, view.probes)),
            "print": sha256(reader.encode()).hexdigest()[:16],
            "alone": len(self.source.heard.boards) + len(self.boards) <= 1,
        }

    def _curve(self, device: str, values: dict[str, Any]) -> dict[str, Any]:
        form = request.args.get("curve", "")
        form = form if form in FORMS[:2] else FORMS[0]
        try:
            chart = draw_curve(curve_of(values["board"].whole()), values["status"], choices.unit(), form)
        except (StatusError, ValueError, ArithmeticError, LookupError, TypeError):
            chart = None
        return {"chart": chart, "curve_form": form}

    def _respond(self, template: str, values: dict[str, Any]) -> Response:
        told = {"unit": choices.unit(), "clock": choices.clock(), "why_not": _nothing_to_press, **values}
        response = make_response(render_template(template, **told))
        choices.keep(response)
        return response


def _choice() -> dict[str, Any]:
    """The unit and the clock that the address asks for, to be taken along."""
    return {k: request.args[k] for k in ("unit", "clock") if k in request.args}


def _nothing_to_press(kind: str) -> dict[str, str]:
    """Why no form stands here: nothing is said in its place."""
    return {"text": ""}
