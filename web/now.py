"""The page Now: what an engine does and will do, and what is answered on it."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

from flask import Flask, Response, make_response, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.status import Status
from web import choices
from web.acts import Outcome, whole_number
from web.api import print_of
from web.chart import FORMS, draw_curve
from web.desk import Desk
from web.drawing import draw_engine
from web.gate import permit
from web.parts import Parts
from web.present import present_taken
from web.scale import draw_scale
from web.wire import held_tag

_AT_THE_PLUG: dict[str, tuple[str, dict[str, Any]]] = {
    "on": ("switch-on", {}),
    "off": ("switch-off", {}),
    "lock": ("switch-lock", {}),
    "release": ("switch-unlock", {"nobody_there": True}),
}
_OIL: dict[str, tuple[str, dict[str, Any]]] = {
    "out": ("oil-out", {}),
    "back": ("oil-back", {"level_checked": True}),
}
"""Oil out for warming elsewhere; or back in, its level checked: the button says both."""


def connect(app: Flask, desk: Desk) -> NowPages:
    """Give the app the page Now."""
    now, add = NowPages(desk), app.add_url_rule
    add("/", "now", now.show)
    add("/now", "now_part", now.part)
    add("/curve", "curve_part", now.curve_part)
    add("/act/alert", "act_alert", now.answer_alert, methods=["POST"])
    add("/act/heater", "act_heater", now.tell_heater, methods=["POST"])
    add("/act/oil", "act_oil", now.tell_oil, methods=["POST"])
    add("/act/plug", "act_plug", now.work_plug, methods=["POST"])
    add("/act/flew", "act_flew", now.tell_flown, methods=["POST"])
    return now


class NowPages:
    """The routes, on what all pages share."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.parts = Parts()

    # -- seeing

    def show(self) -> Response:
        return self.page(self.desk.said())

    def page(self, said: Outcome | None, code: int = 200) -> Response:
        """Now with what was said; who may not look is told how to pair."""
        if not permit().looks:
            return self.desk.closed(said, code)
        values = self._values()
        values |= _curve(self.desk, values["status"])
        zone = self.desk.zone(values["status"])
        values |= {
            "said": said,
            "taken": present_taken(self.desk.record.hand_readings(), values["unit"], zone),
        }
        response = self.desk.respond(values, "page.html", code)
        self.parts.remember(values["print"], response.get_data(as_text=True))
        return response

    def part(self) -> BaseResponse:
        """Those parts of the page, for the script, that differ from what it has; 304 where none does."""
        values = self._values()
        tag, had = values["print"], held_tag()
        if tag and tag == had:
            response = make_response("")
        else:
            response = self.desk.respond(values, "now.html")
            html = response.get_data(as_text=True)
            response.set_data(self.parts.news(html, had))
            self.parts.remember(tag, html)
        response.set_etag(tag or "none")
        return response.make_conditional(request)

    def curve_part(self) -> Response:
        """The chart alone."""
        values = self._values()
        return make_response(render_template("curve.html", **values, **_curve(self.desk, values["status"])))

    def _values(self) -> dict[str, Any]:
        values = self.desk.values()
        status, view, unit = values["status"], values["view"], values["unit"]
        return values | {
            "scale": Markup(draw_scale(status, unit)) if status else "",
            "engine": Markup(draw_engine(view.layout, view.probes)) if view else "",
            "print": _tag(status) if status else "",
        }

    # -- acting

    def answer_alert(self) -> BaseResponse:
        form = request.form
        return self._act("answer-alert", {"alert": form.get("alert", ""), "answer": form.get("answer", "")})

    def tell_heater(self) -> BaseResponse:
        told = {"yes": {"on": True}, "no": {"on": False}}.get(request.form.get("on", ""))
        return self._act("heater-said", told, "Say whether the heater is on or off.")

    def tell_oil(self) -> BaseResponse:
        """Oil out, or back in."""
        kind, body = _OIL.get(request.form.get("oil", ""), ("oil-out", None))
        return self._act(kind, body, "Say whether the oil is out or back in.")

    def work_plug(self) -> BaseResponse:
        """The plug: on, off, locked while someone is at the aircraft, released. A button says all of it."""
        kind, body = _AT_THE_PLUG.get(request.form.get("plug", ""), ("switch-off", None))
        return self._act(kind, body, "Say what the plug is to do, by a button.")

    def tell_flown(self) -> BaseResponse:
        """Say what became of a heat-up, or correct it."""
        what, number = request.form.get("what", ""), whole_number(request.form.get("outing", ""))
        known = what in words.FLEW_ANSWERS and number is not None
        body = {"what": what, "outing": number} if known else None
        return self._act("flew", body, "Say what became of it, by one of the buttons.")

    def _act(self, kind: str, body: dict[str, Any] | None, wrong: str = "") -> BaseResponse:
        """As the desk acts; wrong: the sentence where the form made no body. Goes on where it was pressed."""
        came_from = "hand" if request.form.get("page") == "hand" else "now"
        return self.desk.act(
            kind,
            body,
            lambda said, code: self.page(said or Outcome(False, wrong), code),
            lambda number: redirect(url_for(came_from, said=number, _anchor="said"), 303),
        )


def _tag(status: Status) -> str:
    """The same as long as this reader's page says the same."""
    may = permit()
    reader = f"{choices.unit()} {choices.clock()} {may.local} {may.role} {may.best} {may.lack}"
    return sha256(f"{print_of(status)} {reader}".encode()).hexdigest()[:16]


def _curve(desk: Desk, status: Status | None) -> dict[str, Any]:
    """The chart in the form that is asked for."""
    form = request.args.get("curve", "")
    form = form if form in FORMS else FORMS[0]
    if status is None:
        return {"chart": None, "curve_form": form}
    told = desk.record.announced(words.now_of(status)) if form == "past" else []
    chart = draw_curve(desk.record.curve(status), status, choices.unit(), form, told)
    return {"chart": chart, "curve_form": form}
