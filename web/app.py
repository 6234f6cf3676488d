"""The page: shows the status document and the record, takes acts as commands. No numerics here.

This file puts it together; what a page shows and takes stands in a file of its own."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from flask import Flask, request
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.config import Settings
from probe_agent.words import place_name
from web import answer, api, choices, home, now, wire
from web.acts import Commander
from web.desk import Desk
from web.gate import Gate
from web.now import NowPages
from web.record import Record
from web.source import StatusSource

if TYPE_CHECKING:
    from web.by_hand import HandPages
    from web.calibrate import CalibratePages
    from web.curves import CurvePages
    from web.pair import PairPages
    from web.plan import PlanPages
    from web.season import SeasonPages
    from web.set_up import SetUpPages
    from web.take_along import TablePages
    from web.why import WhyPage

Route = tuple[str, str, Callable[..., BaseResponse]]
"""Address, endpoint, page."""
MAX_FORM_BYTES = 16_384
FOR_ANYBODY = frozenset((*home.ENDPOINTS, *answer.ENDPOINTS))


def create_app(
    source: StatusSource, store_path: Path, settings: Settings, answer_timeout_s: float = 10.0
) -> Flask:
    """The WSGI application. source: carrier of the status document; store_path: the daemon's record;
    answer_timeout_s [s]: how long an act waits for the daemon."""
    app = Flask(__name__)
    app.config.update(MAX_CONTENT_LENGTH=MAX_FORM_BYTES, MAX_FORM_MEMORY_SIZE=MAX_FORM_BYTES)
    app.jinja_env.filters["place"] = place_name
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    record = Record(store_path)
    commander = Commander(store_path, answer_timeout_s)
    desk = Desk(source, record, settings, commander, Gate(settings.page, record))
    app.before_request(lambda: _admit(desk))
    api.connect(app, desk)
    later = _Later(desk, now.connect(app, desk))
    for routes, method in ((_seen(later), "GET"), (_acted(later), "POST")):
        for address, endpoint, page in routes:
            app.add_url_rule(address, endpoint, page, methods=[method])
    home.connect(app, settings.aircraft.name)
    answer.connect(app, source, store_path, settings, commander)
    wire.connect(app)
    return app


def _admit(desk: Desk) -> BaseResponse | None:
    """Find out what this request may do, and turn away who may not even look."""
    is_api = request.endpoint in api.ENDPOINTS
    if not is_api:
        words.show_clock(choices.clock())
    if request.endpoint in FOR_ANYBODY:
        return None
    if desk.gate.look().looks or request.endpoint in ("pair", "act_pair"):
        return None
    return api.closed() if is_api else desk.closed(None, 403)


class _Later:
    """The pages beside Now, each loaded when it is first opened: a page process that only shows Now holds
    less."""

    def __init__(self, desk: Desk, now_pages: NowPages) -> None:
        self.desk, self.now = desk, now_pages

    @cached_property
    def plan(self) -> PlanPages:
        from web.plan import PlanPages

        return PlanPages(self.desk)

    @cached_property
    def pair(self) -> PairPages:
        from web.pair import PairPages

        return PairPages(self.desk, self.now.page)

    @cached_property
    def season(self) -> SeasonPages:
        from web.season import SeasonPages

        return SeasonPages(self.desk)

    @cached_property
    def why(self) -> WhyPage:
        from web.why import WhyPage

        return WhyPage(self.desk)

    @cached_property
    def hand(self) -> HandPages:
        from web.by_hand import HandPages

        return HandPages(self.desk)

    @cached_property
    def table(self) -> TablePages:
        from web.take_along import TablePages

        return TablePages(self.desk)

    @cached_property
    def set_up(self) -> SetUpPages:
        from web.set_up import SetUpPages

        return SetUpPages(self.desk)

    @cached_property
    def curves(self) -> CurvePages:
        from web.curves import CurvePages

        return CurvePages(self.desk)

    @cached_property
    def calibrate(self) -> CalibratePages:
        from web.calibrate import CalibratePages

        return CalibratePages(self.desk)


def _seen(later: _Later) -> tuple[Route, ...]:
    """What is opened."""
    return (
        ("/plan", "plan", lambda: later.plan.show()),
        ("/pair", "pair", lambda: later.pair.show()),
        ("/record", "season", lambda: later.season.show()),
        ("/record.csv", "season_csv", lambda: later.season.csv()),
        ("/why", "why", lambda: later.why.show()),
        ("/hand", "hand", lambda: later.hand.show()),
        ("/hand/part", "hand_part", lambda: later.hand.part()),
        ("/take-along", "take_along", lambda: later.table.show()),
        ("/setup", "set_up", lambda: later.set_up.show()),
        ("/curves", "curves", lambda: later.curves.all()),
        ("/curves/over", "curves_over", lambda: later.curves.over()),
        ("/curves/csv", "curves_csv", lambda: later.curves.csv()),
        ("/curves/<int(max=999999999):number>", "heatup", lambda number: later.curves.one(number)),
        ("/calibrate", "calibrate", lambda: later.calibrate.show()),
        ("/calibrate/card", "heatup_card", lambda: later.calibrate.card()),
    )


def _acted(later: _Later) -> tuple[Route, ...]:
    """What is pressed."""
    return (
        ("/act/plan", "act_plan", lambda: later.plan.plan()),
        ("/act/move", "act_move", lambda: later.plan.move()),
        ("/act/departure", "act_departure", lambda: later.plan.tell()),
        ("/act/pair", "act_pair", lambda: later.pair.pair()),
        ("/act/unpair", "act_unpair", lambda: later.pair.unpair()),
        ("/act/hand-reading", "act_hand_reading", lambda: later.hand.enter()),
        ("/act/round", "act_round", lambda: later.hand.enter_round()),
        ("/act/undo", "act_undo", lambda: later.hand.undo()),
        ("/act/take-along", "act_take_along", lambda: later.table.work_out()),
        ("/act/mail-table", "act_mail_table", lambda: later.table.mail()),
        ("/act/test-recipient", "act_test_recipient", lambda: later.set_up.test()),
        ("/act/received", "act_received", lambda: later.set_up.received()),
        ("/act/bind", "act_bind", lambda: later.set_up.bind()),
        ("/act/identify", "act_identify", lambda: later.set_up.identify()),
        ("/act/unbind", "act_unbind", lambda: later.set_up.unbind()),
        ("/act/choose", "act_choose", lambda: later.set_up.choose()),
        ("/act/unchoose", "act_unchoose", lambda: later.set_up.unchoose()),
        ("/act/heater-since", "act_heater_since", lambda: later.hand.tell_since()),
        ("/act/note", "act_note", lambda: later.curves.act_note()),
        ("/act/preview", "act_preview", lambda: later.curves.act_preview()),
        ("/act/exclude", "act_exclude", lambda: later.curves.act_exclude()),
        ("/act/check", "act_check", lambda: later.calibrate.act_check()),
        ("/act/correct", "act_correct", lambda: later.calibrate.act_correct()),
        ("/act/uncorrect", "act_uncorrect", lambda: later.calibrate.act_uncorrect()),
    )
