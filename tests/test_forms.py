"""Every form that takes what somebody types: what can't be right is refused in a sentence at its field, what
was typed stays, and nothing is asked of the daemon. Every page with nothing to show says the next step."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import many_heatups
import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from flask.testing import FlaskClient

from probe_agent.config import Recipient, parse_settings
from probe_agent.status import utc_seconds, write_status
from probe_agent.store import Batch, keep_departure
from web.app import create_app
from web.source import FileStatusSource

EXAMPLE = Path(__file__).parent.parent / "deploy" / "example.toml"
SETTINGS = parse_settings(EXAMPLE.read_bytes(), EXAMPLE.name)
LOCAL = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost"}


@dataclass
class Control:
    """One field of a form: its attributes; what a person finds in it; of a list, what it offers."""

    tag: str
    attributes: Mapping[str, str]
    holds: str = ""
    options: list[str] = field(default_factory=list)


@dataclass
class Form:
    """A form of a page. refusals: sentences by their element's id."""

    action: str
    controls: dict[str, list[Control]] = field(default_factory=dict)
    refusals: dict[str, str] = field(default_factory=dict)

    def holds(self, name: str) -> str:
        """What stands in a field, or is chosen of several."""
        found = self.controls[name]
        chosen = [c for c in found if "checked" in c.attributes]
        return (chosen or found)[0].holds

    @property
    def hidden(self) -> dict[str, str]:
        kinds = {name: cs[0] for name, cs in self.controls.items()}
        return {name: c.holds for name, c in kinds.items() if c.attributes.get("type") == "hidden"}


class Forms(HTMLParser):
    """The forms of a page, as a browser has them."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[Form] = []
        self._inside: Form | None = None
        self._select: Control | None = None
        self._text: Control | None = None
        self._refusal = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        a = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._inside = Form(a.get("action", ""))
            self.found.append(self._inside)
        if self._inside is None:
            return
        control = Control(tag, a, a.get("value", ""))
        if tag in ("input", "select", "textarea") and "name" in a:
            self._inside.controls.setdefault(a["name"], []).append(control)
            self._select = control if tag == "select" else self._select
            self._text = control if tag == "textarea" else None
        elif tag == "option" and self._select is not None:
            self._select.options.append(a["value"])
            self._select.holds = a["value"] if "selected" in a else self._select.holds
        elif "refusal" in a.get("class", "") and "hidden" not in a:
            self._refusal = a["id"]

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = None
        if tag in ("p", "textarea"):
            self._refusal, self._text = "", None

    def handle_data(self, data: str) -> None:
        if self._refusal and self._inside is not None:
            said = self._inside.refusals
            said[self._refusal] = said.get(self._refusal, "") + data
        if self._text is not None:
            self._text.holds += data


@dataclass
class Site:
    client: FlaskClient
    daemon: AnsweringDaemon

    def form(self, path: str, action: str, holds: str = "") -> Form:
        forms = Forms(self.client.get(path).get_data(as_text=True)).found
        return next(f for f in forms if f.action.startswith(action) and _fits(f, holds))

    def send(self, form: Form, typed: Mapping[str, str], holds: str = "") -> tuple[int, Form]:
        """Submit it; the answer's status, and the same form on the page that came."""
        path = form.action.partition("#")[0]
        answer = self.client.post(path, data={**form.hidden, **typed})
        forms = Forms(answer.get_data(as_text=True)).found
        return answer.status_code, next(f for f in forms if f.action == form.action and _fits(f, holds))

    def text(self, path: str) -> str:
        html = self.client.get(path).get_data(as_text=True)
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def _fits(form: Form, kind: str) -> bool:
    return not kind or form.hidden.get("kind") == kind


def open_site(folder: Path, daemon: AnsweringDaemon) -> Site:
    people = (Recipient(name="Pilot", address="x://nobody"),)
    settings = msgspec.structs.replace(SETTINGS, recipients=people)
    app = create_app(FileStatusSource(folder / "status.json"), folder / "store.db", settings, 5.0)
    client = app.test_client()
    client.environ_base.update(LOCAL)
    return Site(client, daemon)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Site]:
    """A page on a new board: nothing measured, nothing kept."""
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        yield open_site(tmp_path, daemon)


def keep_departure_to_come(daemon: AnsweringDaemon) -> None:
    """Number 1, planned in the record."""
    shown = msgspec.structs.replace(samples.plan(), departure=1, state="planned")
    text = msgspec.json.encode({"departure": {}, "shown": shown}).decode()
    at = utc_seconds(shown.start)
    kept = keep_departure(1, None, at, text, "planned", at, at, None, None)
    daemon.store.commit(Batch(statements=[kept]))


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A page on a record of two heat-ups."""
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        many_heatups.write(tmp_path / "store.db", list(many_heatups.mornings(2)))
        write_status(tmp_path / "status.json", samples.heating())
        keep_departure_to_come(daemon)
        yield open_site(tmp_path, daemon)


@dataclass(frozen=True)
class Row:
    """A form with something wrong typed into it, and the sentence that answers at the field."""

    page: str
    action: str
    typed: Mapping[str, str]
    at: str
    says: str
    kind: str = ""

    def __str__(self) -> str:
        return f"{self.page} {self.kind} {self.at} {self.says[:24]}"


def check(kind: str, at: str, says: str, **typed: str) -> Row:
    return Row("/calibrate?unit=C", "/act/check", typed, at, says, kind)


def plan(at: str, says: str, **typed: str) -> Row:
    good = {"date": "2027-01-16", "time": "09:00", "what": "plan", "certainty": "9/10"}
    return Row("/plan", "/act/plan", good | typed, at, says)


def hand(at: str, says: str, **typed: str) -> Row:
    good = {
        "place": "cyl-1",
        "value": "-4,5",
        "unit": "C",
        "method": "contact",
        "when": "at",
        "clock": "06:40",
    }
    return Row("/hand?unit=C", "/act/hand-reading", good | typed, at, says)


SPOTS = {"spot-cyl-1": "-3", "spot-cyl-2": "-2,5"}
NO_NUMBER = "Write the temperature as a number"
ROWS = (
    check("ice", "place", "Choose the probe.", place=""),
    check("ice", "place", "Choose the probe.", place="tail"),
    check("boiling", "place", "Choose the probe.", place="", pressure="1013"),
    check("boiling", "pressure", "Write the pressure as a number", place="cyl-1", pressure="high"),
    check("boiling", "pressure", "Write the pressure as a number", place="cyl-1", pressure=""),
    check("boiling", "height", "Write the field's elevation", place="cyl-1", pressure="29.92", height="low"),
    check("contact", "place", "Choose the probe.", place="", value="3"),
    check("contact", "value", NO_NUMBER, place="cyl-1", value="cold"),
    check("contact", "value", "from −60 °C to 120 °C", place="cyl-1", value="900"),
    check("infrared", "spot-cyl-2", NO_NUMBER, **SPOTS | {"spot-cyl-2": "two"}),
    check("infrared", "spots", "at least three spots", **SPOTS),
    check("flange", "value", NO_NUMBER, value=""),
    check("flange", "value", "from −60 °C to 120 °C", value="-80"),
    hand("place", "Choose the place", place="tail"),
    hand("value", NO_NUMBER, value="cold"),
    hand("value", NO_NUMBER, value=""),
    hand("value", "No engine metal has that.", value="900"),
    hand("time", "Write the time it was measured", clock="25:10"),
    plan("date", "such as 2026-12-05", date="tomorrow"),
    plan("time", "such as 09:00", time="nine"),
    plan("certainty", "how many mornings", certainty="10/10"),
    plan("travel_min", "0 to 600", travel_min="-5"),
    plan("uncovered_min", "0 to 180", uncovered_min="long"),
    Row("/plan", "/act/move", {"date": "later", "time": "10:30"}, "move-date", "such as 2026-12-05"),
    Row("/plan", "/act/move", {"date": "2027-01-16", "time": "ten"}, "move-time", "such as 09:00"),
    Row("/setup", "/act/received", {"code": "48 29"}, "code", "has six digits"),
    Row("/curves/2", "/act/note", {"note": "y" * 501}, "note", "Write at most 500 letters; these are 501."),
)


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_what_cant_be_right_is_refused_at_its_field_and_what_was_typed_stays(site: Site, row: Row) -> None:
    form = site.form(row.page, row.action, row.kind)
    code, back = site.send(form, row.typed, row.kind)
    assert code == 422
    assert row.says in back.refusals[f"bad-{row.at}"]
    assert set(back.refusals) == {f"bad-{row.at}"}, "nothing else is refused"
    for control in back.controls.get(row.at.removeprefix("move-"), [])[:1]:
        if control.attributes.get("type") != "radio":
            assert control.attributes["aria-invalid"] == "true"
            assert control.attributes["aria-describedby"] == f"bad-{row.at}"
    kept = [name for name, text in row.typed.items() if name in back.controls and _can_hold(form, name, text)]
    assert {name: back.holds(name) for name in kept} == {name: row.typed[name] for name in kept}
    assert site.daemon.asked == []


def _can_hold(form: Form, name: str, text: str) -> bool:
    """Whether a person can have put that there: of a choice, what it offers."""
    found = form.controls[name]
    if found[0].tag == "select":
        return text in found[0].options
    return found[0].attributes.get("type") != "radio" or text in [c.holds for c in found]


@pytest.mark.parametrize(
    ("row", "kind", "field"),
    [
        (hand("value", "Minus 5 or 5 °C?"), "hand-reading", "sign"),
        (
            check("boiling", "pressure", "No field has that pressure.", place="cyl-1", pressure="29"),
            "check-probes",
            "pressure",
        ),
        (plan("", "That hour does not exist"), "plan", ""),
        (
            Row(
                "/plan", "/act/move", {"date": "2027-03-28", "time": "02:30"}, "", "That hour does not exist"
            ),
            "move-departure",
            "",
        ),
        (Row("/setup", "/act/received", {"code": "482913"}, "", "No test has that code."), "answer-link", ""),
    ],
    ids=str,
)
def test_what_the_daemon_refuses_keeps_what_was_typed(site: Site, row: Row, kind: str, field: str) -> None:
    site.daemon.answers[kind] = (False, row.says, field) if field else (False, row.says)
    form = site.form(row.page, row.action, row.kind)
    answer = site.client.post(form.action.partition("#")[0], data={**form.hidden, **row.typed})
    html = answer.get_data(as_text=True)
    assert answer.status_code == 409
    assert row.says in html
    back = next(f for f in Forms(html).found if f.action == form.action and _fits(f, row.kind))
    for name in ("value", "pressure", "date", "time", "code"):
        if name in row.typed and name in back.controls:
            assert back.holds(name) == row.typed[name]


EMPTY = {
    "/": "Next: start the daemon",
    "/plan": "Start the daemon",
    "/curves": "Plug the harness in and switch the heater on when the engine is cold.",
    "/calibrate": "Plug the harness in, and switch the heater on when the engine is cold.",
    "/calibrate/card": "Work it out",
    "/hand": "Begin with the required places: cylinder 1",
    "/take-along": "None has been worked out yet. Make the table Work it out",
    "/record": "Start the daemon",
    "/why": "Plug the harness in, or enter a round by hand.",
    "/setup": "Add [[probes]] to the settings file, or enter readings by hand",
}


@pytest.mark.parametrize("path", EMPTY)
def test_an_empty_page_says_the_next_step(empty: Site, path: str) -> None:
    assert EMPTY[path] in empty.text(path)
