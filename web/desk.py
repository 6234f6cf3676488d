"""What all pages share: where they read, how they answer, and the one way to take a form as a command."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Response, make_response, render_template, request
from werkzeug.wrappers import Response as BaseResponse

from probe_agent.config import Settings
from probe_agent.status import Status, StatusError
from probe_agent.words import Unit
from web import choices, phone
from web.acts import Commander, Outcome
from web.gate import Gate
from web.present import NowView, present_now, run_now
from web.record import Record
from web.source import StatusSource

NO_NUMBER = "The form came without its number. Press again."
NO_STATUS = "No status yet ({}). Start the daemon, and give it and this page the same settings file."

Refused = Callable[[Outcome | None, int], BaseResponse]
"""What is said, None where sentences stand at the fields, and the status → the page with what was typed."""


@dataclass(frozen=True, slots=True)
class Desk:
    """What pages share."""

    source: StatusSource
    record: Record
    settings: Settings
    commander: Commander
    gate: Gate

    # -- reading

    @property
    def store_path(self) -> Path:
        return self.record.path

    def status(self) -> Status | None:
        """The document of this moment; None where there is none."""
        try:
            return self.source.read()
        except StatusError:
            return None

    def zone(self, status: Status | None) -> str:
        """The field's."""
        return status.zone if status else self.settings.aircraft.zone or "UTC"

    def now_at(self, status: Status | None) -> float:
        """The instant of the run [UTC s]; the board's own where there is no document."""
        return run_now(status) if status else time.time()

    def places(self) -> list[str]:
        """Every place of the settings, then others of the document."""
        named, status = [p.name for p in self.settings.places], self.status()
        return named + [p.place for p in (status.probes if status else ()) if p.place not in named]

    def unit(self) -> Unit:
        """The reader's."""
        return choices.unit()

    def values(self) -> dict[str, Any]:
        """What every page that tells of this moment is given. old: why what it tells isn't of now."""
        unit, reason = choices.unit(), ""
        status: Status | None = None
        view: NowView | None = None
        try:
            status = self.source.read()
            view = present_now(status, unit)
        except StatusError as err:
            reason = str(err)
        return {
            "status": status,
            "view": view,
            "reason": reason,
            "old": NO_STATUS.format(reason) if reason else (view.silence if view and view.old else ""),
            "aircraft": self.settings.aircraft.name,
            "unit": unit,
            "clock": choices.clock(),
        }

    # -- answering

    def said(self) -> Outcome | None:
        """What became of the form that led to this address."""
        return self.commander.outcome(request.args.get("said", ""))

    def respond(self, values: Mapping[str, Any], template: str, code: int = 200) -> Response:
        """A page of those values, with what its forms and the block about the phone need."""

        told = {**values, **self.gate.forms(), "phone": phone.describe(self.settings)}
        response = make_response(render_template(template, **told), code)
        self.gate.give_cookie(response)
        choices.keep(response)
        return response

    def closed(self, said: Outcome | None, code: int) -> Response:
        """The page of who may not look: how to pair, and nothing of the aircraft."""
        return self.respond({"said": said}, "closed.html", code)

    # -- acting

    def act(
        self,
        kind: str,
        body: Mapping[str, Any] | None,
        refused: Refused,
        done: Callable[[str], BaseResponse],
    ) -> BaseResponse:
        """Take the form that was sent as a command, once. In this order: may it, is it right (body None: it
        isn't), has it its number, what does the daemon say. done: the form's number → where to go on."""
        if (refusal := self.gate.refusal(kind)) is not None:
            return refused(Outcome(False, refusal), 403)
        if body is None:
            return refused(None, 422)
        if (number := self.gate.form_number()) is None:
            return refused(Outcome(False, NO_NUMBER), 422)
        outcome = self.commander.act_once(number, kind, body)
        return done(number) if outcome.ok else refused(outcome, 409)
