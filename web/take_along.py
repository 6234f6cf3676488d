"""The table to take along: on the page, on a printed sheet, by mail. The page works nothing out: it shows
what the daemon has kept, and looks up in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.status import Band, TakeAlong
from probe_agent.store import TAKE_ALONG
from probe_agent.words import Unit
from web.acts import Outcome

if TYPE_CHECKING:
    from web.app import _Pages


def connect(pages: _Pages) -> None:
    """Give the app the table's page."""
    table, add = _TablePages(pages), pages.app.add_url_rule
    add("/take-along", "take_along", table.show)
    add("/act/take-along", "act_take_along", table.work_out, methods=["POST"])
    add("/act/mail-table", "act_mail_table", table.mail, methods=["POST"])


class _TablePages:
    """The routes, on what all pages share."""

    def __init__(self, pages: _Pages) -> None:
        self.pages = pages

    def show(self) -> Response:
        return self._page(self.pages.commander.outcome(request.args.get("said", "")))

    def _page(self, said: Outcome | None = None, code: int = 200, refused: str = "") -> Response:
        pages = self.pages
        values = pages._view_values()
        table = _read(pages.record.kept(TAKE_ALONG))
        zone = pages._zone(values["status"])
        learned = values["status"].learned if values["status"] else None
        values |= {
            "said": said,
            "table": None if table is None else shown(table, values["unit"], zone),
            "newer": table is not None and learned is not None and learned.heat_ups > table.heat_ups,
            "recipients": [r.name for r in pages.settings.recipients],
            "to": request.form.get("to", ""),
            "refused": refused,
        }
        return pages._keep_choices(pages._form_response(values, "take_along.html", code))

    def work_out(self) -> BaseResponse:
        """Have it worked out anew."""
        return self._act("take-along", {})

    def mail(self) -> BaseResponse:
        """Send it to one of the recipients."""
        to = request.form.get("to", "")
        if to not in {r.name for r in self.pages.settings.recipients}:
            return self._page(code=422, refused="Choose who is to get the table.")
        return self._act("mail-take-along", {"to": to})

    def _act(self, kind: str, body: dict[str, Any]) -> BaseResponse:
        return self.pages.desk.act(
            kind,
            body,
            self._page,
            lambda number: redirect(url_for("take_along", said=number, _anchor="said"), 303),
        )


def _read(text: str | None) -> TakeAlong | None:
    try:
        return msgspec.json.decode(text or "", type=TakeAlong)
    except msgspec.MsgspecError:
        return None


def shown(table: TakeAlong, unit: Unit, zone: str) -> dict[str, Any]:
    """A table as the page lays it out: a row for each start, with its temperature in the reader's unit."""
    return {
        "whole": table.is_whole,
        "done": len(table.rows),
        "of": len(table.starts_c),
        "target": words.temperature(table.target_c, unit, (table.target_c,)),
        "airs": [_degree(c, unit) for c in table.airs_c],
        "rows": [
            {"start": _degree(start_c, unit), "cells": [_cell(band) for band in row]}
            for start_c, row in zip(table.starts_c, table.rows, strict=False)
        ],
        "use": words.TABLE_USE,
        "limit": words.TABLE_LIMIT,
        "rests": words.table_rests_on(table, zone),
    }


def _degree(c: float, unit: Unit) -> dict[str, Any]:
    return {"text": words.temperature(c, unit), "number": f"{words.in_unit(c, unit):g}"}


def _cell(band: Band) -> dict[str, str]:
    middle, spread = words.how_long(band)
    return {"middle": middle, "spread": spread}
