"""The table to take along: on the page, on a printed sheet, by mail. The page works nothing out: it shows
what the daemon has kept, and looks up in it."""

from __future__ import annotations

from typing import Any

import msgspec
from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.status import Band, TakeAlong
from probe_agent.store import TAKE_ALONG
from probe_agent.words import Unit
from web.acts import Outcome
from web.desk import Desk


class TablePages:
    """What stands behind the routes of app.py, loaded when one is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def show(self) -> Response:
        return self._page(self.desk.said())

    def _page(self, said: Outcome | None = None, code: int = 200, refused: str = "") -> Response:
        desk, values = self.desk, self.desk.values()
        status = values["status"]
        table, learned = _read(desk.record.kept(TAKE_ALONG)), status.learned if status else None
        values |= {
            "said": said,
            "table": None if table is None else shown(table, values["unit"], desk.zone(status)),
            "newer": table is not None and learned is not None and learned.heat_ups > table.heat_ups,
            "recipients": [r.name for r in desk.settings.recipients],
            "to": request.form.get("to", ""),
            "refused": refused,
        }
        return desk.respond(values, "take_along.html", code)

    def work_out(self) -> BaseResponse:
        """Have it worked out anew."""
        return self._act("take-along", {})

    def mail(self) -> BaseResponse:
        """Send it to one of the recipients."""
        to = request.form.get("to", "")
        known = to in {r.name for r in self.desk.settings.recipients}
        return self._act("mail-take-along", {"to": to} if known else None)

    def _act(self, kind: str, body: dict[str, Any] | None) -> BaseResponse:
        return self.desk.act(
            kind,
            body,
            lambda said, code: self._page(said, code, "" if said else "Choose who is to get the table."),
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
