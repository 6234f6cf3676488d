"""What pages in files of their own share with app.py."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Response
from werkzeug.wrappers import Response as BaseResponse

from probe_agent.config import Settings
from probe_agent.words import Unit
from web.acts import Commander, Outcome
from web.source import StatusSource

NO_NUMBER = "The form came without its number. Press again."


@dataclass(frozen=True, slots=True)
class Desk:
    """What these pages share with the others. respond: values, template and code → the answer; refusal: why
    a command of that kind isn't taken of this request, None where it is; form_number: of the form sent."""

    source: StatusSource
    store_path: Path
    settings: Settings
    commander: Commander
    respond: Callable[[dict[str, Any], str, int], Response]
    refusal: Callable[[str], str | None]
    form_number: Callable[[], str | None]
    unit: Callable[[], Unit]

    def act(
        self,
        kind: str,
        body: Mapping[str, Any],
        refused: Callable[[Outcome, int], BaseResponse],
        done: Callable[[str], BaseResponse],
    ) -> BaseResponse:
        """Take the form that was sent as a command, once. refused: what is said and its status → the page
        with what was typed; done: the form's number → where to go on."""
        if (refusal := self.refusal(kind)) is not None:
            return refused(Outcome(False, refusal), 403)
        if (number := self.form_number()) is None:
            return refused(Outcome(False, NO_NUMBER), 422)
        outcome = self.commander.act_once(number, kind, body)
        return done(number) if outcome.ok else refused(outcome, 409)
