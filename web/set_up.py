"""The page Set up: who is told and who has proven to be, which probe is which, units, and the settings the
daemon goes by with where they are changed."""

from __future__ import annotations

from typing import Any

from flask import Response, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from probe_agent import words
from probe_agent.config import Recipient, Settings
from probe_agent.status import Status
from probe_agent.store import link_hash
from probe_agent.words import Unit
from web.acts import Outcome
from web.desk import Desk

NOT_A_TEST_CODE = "A test message's code has six digits, such as 482913. Look at the message again."


class SetUpPages:
    """What stands behind the routes of app.py, loaded when one is first asked for."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def show(self) -> Response:
        return self._page(self.desk.said())

    def _page(self, said: Outcome | None = None, code: int = 200, refused: str = "") -> Response:
        desk, values = self.desk, self.desk.values()
        status, unit, zone = values["status"], values["unit"], desk.zone(values["status"])
        bindings, tested = desk.record.set_up()
        told = [(r, tested.get(r.name, (None, None))) for r in desk.settings.recipients]
        values |= {
            "said": said,
            "refused": refused,
            "code": request.form.get("code", "")[:20],
            "recipients": [recipient(r, at, zone) for r, at in told],
            "probes": [probe(*one, status, unit) for one in bindings],
            "rules": rules_of(desk.settings, unit),
        }
        return desk.respond(values, "set_up.html", code)

    def test(self) -> BaseResponse:
        """Send one recipient a test message."""
        return self._act("test-recipient", {"to": request.form.get("to", "")})

    def received(self) -> BaseResponse:
        """The code of a test message: it has reached somebody."""
        typed = "".join(request.form.get("code", "").split())
        is_code = typed.isascii() and typed.isdigit() and len(typed) == 6
        return self._act("answer-link", {"hash": link_hash(typed).hex()} if is_code else None)

    def _act(self, kind: str, body: dict[str, Any] | None) -> BaseResponse:
        return self.desk.act(
            kind,
            body,
            lambda said, code: self._page(said, code, "" if said else NOT_A_TEST_CODE),
            lambda number: redirect(url_for("set_up", said=number, _anchor="said"), 303),
        )


def recipient(r: Recipient, tested: tuple[float | None, float | None], zone: str) -> dict[str, Any]:
    """One recipient: what they get, and whether they have proven to get it."""
    tested_at, proven_at = tested
    if proven_at is not None:
        proof = f"Has answered a test, {words.stamp(proven_at, zone)}, {words.day(proven_at, zone)}."
    elif tested_at is not None:
        sent = f"{words.stamp(tested_at, zone)}, {words.day(tested_at, zone)}"
        proof = f"Not proven: the test of {sent} is unanswered. Silence proves nothing."
    else:
        proof = "Not proven: no test has been sent yet."
    gets = "alerts for harm alone" if r.harm_only else "every word"
    quiet = f", quiet {r.quiet}" if r.quiet else ""
    return {
        "name": r.name,
        "gets": f"Gets {gets}{quiet}; asked in turn {r.order}.",
        "proof": proof,
        "proven": proven_at is not None,
    }


def probe(place: str, source: str, address: str, status: Status | None, unit: Unit) -> dict[str, str]:
    """One probe: its address, its place, and what it reads now."""
    found = next((p for p in status.probes if p.place == place), None) if status else None
    reads = words.probe_words(found, status, unit) if found and status else "nothing known now"
    return {"place": words.place_name(place), "source": source, "address": address, "reads": reads}


def rules_of(settings: Settings, unit: Unit) -> tuple[tuple[str, str, str], ...]:
    """What the daemon goes by: (what, value, where it stands in the settings file)."""
    limits, planning, told = settings.limits, settings.planning, settings.messages
    rule = "the soak" if limits.ready_rule == "soak" else "the estimated core"

    def c(value: float) -> str:
        return words.temperature(value, unit, (value,))

    return (
        ("Target of the coldest point", c(limits.target_c), "[limits] target_c or target_f"),
        ("Heat is needed below", c(limits.need_below_c), "[limits] need_below_c or need_below_f"),
        ("Too hot from", c(limits.too_hot_c), "[limits] too_hot_c or too_hot_f"),
        ("Ready by", rule, "[limits] ready_rule"),
        ("Soak", f"{limits.soak_min:g} min", "[limits] soak_min"),
        ("Usual certainty of a plan", f"{planning.certainty} mornings", "[planning] certainty"),
        ("Uncovered before the start", f"{planning.uncovered_min:g} min", "[planning] uncovered_min"),
        ("Quiet hours", told.quiet or "none", "[messages] quiet"),
        ("Morning look", told.morning_look or "none", "[messages] morning_look"),
        ("Weekly test", told.weekly_test, "[messages] weekly_test"),
        ("A look every", f"{settings.sampling.interval_s:g} s", "[sampling] interval_s"),
    )
