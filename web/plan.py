"""The page Plan: departures to come, what they ask for, and the form for another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import chosen, words
from probe_agent.config import CERTAINTIES
from probe_agent.status import PlanNow, Status
from probe_agent.words import NOTHING_REPEATS, mornings
from web.acts import Outcome, PlanForm, check_plan_form, check_start, read_plan_form, whole_number
from web.desk import Desk
from web.present import present_plan

_OF_A_DEPARTURE = {
    "started": "started",
    "did-not-start": "did-not-start",
    "not-flying": "cancel-departure",
    "timer-set": "timer-set",
}


class PlanPages:
    """What stands behind the routes of app.py, loaded when one is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def show(self) -> Response:
        """The planned departures, and the form for another."""
        return self._page(self.desk.said())

    def _page(
        self,
        said: Outcome | None = None,
        form: PlanForm | None = None,
        code: int = 200,
        moved: PlanForm | None = None,
    ) -> Response:
        """moved: what was typed to move the departure that the form names."""
        desk, values = self.desk, self.desk.values()
        status, unit = values["status"], values["unit"]
        zone, now_at = desk.zone(status), desk.now_at(status)
        values |= {
            "said": said,
            "form": form or self._usual(),
            "moved": (_departure(), moved) if moved else (0, PlanForm()),
            "frost": words.frost(status.frost if status else None, zone, now_at, unit),
            "plans": [present_plan(p, zone, now_at, unit) for p in self._departures(status, now_at)],
            "circuit": status.circuit if status else (),
            "certainties": [(word, mornings(share)) for word, share in CERTAINTIES.items()],
            "zone": zone.replace("_", " "),
            "nothing_repeats": NOTHING_REPEATS,
        }
        return desk.respond(values, "plan.html", code)

    def _departures(self, status: Status | None, now_at: float) -> list[PlanNow]:
        """The departures to come; the next one from the document, which is newer than the record."""
        kept, fresh = self.desk.record.departures(now_at), status.plan if status else None
        return [fresh if fresh and fresh.departure == p.departure else p for p in kept]

    def _usual(self) -> PlanForm:
        wishes = chosen.with_kept(self.desk.settings, self.desk.record.kept(chosen.KEPT)).planning
        return PlanForm("", "", wishes.certainty, f"{wishes.travel_min:g}", f"{wishes.uncovered_min:g}")

    # -- acting

    def plan(self) -> BaseResponse:
        """Plan a departure, or only ask what a plan would say."""
        typed = read_plan_form(request.form, self._usual())
        body, wrong = check_plan_form(typed)
        kind = "what-if" if request.form.get("what") == "what-if" else "plan"
        return self._act(kind, body, replace(typed, refusals=wrong))

    def move(self) -> BaseResponse:
        """Another start for a departure."""
        typed = read_plan_form(request.form, self._usual())
        start, wrong = check_start(typed.date, typed.time)
        body = None if wrong else {"departure": _departure(), "start": start}
        return self._act("move-departure", body, moved=replace(typed, refusals=wrong))

    def tell(self) -> BaseResponse:
        """What came of a departure."""
        kind = _OF_A_DEPARTURE.get(request.form.get("what", ""))
        if kind is None:
            return self._page(Outcome(False, "Say what came of the departure."), code=422)
        return self._act(kind, {"departure": _departure()})

    def _act(
        self,
        kind: str,
        body: Mapping[str, Any] | None,
        typed: PlanForm | None = None,
        moved: PlanForm | None = None,
    ) -> BaseResponse:
        def done(number: str) -> BaseResponse:
            if kind == "what-if":
                return self._page(self.desk.commander.outcome(number), typed)
            return redirect(url_for("plan", said=number, _anchor="said"), 303)

        return self.desk.act(kind, body, lambda said, code: self._page(said, typed, code, moved), done)


def _departure() -> int:
    """The departure a form names; 0, which is none, where it names nothing."""
    return whole_number(request.form.get("departure", "")) or 0
