"""The page: shows the status document and the record, takes acts as commands. No numerics here."""

from __future__ import annotations

import gzip
import secrets
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import cached_property, partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
from flask import Flask, Response, current_app, g, make_response, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import pairing, words
from probe_agent.config import CERTAINTIES, Settings
from probe_agent.status import STATUS_VERSION, PlanNow, Status, StatusError, encode_status
from probe_agent.store import Session, StoreError
from probe_agent.words import NOTHING_REPEATS, Clock, Unit, mornings, place_name
from web import answer, by_hand, home, set_up, take_along
from web.access import (
    HOW,
    SHORT,
    FormTokens,
    Permit,
    Reason,
    Way,
    form_cookie,
    forwarding,
    lack_of,
    permit_of,
    same_origin,
    session_cookie,
    way_of,
)
from web.acts import (
    CodeForm,
    Commander,
    Outcome,
    PlanForm,
    check_plan_form,
    read_plan_form,
)
from web.chart import FORMS, draw_curve
from web.desk import NO_NUMBER, Desk
from web.drawing import draw_engine
from web.parts import Parts
from web.present import NowView, present_now, present_plan, present_taken, run_now
from web.record import Record
from web.scale import draw_scale
from web.source import StatusSource

if TYPE_CHECKING:
    from web.calibrate import CalibratePages
    from web.curves import CurvePages

UNIT_COOKIE, CLOCK_COOKIE = "unit", "clock"
YEAR_S = 365 * 24 * 3600
MAX_FORM_BYTES = 16_384
GZIP_FROM_BYTES = 700

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

NO_GAIN = "Nothing was done: from here a pairing would allow nothing more."
NOT_A_CODE = (
    "That can't be a code. It has eight letters and no vowel, such as BCDF-GHJK; capitals, blanks and the "
    "dash don't matter. This was not counted as a try."
)


def create_app(
    source: StatusSource, store_path: Path, settings: Settings, answer_timeout_s: float = 10.0
) -> Flask:
    """The WSGI application. source: carrier of the status document; store_path: the daemon's record;
    answer_timeout_s [s]: how long an act waits for the daemon."""
    app = Flask(__name__)
    app.config.update(MAX_CONTENT_LENGTH=MAX_FORM_BYTES, MAX_FORM_MEMORY_SIZE=MAX_FORM_BYTES)
    app.jinja_env.filters["place"] = place_name
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    _Pages(app, source, store_path, settings, Commander(store_path, answer_timeout_s)).connect()
    home.connect(app, settings.aircraft.name)
    answer.connect(app, source, store_path, settings, Commander(store_path, answer_timeout_s))
    app.after_request(_finish)
    app.register_error_handler(HTTPException, _refuse)
    app.register_error_handler(Exception, _fail)
    app.wsgi_app = _Guarded(app.wsgi_app)  # type: ignore[method-assign, assignment]
    return app


class _Pages:
    """The routes, with what they share."""

    def __init__(
        self, app: Flask, source: StatusSource, store_path: Path, settings: Settings, commander: Commander
    ) -> None:
        self.app, self.source, self.settings, self.commander = app, source, settings, commander
        self.record = Record(store_path)
        self.tokens = FormTokens()
        self.parts = Parts()

    def connect(self) -> None:
        add = self.app.add_url_rule
        add("/", "now", self.now)
        add("/now", "now_part", self.now_part)
        add("/curve", "curve_part", self.curve_part)
        add("/plan", "plan", self.plan)
        add("/record", "season", self.season)
        add("/record.csv", "season_csv", self.season_csv)
        add("/why", "why", self.why)
        add("/pair", "pair", self.pair)
        add("/api/status", "api_status", self.api_status)
        add("/api/curve", "api_curve", self.api_curve)
        add("/act/alert", "act_alert", self.act_alert, methods=["POST"])
        add("/act/heater", "act_heater", self.act_heater, methods=["POST"])
        add("/act/oil", "act_oil", self.act_oil, methods=["POST"])
        add("/act/plug", "act_plug", self.act_plug, methods=["POST"])
        add("/act/flew", "act_flew", self.act_flew, methods=["POST"])
        add("/act/plan", "act_plan", self.act_plan, methods=["POST"])
        add("/act/move", "act_move", self.act_move, methods=["POST"])
        add("/act/departure", "act_departure", self.act_departure, methods=["POST"])
        add("/act/pair", "act_pair", self.act_pair, methods=["POST"])
        add("/act/unpair", "act_unpair", self.act_unpair, methods=["POST"])
        by_hand.connect(self)
        take_along.connect(self)
        set_up.connect(self)
        self.app.before_request(self._admit)
        add("/curves", "curves", lambda: self._curves.all())
        add("/curves/over", "curves_over", lambda: self._curves.over())
        add("/curves/csv", "curves_csv", lambda: self._curves.csv())
        add("/curves/<int:number>", "heatup", lambda number: self._curves.one(number))
        add("/act/note", "act_note", lambda: self._curves.act_note(), methods=["POST"])
        add("/act/preview", "act_preview", lambda: self._curves.act_preview(), methods=["POST"])
        add("/act/exclude", "act_exclude", lambda: self._curves.act_exclude(), methods=["POST"])
        add("/calibrate", "calibrate", lambda: self._calibrate.show())
        add("/calibrate/card", "heatup_card", lambda: self._calibrate.card())
        add("/act/check", "act_check", lambda: self._calibrate.act_check(), methods=["POST"])
        add("/act/correct", "act_correct", lambda: self._calibrate.act_correct(), methods=["POST"])
        add("/act/uncorrect", "act_uncorrect", lambda: self._calibrate.act_uncorrect(), methods=["POST"])

    @cached_property
    def _curves(self) -> CurvePages:
        """Loaded when first opened: a page that only shows Now holds less."""
        from web.curves import CurvePages

        return CurvePages(self.desk)

    @cached_property
    def _calibrate(self) -> CalibratePages:
        """As above."""
        from web.calibrate import CalibratePages

        return CalibratePages(self.desk)

    @cached_property
    def desk(self) -> Desk:
        """What pages in files of their own share with these."""
        return Desk(
            self.source,
            self.record.path,
            self.settings,
            self.commander,
            self._form_response,
            lambda kind: self._refusal(_permit().why_not(kind)),
            self._form_number,
            self._unit,
        )

    # -- who it is

    def _admit(self) -> BaseResponse | None:
        """Find out what this request may do, and turn away who may not even look."""
        is_api = request.endpoint in ("api_status", "api_curve")
        if not is_api:
            words.show_clock(self._clock())
        if request.endpoint in _FOR_ANYBODY:
            return None
        settings, headers = self.settings.page, forwarding(request.environ)
        g.way = way_of(request.remote_addr, request.host, request.scheme, headers, settings.proxy)
        session, lack = (None, "unpaired") if g.way.local else self._session(g.way)
        g.permit = permit_of(g.way, session, settings, lack)
        if g.permit.looks or request.endpoint in ("pair", "act_pair"):
            return None
        if is_api:
            return _json({"v": STATUS_VERSION, "state": None, "reason": "Shown to paired phones only."}, 403)
        return self._closed(None, 403)

    def _session(self, way: Way) -> tuple[Session | None, Reason]:
        """The session of the request's cookie; without one, why there is none."""
        token = request.cookies.get(session_cookie(way.https))
        if not token:
            return None, "unpaired"
        try:
            found = self.record.session(pairing.token_hash(token), time.time())
        except (StoreError, sqlite3.Error):
            return None, "unread"
        return found, "ended"

    def _form_key(self) -> tuple[str | None, bool]:
        """The cookie that this request's forms rest on, and whether it is a session's."""
        if _permit().session is not None:
            return request.cookies.get(session_cookie(g.way.https)), True
        return request.cookies.get(form_cookie(g.way.https)), False

    # -- seeing

    def now(self) -> Response:
        return self._page(said=self.commander.outcome(request.args.get("said", "")))

    def now_part(self) -> BaseResponse:
        """Those parts of the page, for the script, that differ from what it has; 304 where none does."""
        values = self._view_values()
        tag, had = values["print"], next(iter(request.if_none_match.as_set()), "")
        if tag and tag == had:
            response = make_response("")
        else:
            response = self._form_response(values, "now.html", 200)
            html = response.get_data(as_text=True)
            response.set_data(self.parts.news(html, had))
            self.parts.remember(tag, html)
        response.set_etag(tag or "none")
        return response.make_conditional(request)

    def curve_part(self) -> Response:
        values = self._view_values()
        return make_response(render_template("curve.html", **values, **self._curve(values["status"])))

    def plan(self) -> Response:
        """The planned departures, and the form for another."""
        return self._plan_page(said=self.commander.outcome(request.args.get("said", "")))

    def pair(self) -> Response:
        """What a pairing link opens: the form for its code, which stands behind the # and is not sent.
        Changes nothing."""
        return self._form_response({}, "pair.html", 200)

    def season(self) -> Response:
        """What heating took, what settled and what was flown, a season at a time."""
        from web.season import present_season, read_season  # a megabyte for those who look at it

        values = self._view_values()
        status: Status | None = values["status"]
        zone, now_at = self._zone(status), run_now(status) if status else time.time()
        values.update(season=None, old=self._trouble(values), empty=words.NOTHING_RECORDED)
        values.update(parked=words.PARKED, indicator=words.INDICATOR, notes=status.notes if status else ())
        try:
            found, begins = read_season(self.record.path, self._season_at(now_at), zone, self._season_month)
        except (StoreError, sqlite3.Error) as err:
            values["empty"] = f"The record can't be read: {err}"
            return self._form_response(values, "record.html", 503)
        if begins:
            moist = status.moisture if status and not values["old"] else None
            values["season"] = present_season(
                found, begins, self.settings.costs, moist, zone, now_at, values["unit"]
            )
        return self._form_response(values, "record.html", 200)

    def season_csv(self) -> Response:
        """The heat-ups of a season as CSV."""
        from probe_agent.season import csv_of
        from web.season import read_season

        try:
            status = self.source.read()
            zone, now_at = status.zone, run_now(status)
        except StatusError:
            zone, now_at = self._zone(None), time.time()
        try:
            found, _ = read_season(self.record.path, self._season_at(now_at), zone, self._season_month)
        except (StoreError, sqlite3.Error):
            return make_response("The record can't be read just now. Try again in a minute.\n", 503)
        response = make_response(csv_of(found, self.settings.costs.price_per_kwh))
        response.mimetype = "text/csv"
        name = f"record-{found.name.replace('/', '-')}.csv"
        response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return response

    def why(self) -> Response:
        """Clearance and oil of this engine now."""
        values = self._view_values()
        status: Status | None = values["status"]
        now = status.why if status and not self._trouble(values) else None
        unit, view = values["unit"], values["view"]
        values.update(
            old=self._trouble(values),
            measured=f"Measured {view.at}." if view and now else "",
            clearance=words.clearance(now, unit) if now else [words.NOT_NOW],
            oil=words.oil(now, unit) if now else [words.NOT_NOW],
            both=words.BOTH,
            clearance_source=words.CLEARANCE_SOURCE,
            viscosity_source=words.VISCOSITY_SOURCE,
            no_claim=words.NO_CLAIM,
        )
        return self._form_response(values, "why.html", 200)

    @property
    def _season_month(self) -> int:
        return self.settings.costs.season_month

    def _season_at(self, now_at: float) -> float:
        """The instant whose season is asked for; now where none is."""
        asked = request.args.get("season", "")
        return float(asked) if asked.isascii() and asked.isdigit() and len(asked) <= 11 else now_at

    def _trouble(self, values: dict[str, Any]) -> str:
        """Why what is shown isn't of now."""
        view = values["view"]
        return str(values["reason"] or (view.silence if view and view.old else ""))

    def api_status(self) -> BaseResponse:
        """The core document with its age; 503 and the reason where there is none."""
        try:
            status = self.source.read()
        except StatusError as err:
            return _json({"v": STATUS_VERSION, "state": None, "reason": str(err)}, 503)
        ageless = _ageless(status)
        age = f'"age_s":{msgspec.json.encode(status.age_s).decode()}'
        response = Response(ageless.replace(b'"age_s":null', age.encode(), 1), mimetype="application/json")
        response.headers["ETag"] = f'"{_hash(ageless)}"'
        asked_again = "HTTP_IF_NONE_MATCH" in request.environ
        return response.make_conditional(request) if asked_again else response

    def api_curve(self) -> Response:
        """The last hours, thinned: places, rows of [UTC s, °C or null a place…, heater share or null]."""
        try:
            curve = self.record.curve(self.source.read())
        except StatusError as err:
            return _json({"v": STATUS_VERSION, "places": [], "rows": [], "reason": str(err)}, 503)
        return _json(
            {"v": STATUS_VERSION, "places": curve.places, "rows": curve.rows, "reason": curve.reason}, 200
        )

    # -- acting

    def act_alert(self) -> BaseResponse:
        form = request.form
        return self._act("answer-alert", {"alert": form.get("alert", ""), "answer": form.get("answer", "")})

    def act_heater(self) -> BaseResponse:
        if request.form.get("on") not in ("yes", "no"):
            return self._page(said=Outcome(False, "Say whether the heater is on or off."), code=422)
        return self._act("heater-said", {"on": request.form["on"] == "yes"})

    def act_oil(self) -> BaseResponse:
        """Oil out for warming elsewhere; or back in, its level checked: the button says both."""
        if request.form.get("oil") not in ("out", "back"):
            return self._page(said=Outcome(False, "Say whether the oil is out or back in."), code=422)
        if request.form["oil"] == "out":
            return self._act("oil-out", {})
        return self._act("oil-back", {"level_checked": True})

    def act_plug(self) -> BaseResponse:
        """The plug: on, off, locked while someone is at the aircraft, released. A button says all of it."""
        found = _AT_THE_PLUG.get(request.form.get("plug", ""))
        if found is None:
            return self._page(said=Outcome(False, "Say what the plug is to do, by a button."), code=422)
        kind, body = found
        return self._act(kind, dict(body))

    def act_flew(self) -> BaseResponse:
        """Say what became of a heat-up, or correct it."""
        what, number = request.form.get("what", ""), request.form.get("outing", "")
        if what not in words.FLEW_ANSWERS or not number.isascii() or not number.isdigit():
            return self._page(said=Outcome(False, "Say what became of it, by one of the buttons."), code=422)
        return self._act("flew", {"what": what, "outing": int(number)})

    def act_plan(self) -> BaseResponse:
        """Plan a departure, or only ask what a plan would say."""
        typed = read_plan_form(request.form, self._usual_plan())
        body, wrong = check_plan_form(typed)
        if body is None:
            return self._plan_page(form=replace(typed, refusals=wrong), code=422)
        kind = "what-if" if request.form.get("what") == "what-if" else "plan"
        return self._act_on_plan(kind, body, typed)

    def act_move(self) -> BaseResponse:
        start = f"{request.form.get('date', '')[:20]}T{request.form.get('time', '')[:20]}"
        return self._act_on_plan("move-departure", {"departure": self._departure(), "start": start})

    def act_departure(self) -> BaseResponse:
        kind = _OF_A_DEPARTURE.get(request.form.get("what", ""))
        if kind is None:
            return self._plan_page(said=Outcome(False, "Say what came of the departure."), code=422)
        return self._act_on_plan(kind, {"departure": self._departure()})

    def _departure(self) -> int:
        """The departure a form names; 0, which is none, where it names nothing."""
        number = request.form.get("departure", "")
        return int(number) if number.isascii() and number.isdigit() else 0

    def _act_on_plan(self, kind: str, body: dict[str, Any], typed: PlanForm | None = None) -> BaseResponse:
        if (refusal := self._refusal(_permit().why_not(kind))) is not None:
            return self._plan_page(said=Outcome(False, refusal), form=typed, code=403)
        if (number := self._form_number()) is None:
            return self._plan_page(said=Outcome(False, NO_NUMBER), code=422)
        outcome = self.commander.act_once(number, kind, body)
        if not outcome.ok or kind == "what-if":
            return self._plan_page(said=outcome, form=typed, code=200 if outcome.ok else 409)
        return redirect(url_for("plan", said=number, _anchor="said"), 303)

    def _departures(self, status: Status | None, now_at: float) -> list[PlanNow]:
        """The departures to come; the next one from the document, which is newer than the record."""
        kept, fresh = self.record.departures(now_at), status.plan if status else None
        return [fresh if fresh and fresh.departure == p.departure else p for p in kept]

    def _usual_plan(self) -> PlanForm:
        wishes = self.settings.planning
        return PlanForm("", "", wishes.certainty, f"{wishes.travel_min:g}", f"{wishes.uncovered_min:g}")

    def _plan_page(
        self, said: Outcome | None = None, form: PlanForm | None = None, code: int = 200
    ) -> Response:
        values = self._view_values()
        status, unit = values["status"], values["unit"]
        zone, now_at = self._zone(status), run_now(status) if status else time.time()
        values.update(
            said=said,
            form=form or self._usual_plan(),
            old=self._trouble(values),
            frost=words.frost(status.frost if status else None, zone, now_at, unit),
            plans=[present_plan(p, zone, now_at, unit) for p in self._departures(status, now_at)],
            certainties=[(word, mornings(share)) for word, share in CERTAINTIES.items()],
            zone=zone.replace("_", " "),
            nothing_repeats=NOTHING_REPEATS,
        )
        return self._form_response(values, "plan.html", code)

    def act_pair(self) -> BaseResponse:
        """Try a code; the token of the session it begins goes into a cookie and nowhere else."""
        refusal = self._refusal(None) if _permit().offers else NO_GAIN
        number, code = self._form_number(), pairing.read_code(request.form.get("code", ""))
        if refusal is not None or number is None:
            return self._page(said=Outcome(False, refusal or NO_NUMBER), code=403)
        if code is None:
            return self._page(said=Outcome(False, NOT_A_CODE), code=422)
        token = self.tokens.session_token(self._form_key()[0] or "", number)
        outcome = self.commander.pair_once(number, self._code_form(code, token))
        if not outcome.ok:
            return self._page(said=outcome, code=409)
        return self._with_session(token, redirect(url_for("now", said=number, _anchor="said"), 303))

    def _code_form(self, code: str, token: str) -> CodeForm:
        permit = _permit()
        instead = permit.session.number if permit.session else None
        return CodeForm(code, request.form.get("label", "")[:80], permit.best, token, instead)

    def _with_session(self, token: str, response: BaseResponse) -> BaseResponse:
        """The answer with the cookie of a session that has just begun, for as long as it lasts."""
        with suppress(StoreError, sqlite3.Error):
            session = self.record.session(pairing.token_hash(token), time.time())
            if session is not None:
                response.set_cookie(
                    session_cookie(g.way.https),
                    token,
                    max_age=round(session.expires_at - time.time()),
                    samesite="Lax",  # a link in a mail read on the web has to find the phone paired
                    httponly=True,
                    secure=g.way.https,
                )
        return response

    def act_unpair(self) -> BaseResponse:
        """End this phone's own session."""
        session = _permit().session
        if session is None:
            return self._page(said=Outcome(False, "This phone is not paired."), code=409)
        refusal, number = self._refusal(None), self._form_number()
        if refusal is not None or number is None:
            return self._page(said=Outcome(False, refusal or NO_NUMBER), code=403)
        outcome = self.commander.act_once(number, pairing.END, {"session": session.number})
        response = redirect(url_for("now", said=number, _anchor="said"), 303)
        if outcome.ok:
            response.delete_cookie(session_cookie(g.way.https), secure=g.way.https, httponly=True)
        return response

    def _act(self, kind: str, body: dict[str, Any]) -> BaseResponse:
        if (refusal := self._refusal(_permit().why_not(kind))) is not None:
            return self._page(said=Outcome(False, refusal), code=403)
        if (number := self._form_number()) is None:
            return self._page(said=Outcome(False, NO_NUMBER), code=422)
        outcome = self.commander.act_once(number, kind, body)
        if not outcome.ok:
            return self._page(said=outcome, code=409)
        came_from = "hand" if request.form.get("page") == "hand" else "now"
        return redirect(url_for(came_from, said=number, _anchor="said"), 303)

    def _refusal(self, lack: Reason | None) -> str | None:
        """Why this request may not act, or None; lack: what its way or its session lacks."""
        if lack is not None:
            return f"Nothing was done. {SHORT[lack]}"
        if not same_origin(request.host, dict(request.headers), g.way.https):
            return "Nothing was done: the request came from another page. Open this page and press there."
        cookie, paired = self._form_key()
        if not self.tokens.fits(cookie, request.form.get("token"), paired):
            return "Nothing was done: the form was too old. This page is fresh; press again."
        return None

    def _form_number(self) -> str | None:
        """The number of the form that was sent, a browser's own; None where it came without one."""
        once = request.form.get("once", "")[:64]
        if not once:
            return None
        return sha256(f"{self._form_key()[0]} {once}".encode()).hexdigest()[:32]

    # -- shared

    def _unit(self) -> Unit:
        """The reader's unit: as asked in the address, else as kept in the cookie, else by the locale."""
        for said in (request.args.get("unit"), request.cookies.get(UNIT_COOKIE)):
            if said == "C" or said == "F":
                return said  # type: ignore[return-value]
        return "F" if _is_american() else "C"

    def _clock(self) -> Clock:
        """The reader's clock, in the same way."""
        for said in (request.args.get("clock"), request.cookies.get(CLOCK_COOKIE)):
            if said == "12" or said == "24":
                return said  # type: ignore[return-value]
        return "12" if _is_american() else "24"

    def _places(self) -> list[str]:
        """Every place a person may measure: those of the settings, then others of the document. The air
        is none: a thermometer held to metal doesn't tell it."""
        named = [p.name for p in self.settings.places]
        with suppress(StatusError):
            named += [p.place for p in self.source.read().probes if p.place not in named]
        return [place for place in named if place != "ambient"]

    def _zone(self, status: Status | None) -> str:
        return status.zone if status else self.settings.aircraft.zone or "UTC"

    def _page(
        self,
        said: Outcome | None = None,
        code: int = 200,
    ) -> Response:
        if not _permit().looks:
            return self._closed(said, code)
        values = self._view_values()
        values.update(self._curve(values["status"]))
        values.update(
            said=said,
            taken=present_taken(self.record.hand_readings(), values["unit"], self._zone(values["status"])),
        )
        response = self._form_response(values, "page.html", code)
        self.parts.remember(values["print"], response.get_data(as_text=True))
        return self._keep_choices(response)

    def _keep_choices(self, response: Response) -> Response:
        """Unit and clock, where the address asked for one, are this reader's from now on."""
        for asked, cookie, kept in (
            ("unit", UNIT_COOKIE, self._unit()),
            ("clock", CLOCK_COOKIE, self._clock()),
        ):
            if request.args.get(asked) == kept:
                response.set_cookie(cookie, kept, max_age=YEAR_S, samesite="Lax", httponly=True)
        return response

    def _closed(self, said: Outcome | None, code: int) -> Response:
        """The page of who may not look: how to pair, and nothing of the aircraft."""
        return self._form_response({"said": said}, "closed.html", code)

    def _form_response(self, values: dict[str, Any], template: str, code: int) -> Response:
        permit, (cookie, paired) = _permit(), self._form_key()
        fresh = None if cookie else self.tokens.new_cookie()
        cookie = cookie or fresh or ""
        values.update(
            token=self.tokens.token(cookie, paired),
            once=lambda: secrets.token_urlsafe(12),
            why_not=partial(lack_of, permit),
            phone=self._phone(permit),
        )
        response = make_response(render_template(template, **values), code)
        if fresh and (permit.local or permit.offers) and "X-Unasked" not in request.headers:
            response.set_cookie(
                form_cookie(g.way.https), fresh, samesite="Strict", httponly=True, secure=g.way.https
            )
        if request.args.get("unit") in ("C", "F"):
            response.set_cookie(UNIT_COOKIE, self._unit(), max_age=YEAR_S, samesite="Lax", httponly=True)
        return response

    def _phone(self, permit: Permit) -> dict[str, Any]:
        """The block about this phone: what it is paired for, why not for more, how to get there, and what
        became of a code that was tried in it."""
        session, zone = permit.session, self._zone(None)
        port = request.environ.get("SERVER_PORT", self.settings.page.port)
        paired = (
            session
            and f"It {words.role(permit.role or 'viewer')}, until {words.day(session.expires_at, zone)}."
        )
        lacks = [r for r in (permit.lack if permit.lack == "unread" else None, permit.less) if r is not None]
        return {
            "local": permit.local,
            "tried": request.endpoint == "act_pair" and not permit.local,
            "linked": request.endpoint == "pair",
            "paired": paired,
            "ended": permit.lack == "ended",
            "offers": permit.offers,
            "best": permit.best,
            "why": [HOW[r].format(port=port) for r in lacks],
            "label": request.form.get("label", "")[: pairing.LABEL_LENGTH],
            "port": port,
        }

    def _view_values(self) -> dict[str, Any]:
        unit = self._unit()
        view: NowView | None = None
        status: Status | None = None
        reason = ""
        try:
            status = self.source.read()
            view = present_now(status, unit)
        except StatusError as err:
            reason = str(err)
        return {
            "status": status,
            "view": view,
            "reason": reason,
            "aircraft": self.settings.aircraft.name,
            "unit": unit,
            "clock": self._clock(),
            "scale": Markup(draw_scale(status, unit)) if status else "",
            "engine": Markup(draw_engine(view.layout, view.probes)) if view else "",
            "print": self._tag(status) if status else "",
        }

    def _tag(self, status: Status) -> str:
        """The same as long as this reader's page says the same."""
        permit = _permit()
        reader = f"{self._unit()} {self._clock()} {permit.local} {permit.role} {permit.best} {permit.lack}"
        return sha256(f"{_print_of(status)} {reader}".encode()).hexdigest()[:16]

    def _curve(self, status: Status | None) -> dict[str, Any]:
        """The chart in the form that is asked for."""
        form = request.args.get("curve", "")
        form = form if form in FORMS else FORMS[0]
        if status is None:
            return {"chart": None, "curve_form": form}
        told = self.record.announced(words.now_of(status)) if form == "past" else []
        chart = draw_curve(self.record.curve(status), status, self._unit(), form, told)
        return {"chart": chart, "curve_form": form}


_FOR_ANYBODY = frozenset((*home.ENDPOINTS, *answer.ENDPOINTS))

_AT_THE_PLUG: dict[str, tuple[str, dict[str, Any]]] = {
    "on": ("switch-on", {}),
    "off": ("switch-off", {}),
    "lock": ("switch-lock", {}),
    "release": ("switch-unlock", {"nobody_there": True}),
}

_OF_A_DEPARTURE = {
    "started": "started",
    "did-not-start": "did-not-start",
    "not-flying": "cancel-departure",
    "timer-set": "timer-set",
}


def _is_american() -> bool:
    """Whether the browser asks for American English first."""
    first = request.headers.get("Accept-Language", "").split(",")[0].split(";")[0].strip().lower()
    return first == "en-us"


def _permit() -> Permit:
    """What the request at hand may do."""
    permit: Permit = g.permit
    return permit


def _print_of(status: Status) -> str:
    """The same as long as the core document says the same, its age apart."""
    return _hash(_ageless(status))


def _ageless(status: Status) -> bytes:
    """The core document as JSON, its age left open."""
    return encode_status(msgspec.structs.replace(status, recent=None, curve=None, age_s=None))


def _hash(data: bytes) -> str:
    return sha256(data).hexdigest()[:16]


def _json(body: dict[str, Any], code: int) -> Response:
    response = make_response(msgspec.json.encode(body), code)
    response.mimetype = "application/json"
    return response


def _finish(response: Response) -> Response:
    """How long an answer may be kept, and a short form where it pays."""
    if request.endpoint in home.ENDPOINTS:
        response.headers["Cache-Control"] = home.keeps_for()
        response.headers["Vary"] = "Accept-Encoding"
        response.direct_passthrough = False
        response.make_sequence()
    else:
        response.headers["Cache-Control"] = "no-store"
        response.headers["Vary"] = "Accept-Encoding, Cookie"
    _shorten(response)
    return response


class _Guarded:
    """Puts the strict headers on every answer; a page's files, which show and run nothing alone, have few."""

    def __init__(self, app: Callable[..., Any]) -> None:
        self._app = app

    def __call__(self, environ: dict[str, Any], start: Callable[..., Any]) -> Any:
        def begin(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Any:
            used = environ["PATH_INFO"].startswith("/static/") and environ["PATH_INFO"].endswith(_ONLY_USED)
            return start(status, headers + (_FEW if used else _ALL), exc_info)

        return self._app(environ, begin)


_ALL = list(HEADERS.items())
_ONLY_USED = (".css", ".js", ".png")
"""Files that a page uses and that run nothing where they are opened by themselves."""
_FEW = [(name, HEADERS[name]) for name in ("X-Content-Type-Options", "Cross-Origin-Resource-Policy")]


def _shorten(response: Response) -> None:
    if "gzip" not in request.environ.get("HTTP_ACCEPT_ENCODING", ""):
        return
    if response.status_code == 304 or response.is_streamed or not request.accept_encodings["gzip"]:
        return
    body = response.get_data()
    if len(body) >= GZIP_FROM_BYTES:
        response.set_data(gzip.compress(body, 6, mtime=0))
        response.headers["Content-Encoding"] = "gzip"


def _refuse(error: HTTPException) -> Response:
    sentences = {
        404: "There is no such page here.",
        405: "That can't be done from the address line. Use the buttons of the page.",
        413: "That was too much text for one form.",
    }
    code = error.code or 500
    return make_response(
        render_template("error.html", text=sentences.get(code, "That request made no sense.")), code
    )


def _fail(error: Exception) -> Response:
    current_app.logger.exception("page failed", exc_info=error)
    text = (
        "This page has failed; the daemon is not touched by that. Look again; the log on the board says more."
    )
    return make_response(render_template("error.html", text=text), 500)
