"""The page over its WSGI door, on a real status file and a real store."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from urllib.request import urlopen

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from click.testing import CliRunner
from flask.testing import FlaskClient
from hypothesis import example, given
from hypothesis import strategies as st
from real_daemon import Process, of_the_unit

from probe_agent.config import parse_settings
from probe_agent.status import HeaterNow, Recent, SignNow, Status, StatusError, utc_seconds, write_status
from probe_agent.store import Batch, StoredReading, TickRow, insert_hand_reading, keep_departure
from web.access import FormTokens, same_origin, way_of
from web.acts import Commander
from web.app import create_app
from web.by_hand import HandForm, check_hand_form
from web.serve import main
from web.source import FileStatusSource

EXAMPLE = Path(__file__).parent.parent / "deploy" / "example.toml"
SETTINGS = parse_settings(EXAMPLE.read_bytes(), EXAMPLE.name)
PLACES = frozenset({"cyl-1", "sump"})
LOCAL = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost"}


@dataclass
class Page:
    """A page on a folder of its own."""

    folder: Path
    client: FlaskClient
    daemon: AnsweringDaemon

    def show(self, status: Status) -> None:
        write_status(self.folder / "status.json", status)

    def text(self, path: str = "/") -> str:
        return plain(self.client.get(path).get_data(as_text=True))

    def press(self, action: str, label: str = "", page: str = "/", **values: str) -> tuple[int, str]:
        """Submit a form of a page as a browser does: hidden fields from the page, then the answer."""
        html = self.client.get(page).get_data(as_text=True)
        form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if f'"{action}' in f and label in f)
        hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))
        answer = self.client.post(action, data={**hidden, **values}, follow_redirects=True)
        return answer.status_code, plain(answer.get_data(as_text=True))


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        daemon.store.describe_places({p.name: (p.required, p.near_heater) for p in SETTINGS.places})
        app = create_app(FileStatusSource(tmp_path / "status.json"), tmp_path / "store.db", SETTINGS, 5.0)
        client = app.test_client()
        client.environ_base.update(LOCAL)
        yield Page(tmp_path, client, daemon)


# -- seeing


def test_the_page_reads_from_top_to_bottom(page: Page) -> None:
    page.show(samples.heating())
    text = page.text("/?unit=C")
    order = [
        "Warming.",
        "Measured just now Sat 06:50",
        "cylinder 3 −6 °C target 7.2 °C",
        "Above target most likely about 08:35",
        "1 in 10 later than 08:55",
        "Core, estimated about −10 °C, −12 to −8",
        "Next: Nothing to do now; leave the heat on.",
        "Propeller",
        "Engine from above",
        "The last hours",
        "Enter readings by hand",
        "Europe/Oslo",
    ]
    found = [text.find(words) for words in order]
    assert -1 not in found
    assert found == sorted(found)


@pytest.mark.parametrize("state", samples.STATES)
@pytest.mark.parametrize("unit", ["C", "F"])
def test_every_state_is_shown_without_style_or_script_in_the_markup(
    page: Page, state: str, unit: str
) -> None:
    page.show(samples.STATES[state]())
    answer = page.client.get(f"/?unit={unit}")
    html = answer.get_data(as_text=True)
    assert answer.status_code == 200
    assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*src=)", html)
    assert not re.search(r"https?://(?!localhost)", plain(html).replace("http://localhost", ""))
    assert not re.search(r'(?:src|href)="(?!/)', html)
    assert "None" not in plain(html)


def test_trouble_stands_before_the_verdict(page: Page) -> None:
    page.show(samples.sample(clock_ok=False))
    text = page.text()
    assert text.index("board is not set") < text.index("Warming.")


def test_an_old_document_takes_the_verdicts_place(page: Page) -> None:
    page.show(samples.aged(samples.ready(), 200))
    html = page.client.get("/").get_data(as_text=True)
    assert 'class="now is-old"' in html
    assert "Nothing heard from the aircraft since 06:50." in plain(html)
    assert 'aria-live="polite"></p>' in html


def test_without_a_document_the_page_says_the_next_step(page: Page) -> None:
    text = page.text()
    assert "No status yet." in text
    assert "start the daemon" in text
    assert page.client.get("/now").status_code == 200
    assert page.client.get("/curve").status_code == 200


def test_units_are_one_tap_apart_and_kept(page: Page) -> None:
    page.show(samples.heating())
    assert "21 °F" in page.text("/?unit=F")
    assert "21 °F" in page.text("/")
    assert "−6 °C" in page.text("/?unit=C")
    assert "−6 °C" in page.text("/now")


@pytest.mark.parametrize(
    ("language", "shown"), [("en-US,en;q=0.8", "21 °F"), ("en-GB", "−6 °C"), ("", "−6 °C")]
)
def test_the_first_unit_follows_the_browsers_locale(page: Page, language: str, shown: str) -> None:
    page.show(samples.heating())
    assert shown in plain(page.client.get("/", headers={"Accept-Language": language}).get_data(as_text=True))


def test_every_answer_carries_the_strict_headers(page: Page) -> None:
    page.show(samples.heating())
    for path in ("/", "/now", "/curve", "/api/status", "/static/icon.svg", "/worker.js", "/nowhere"):
        with page.client.get(path) as answer:
            headers = answer.headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "same-origin"
    assert page.client.get("/").headers["Cache-Control"] == "no-store"
    with page.client.get("/static/page.css") as answer:
        assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_the_form_cookie_is_out_of_reach_for_scripts_and_other_sites(page: Page) -> None:
    page.show(samples.heating())
    cookie = next(c for c in page.client.get("/").headers.getlist("Set-Cookie") if c.startswith("form="))
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


def test_the_answer_is_short_for_who_can_read_it_short(page: Page) -> None:
    page.show(samples.heating())
    short = page.client.get("/", headers={"Accept-Encoding": "gzip"})
    assert short.headers["Content-Encoding"] == "gzip"
    assert len(short.data) < len(page.client.get("/").data) / 2


def test_a_failure_is_a_sentence_and_no_traceback(page: Page, caplog: pytest.LogCaptureFixture) -> None:
    page.show(msgspec.structs.replace(samples.heating(), zone="Nowhere/Atall"))
    answer = page.client.get("/")
    text = plain(answer.get_data(as_text=True))
    assert answer.status_code == 500
    assert "This page has failed" in text
    assert "Traceback" not in text
    assert "Nowhere/Atall" in caplog.text
    assert page.client.get("/act/alert").status_code == 405


# -- for programs


def test_the_status_is_the_core_document_with_its_age(page: Page) -> None:
    status = msgspec.structs.replace(samples.aged(samples.heating(), 12), recent=Recent(("sump",), ()))
    page.show(status)
    told = page.client.get("/api/status").get_json()
    assert told["v"] == 1
    assert told["age_s"] == pytest.approx(12, abs=3)
    assert "recent" not in told
    assert told["core_c"] == [-12.0, -10.0, -8.0]
    assert {"place", "c", "status", "trend_c_per_h"} <= set(told["probes"][0])
    later = {"now", "state", "verdict", "coldest", "coldest_c", "target_c", "p_reach", "heater", "alerts"}
    assert later | {"above_p10", "above_p50", "above_p90", "ready_at", "clock_ok"} <= set(told)


def test_the_status_is_repeated_as_304_until_it_changes(page: Page) -> None:
    page.show(samples.heating())
    tag = page.client.get("/api/status").headers["ETag"]
    assert page.client.get("/api/status", headers={"If-None-Match": tag}).status_code == 304
    page.show(samples.sample(coldest_c=-5.75))
    assert page.client.get("/api/status", headers={"If-None-Match": tag}).status_code == 200


@pytest.mark.parametrize("content", [None, b"{", b'{"v": 1}'])
def test_without_a_status_programs_are_told_503_and_why(page: Page, content: bytes | None) -> None:
    if content is not None:
        (page.folder / "status.json").write_bytes(content)
    answer = page.client.get("/api/status")
    told = answer.get_json()
    assert answer.status_code == 503
    assert told["v"] == 1
    assert told["state"] is None
    assert told["reason"]


def test_the_curve_joins_the_record_and_what_is_not_committed(page: Page) -> None:
    now_s = utc_seconds(samples.NOW)
    store = page.daemon.store
    store.begin_boot("boot", now_s - 10_000, True)
    for i in range(4):
        reading = StoredReading("cyl-3", -7.0 + i, None, -7.0 + i, None)
        store.hold(TickRow(store.new_tick(), 10_000.0 - 300 + 60 * i, 1.0, (reading,)))
    store.commit()
    recent = Recent(("cyl-3",), ((now_s - 15, -3.5),))
    page.show(msgspec.structs.replace(samples.heating(), recent=recent))
    told = page.client.get("/api/curve").get_json()
    column = 1 + told["places"].index("cyl-3")
    assert [row[column] for row in told["rows"]] == [-7.0, -6.0, -5.0, -4.0, -3.5]
    assert [row[-1] for row in told["rows"]] == [1.0, 1.0, 1.0, 1.0, None]
    assert "As a table" in page.text()


def test_a_record_that_cannot_be_read_leaves_the_page_standing(tmp_path: Path) -> None:
    (tmp_path / "store.db").write_bytes(b"not a database, by no means" * 100)
    write_status(tmp_path / "status.json", samples.heating())
    app = create_app(FileStatusSource(tmp_path / "status.json"), tmp_path / "store.db", SETTINGS)
    answer = app.test_client().get("/")
    assert answer.status_code == 200
    assert "can't be read" in plain(answer.get_data(as_text=True))


# -- acting


def test_an_answer_reaches_the_daemon_and_comes_back_as_a_sentence(page: Page) -> None:
    page.show(samples.ready())
    page.daemon.answers["answer-alert"] = (True, "Noted: It is off.")
    code, text = page.press("/act/alert", answer="it-is-off")
    assert code == 200
    assert "Done. Noted: It is off." in text
    assert [(c.kind, c.body) for c in page.daemon.asked] == [
        ("answer-alert", {"alert": "switch-off-1", "answer": "it-is-off"})
    ]


def test_a_form_sent_twice_acts_once(page: Page) -> None:
    page.show(samples.ready())
    html = page.client.get("/").get_data(as_text=True)
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if "/act/alert" in f)
    data = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
    answers = [page.client.post("/act/alert", data=data).status_code for _ in range(3)]
    assert answers == [303, 303, 303]
    assert len(page.daemon.asked) == 1


def test_two_presses_at_one_instant_act_once(page: Page) -> None:
    commander = Commander(page.folder / "store.db", 5.0)
    ready = threading.Barrier(2)

    def press(_: int) -> bool:
        ready.wait()
        return commander.act_once("7", "heater-said", {"on": False}).ok

    with ThreadPoolExecutor(2) as pool:
        assert list(pool.map(press, range(2))) == [True, True]
    assert len(page.daemon.asked) == 1


def test_a_refusal_of_the_daemon_is_shown_and_what_was_typed_stays(page: Page) -> None:
    page.show(samples.heating())
    page.daemon.answers["hand-reading"] = (False, "Look at its time.", "time")
    code, text = page.press(
        "/act/hand-reading", page="/hand", place="cyl-1", value="3,5", unit="C", method="contact"
    )
    assert code == 409
    assert "Look at its time." in text
    page.daemon.answers["hand-reading"] = (False, "The record is full.")
    code, text = page.press(
        "/act/hand-reading", page="/hand", place="cyl-1", value="3,5", unit="C", method="contact"
    )
    assert "Not done. The record is full." in text


def test_a_reading_by_hand_arrives_in_celsius_and_seconds(page: Page) -> None:
    page.show(samples.heating())
    fahrenheit = {"value": "23", "unit": "F", "method": "infrared", "when": "at", "clock": "6.40"}
    page.press("/act/hand-reading", page="/hand", place="cyl-1", **fahrenheit)
    celsius = {"value": "4,5", "below_zero": "yes", "unit": "C", "method": "contact"}
    page.press("/act/hand-reading", page="/hand", place="sump", **celsius)
    assert [c.body for c in page.daemon.asked] == [
        {
            "place": "cyl-1",
            "c": -5.0,
            "method": "infrared",
            "unit": "F",
            "clock": "06:40",
            "told_ago_s": 0,
        },
        {"place": "sump", "c": -4.5, "method": "contact", "unit": "C", "age_s": 0},
    ]


def test_a_refused_field_has_its_sentence_and_keeps_what_was_typed(page: Page) -> None:
    page.show(samples.heating())
    html = page.client.get("/hand").get_data(as_text=True)
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if "/act/hand-reading" in f)
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))
    typed = {**hidden, "place": "sump", "value": "warm", "unit": "F", "method": "contact"}
    typed |= {"when": "at", "clock": "25:10"}
    answer = page.client.post("/act/hand-reading", data=typed)
    html = answer.get_data(as_text=True)
    assert answer.status_code == 422
    assert "Write the temperature as a number" in html
    assert "Write the time it was measured" in html
    assert 'value="warm"' in html
    assert 'value="25:10"' in html
    assert 'value="sump" checked' in html
    assert 'aria-invalid="true" aria-describedby="bad-value"' in html
    assert page.daemon.asked == []


def test_readings_by_hand_are_listed_and_can_be_undone(page: Page) -> None:
    page.show(samples.heating())
    store = page.daemon.store
    store.begin_boot("boot", utc_seconds(samples.NOW), True)
    entry = insert_hand_reading(1, "cyl-1", store.boot, -240.0, -5.0, "infrared")
    store.commit(Batch(statements=[entry]))
    assert "cylinder 1 −5 °C, infrared, Sat 06:46" in page.text()
    code, _ = page.press("/act/undo", page="/hand")
    assert code == 200
    assert [(c.kind, c.body) for c in page.daemon.asked] == [("undo-hand-reading", {"id": 1})]


def test_saying_what_the_heater_does_sends_only_that(page: Page) -> None:
    page.show(samples.heating())
    page.press("/act/heater", on="no")
    assert [(c.kind, c.body) for c in page.daemon.asked] == [("heater-said", {"on": False})]
    assert page.press("/act/heater", on="maybe")[0] == 422


def test_oil_goes_out_by_a_tap_and_comes_back_with_its_level_checked(page: Page) -> None:
    page.show(samples.heating())
    assert "Oil is out for warming" in page.text()
    page.press("/act/oil", oil="out")
    page.show(samples.sample(oil_out=True))
    assert "Oil back in, level checked" in page.text()
    page.press("/act/oil", oil="back")
    asked = [(c.kind, c.body) for c in page.daemon.asked]
    assert asked == [("oil-out", {}), ("oil-back", {"level_checked": True})]
    assert page.press("/act/oil", oil="perhaps")[0] == 422


def test_what_a_shared_circuit_means_is_said_on_now_and_plan_and_is_no_trouble(page: Page) -> None:
    said = ("On the circuit hangar-2 kestrel leaves no room for this heater now.",)
    page.show(msgspec.structs.replace(samples.plug_off(), circuit=said))
    for path in ("/", "/plan"):
        text = page.text(path)
        assert "Shared circuit" in text
        assert said[0] in text
        assert f"Trouble. {said[0]}" not in text
    page.show(samples.plug_off())
    assert "Shared circuit" not in page.text() + page.text("/plan")


def test_the_plug_is_switched_off_locked_and_on_by_a_tap(page: Page) -> None:
    page.show(samples.heating())
    assert "Switch off" not in page.text()
    page.show(samples.plugged())
    assert "it draws 480 W" in page.text()
    assert "switch the heater on" not in page.text()  # it is on
    page.press("/act/plug", plug="off")
    page.press("/act/plug", plug="lock")
    page.show(samples.plug_off())
    page.press("/act/plug", "switch the heater on", plug="on")
    page.show(samples.plug_off(locked=samples.NOW))
    assert "switch the heater on" not in page.text()
    page.press("/act/plug", "release", plug="release")
    page.show(samples.plug_off(tested=False))
    assert "switch the heater on" not in page.text()
    asked = [(c.kind, c.body) for c in page.daemon.asked]
    assert asked == [
        ("switch-off", {}),
        ("switch-lock", {}),
        ("switch-on", {}),
        ("switch-unlock", {"nobody_there": True}),
    ]
    assert page.press("/act/plug", plug="perhaps")[0] == 422


def test_what_the_curve_shows_stands_beside_the_heater(page: Page) -> None:
    signs = (SignNow("one-cold", samples.NOW, "cyl-3"), SignNow("sun", samples.NOW))
    page.show(samples.sample(signs=signs))
    assert "Cylinder 3 stays behind its neighbors, unlike before, seen at 06:50." in page.text()
    assert "perhaps the sun" in page.text()


def test_where_the_heater_is_measured_nobody_is_asked(page: Page) -> None:
    heater = msgspec.structs.replace(samples.heating().heater, known_by="measured")
    page.show(samples.sample(heater=heater))
    assert "I see it on" not in page.text()


def test_a_daemon_that_does_not_answer_is_said(tmp_path: Path) -> None:
    with AnsweringDaemon(tmp_path / "store.db"):
        pass
    outcome = Commander(tmp_path / "store.db", timeout_s=0.2).act_once("1", "heater-said", {"on": True})
    assert not outcome.ok
    assert "has not answered" in outcome.text


def test_without_a_store_an_act_says_what_to_do(tmp_path: Path) -> None:
    outcome = Commander(tmp_path / "none" / "store.db", timeout_s=0.2).act_once(
        "1", "heater-said", {"on": True}
    )
    assert not outcome.ok
    assert outcome.text.startswith("Nothing was done")


# -- who may act


@pytest.mark.parametrize(
    "changes",
    [
        {"REMOTE_ADDR": "192.168.1.20"},
        {"HTTP_HOST": "board.local"},
        {"HTTP_HOST": "localhost.example.org"},
        {"HTTP_X_FORWARDED_FOR": "127.0.0.1"},
        {"HTTP_FORWARDED": "for=127.0.0.1"},
        {"HTTP_VIA": "1.1 proxy"},
        {"HTTP_X_REAL_IP": "127.0.0.1"},
        {"HTTP_SEC_FETCH_SITE": "cross-site"},
        {"HTTP_ORIGIN": "http://elsewhere.example"},
        {"HTTP_ORIGIN": "null"},
    ],
)
def test_from_elsewhere_nothing_is_done_and_it_says_so(page: Page, changes: dict[str, str]) -> None:
    page.show(samples.ready())
    html = page.client.get("/").get_data(as_text=True)
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if "/act/alert" in f)
    data = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
    cookie = page.client.get_cookie("form")
    assert cookie is not None
    environ = {**LOCAL, "HTTP_COOKIE": f"form={cookie.value}", **changes}
    answer = page.client.post("/act/alert", data=data, environ_overrides=environ)
    assert answer.status_code == 403
    assert "Nothing was done" in plain(answer.get_data(as_text=True))
    assert page.daemon.asked == []


@pytest.mark.parametrize("token", ["", "0" * 64])
def test_a_form_without_its_token_does_nothing(page: Page, token: str) -> None:
    page.show(samples.ready())
    page.client.get("/")
    data = {"alert": "switch-off-1", "answer": "it-is-off", "token": token, "once": "1"}
    answer = page.client.post("/act/alert", data=data)
    assert answer.status_code == 403
    assert page.daemon.asked == []


def test_where_acting_is_impossible_its_place_says_how(page: Page) -> None:
    page.show(samples.ready())
    page.client.environ_base.update({"REMOTE_ADDR": "192.168.1.20", "HTTP_HOST": "board.local"})
    answer = page.client.get("/")
    html = answer.get_data(as_text=True)
    assert "<form" not in html
    assert html.count('came over plain HTTP. <a href="#phone"') == 3
    by_hand = page.client.get("/hand").get_data(as_text=True)
    assert by_hand.count('came over plain HTTP. <a href="#phone"') == 1
    assert "<form" not in by_hand
    assert "Open it over HTTPS" in html
    assert "ssh -L" in html
    assert not [c for c in answer.headers.getlist("Set-Cookie") if c.startswith("form=")]


@pytest.mark.parametrize("host", ["localhost", "localhost:8088", "127.0.0.1:1", "[::1]:8088", "LOCALHOST"])
@pytest.mark.parametrize("peer", ["127.0.0.1", "::1", "::ffff:127.0.0.1"])
def test_this_board_may_act_under_its_own_names(host: str, peer: str) -> None:
    assert way_of(peer, host, "http", {}, None).local


@given(host=st.text(max_size=30), peer=st.text(max_size=30))
def test_strange_hosts_and_peers_are_refused_without_failing(host: str, peer: str) -> None:
    if way_of(peer, host, "http", {}, None).local:
        assert peer.startswith(("127.", "::1", "::ffff:127"))
        assert "localhost" in host.lower() or "127.0.0.1" in host or "::1" in host


def test_origin_and_fetch_site_must_be_our_own() -> None:
    assert same_origin("localhost:8088", {"Origin": "http://localhost:8088", "Sec-Fetch-Site": "same-origin"})
    assert same_origin("localhost:8088", {})
    assert not same_origin("localhost:8088", {"Origin": "http://localhost:9999"})
    assert not same_origin("localhost:8088", {"Sec-Fetch-Site": "same-site"})


def test_tokens_fit_their_cookie_only() -> None:
    tokens = FormTokens()
    assert tokens.fits("a", tokens.token("a"))
    assert not tokens.fits("b", tokens.token("a"))
    assert not FormTokens().fits("a", tokens.token("a"))
    assert not tokens.fits(None, None)


# -- what is typed


@pytest.mark.parametrize(
    ("typed", "unit", "c"),
    [
        ("-5", "C", -5.0),
        ("−5,5", "C", -5.5),
        ("0", "C", 0.0),
        ("32", "F", 0.0),
        (" 1.5 ", "C", 1.5),
        ("+3", "C", 3.0),
    ],
)
def test_numbers_are_read_as_people_write_them(typed: str, unit: str, c: float) -> None:
    body, wrong = check_hand_form(HandForm("sump", typed, False, unit, "contact"), PLACES)
    assert wrong == {}
    assert body is not None
    assert body["c"] == pytest.approx(c)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"place": "wing"}, "place"),
        ({"value": ""}, "value"),
        ({"value": "1e9"}, "value"),
        ({"value": "nan"}, "value"),
        ({"value": "900"}, "value"),
        ({"unit": "K"}, "unit"),
        ({"method": "guess"}, "method"),
        ({"when": "at", "clock": "24:00"}, "time"),
        ({"when": "at", "clock": ""}, "time"),
        ({"when": "at", "clock": "soon"}, "time"),
        ({"when": "later", "clock": "06:40"}, "time"),
    ],
)
def test_bad_input_gets_a_sentence_at_its_field(changes: dict[str, str], field: str) -> None:
    good = {"place": "sump", "value": "4", "unit": "C", "method": "contact"}
    body, wrong = check_hand_form(HandForm(**{**good, **changes}), PLACES)  # type: ignore[arg-type]
    assert body is None
    assert list(wrong) == [field]
    assert wrong[field].endswith(".")


def test_whatever_is_typed_is_a_plausible_reading_or_refused() -> None:
    taken: set[bool] = set()

    @given(
        st.text(max_size=20) | st.floats(-300, 600).map(lambda x: f"{x:.1f}"),
        st.text(max_size=10) | st.times().map(lambda t: t.strftime("%H:%M")),
        st.booleans(),
        st.sampled_from(["C", "F"]),
    )
    @example("5.5", "05:10", True, "C")
    def look(value: str, clock: str, minus: bool, unit: str) -> None:
        typed = HandForm("sump", value, minus, unit, "contact", "at" if clock else "now", clock)
        body, wrong = check_hand_form(typed, PLACES)
        taken.add(body is not None)
        assert (body is None) == bool(wrong)
        if body is not None:
            assert -60 <= body["c"] <= 200
            assert ("clock" in body) == bool(clock)

    look()
    assert taken == {True, False}, "both came up"


# -- the heater, since when


def test_a_heater_that_came_on_earlier_is_told_with_its_time(page: Page) -> None:
    page.show(samples.sample(heater=HeaterNow(True, "said", None, None, "fixed-pad", "person")))
    page.press("/act/heater-since", page="/hand", since="5.10")
    assert [(c.kind, dict(c.body)) for c in page.daemon.asked] == [
        ("heater-said", {"on": True, "clock": "05:10"})
    ]
    code, text = page.press("/act/heater-since", page="/hand", since="ten")
    assert code == 422
    assert "Write when it came on, such as 05:10" in text
    page.daemon.answers["heater-said"] = (False, "Heat last ended 06:00. Write a time after that.", "since")
    code, text = page.press("/act/heater-since", page="/hand", since="05:20")
    assert (code, text.count("Heat last ended 06:00.")) == (409, 1)
    assert len(page.daemon.asked) == 2


# -- the process


def test_a_fresh_page_loads_no_numerics(tmp_path: Path) -> None:
    write_status(tmp_path / "status.json", samples.heating())
    program = f"""
import json, sys
from pathlib import Path
from probe_agent.config import Settings
import web.serve
from web.app import create_app
from web.source import FileStatusSource
source = FileStatusSource(Path({str(tmp_path)!r}) / "status.json")
client = create_app(source, Path("none"), Settings()).test_client()
assert client.get("/").status_code == 200
print(json.dumps(sorted(sys.modules)))
"""
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        cwd=Path(__file__).parent.parent,
        env={**os.environ, "PYTHONPATH": "."},
    )
    modules = json.loads(done.stdout)
    forbidden = {"numpy", "sqlite_utils", "paho", "apprise", "apscheduler"}
    assert not forbidden & {m.split(".")[0] for m in modules}
    daemons = (
        "probe_agent.thermal",
        "probe_agent.agent",
        "probe_agent.migrations",
        "probe_agent.store.daemon",
    )
    assert not [m for m in modules if m.startswith(daemons)]


def test_the_page_stays_small(tmp_path: Path) -> None:
    """The process as the unit starts it, threads and all, once Now was looked at."""
    write_status(tmp_path / "status.json", samples.heating())
    settings = tmp_path / "settings.toml"
    settings.write_text(f'[store]\nfile = "{tmp_path}/none.db"\nruntime_dir = "{tmp_path}"\n', "utf-8")
    arguments, log = ("--settings", str(settings), "--port", "0"), tmp_path / "log"
    with Process("web.serve", *arguments, log=log, env=of_the_unit("probe-agent-web")) as page:
        page.wait_for(lambda: "Page:" in log.read_text("utf-8"))
        address = re.search(r"http://\S+", log.read_text("utf-8"))[0]  # type: ignore[index]
        for _ in range(4):
            with urlopen(address, timeout=20) as answer:
                assert answer.status == 200
        status = Path(f"/proc/{page.process.pid}/status").read_text("ascii")
    rss_kb = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))
    assert rss_kb <= 40 * 1024


def test_help_and_bad_settings_are_sentences(tmp_path: Path) -> None:
    runner = CliRunner()
    assert "--settings" in runner.invoke(main, ["--help"]).output
    bad = tmp_path / "bad.toml"
    bad.write_text("[page]\nprot = 1\n")
    nowhere = runner.invoke(main, ["--listen", "no such host"])
    assert nowhere.output.startswith(
        "Error: Can't listen on no such host port 8088: there is no such address."
    )
    command = [sys.executable, "-c", "from web.serve import main; main()", "--listen", "203.0.113.9"]
    elsewhere = subprocess.run(command, capture_output=True, text=True, timeout=60)  # RFC 5737: nobody's
    assert "This machine hasn't that address" in elsewhere.stderr
    refused = runner.invoke(main, ["--settings", str(bad)])
    assert refused.exit_code == 1
    assert "Did you mean port?" in refused.output
    assert "Traceback" not in refused.output


# -- plans


@pytest.fixture
def planned(page: Page) -> Page:
    """A page on a record with two departures to come and one that is over."""
    page.show(samples.sample())
    for number, (plan, state) in enumerate(
        ((samples.plan(), "planned"), (samples.late_plan(), "heating"), (samples.plan(), "started")), 1
    ):
        shown = msgspec.structs.replace(plan, departure=number, state=state)
        text = msgspec.json.encode({"departure": {}, "shown": shown}).decode()
        at = utc_seconds(plan.start) + number
        page.daemon.store.commit(
            Batch(statements=[keep_departure(number, None, at, text, state, at, at, None, None)])
        )
    return page


def press_on_plan(page: Page, action: str, **values: str) -> tuple[int, str]:
    html = page.client.get("/plan").get_data(as_text=True)
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if f'"{action}' in f)
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))
    answer = page.client.post(action, data={**hidden, **values}, follow_redirects=True)
    return answer.status_code, plain(answer.get_data(as_text=True))


def test_now_has_one_line_of_the_plan_and_a_way_to_it(planned: Page) -> None:
    text = planned.text("/")
    assert "Engine start 09:00: heat must be on by 05:20, to keep it on 9 mornings in 10." in text
    assert 'href="/plan"' in planned.client.get("/now").get_data(as_text=True)


def test_the_plan_page_shows_each_departure_to_come_and_why_nothing_repeats(planned: Page) -> None:
    text = planned.text("/plan")
    assert "Departure 1, engine start 09:00" in text
    assert "Departure 2, engine start 09:00" in text
    assert "Departure 3" not in text
    assert "heat must be on by 05:20" in text
    assert "about 25 min late, start 09:25" in text
    assert "With cover and plugs on, start 09:01" in text
    assert "Rests on the coldest point now, −6 °C (cylinder 3), four heat-ups of this setup" in text
    assert "nothing repeats by itself" in text
    assert text.count("Timer is set, I leave") == 1
    assert text.count("Did not start") == 1


def test_the_next_departure_is_shown_as_the_document_has_it(planned: Page) -> None:
    """The record is written a few minutes later than the document."""
    planned.show(samples.sample(plan=samples.plan(departure=1, switch_on=samples.minutes_after(-120))))
    assert "heat must be on by 04:50" in planned.text("/plan")


def test_an_empty_plan_page_says_the_next_step(page: Page) -> None:
    text = page.text("/plan")
    assert "No departure is planned" in text
    assert "Plan an engine start" in text
    assert "No status" in text or "status.json" in text


def test_a_plan_is_asked_of_the_daemon_as_typed_and_once(planned: Page) -> None:
    planned.daemon.answers["plan"] = (True, "Engine start Sat 09:00: heat must be on by 05:20.")
    values = {"date": "2027-01-16", "time": "09:00", "certainty": "19/20", "travel_min": "25", "what": "plan"}
    code, text = press_on_plan(planned, "/act/plan", **values)
    assert code == 200
    assert "Done. Engine start Sat 09:00" in text
    (asked,) = planned.daemon.asked
    assert asked.kind == "plan"
    assert asked.body == {
        "start": "2027-01-16T09:00",
        "certainty": "19/20",
        "travel_min": 25.0,
        "uncovered_min": 20.0,
    }


def test_only_asking_plans_nothing_and_keeps_what_was_typed(planned: Page) -> None:
    planned.daemon.answers["what-if"] = (True, "No heat is needed for the engine start Sat 09:00.")
    values = {"date": "2027-01-16", "time": "09:00", "what": "what-if"}
    code, text = press_on_plan(planned, "/act/plan", **values)
    assert code == 200
    assert "No heat is needed for the engine start Sat 09:00." in text
    assert [c.kind for c in planned.daemon.asked] == ["what-if"]


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"date": "tomorrow", "time": "09:00"}, "such as 2026-12-05"),
        ({"date": "2027-01-16", "time": "9"}, "such as 09:00"),
        ({"date": "2027-01-16", "time": "09:00", "certainty": "10/10"}, "how many mornings"),
        ({"date": "2027-01-16", "time": "09:00", "travel_min": "-5"}, "0 to 600"),
        ({"date": "2027-01-16", "time": "09:00", "uncovered_min": "x"}, "0 to 180"),
    ],
)
def test_a_form_that_can_t_be_right_is_refused_at_its_field(
    planned: Page, values: dict[str, str], says: str
) -> None:
    code, text = press_on_plan(planned, "/act/plan", **values)
    assert code == 422
    assert says in text
    assert planned.daemon.asked == []


@pytest.mark.parametrize(
    ("what", "kind"),
    [
        ("started", "started"),
        ("did-not-start", "did-not-start"),
        ("not-flying", "cancel-departure"),
        ("timer-set", "timer-set"),
    ],
)
def test_what_came_of_a_departure_is_told_with_its_number(planned: Page, what: str, kind: str) -> None:
    code, _ = press_on_plan(planned, "/act/departure", what=what, departure="2")
    assert code == 200
    assert [(c.kind, c.body) for c in planned.daemon.asked] == [(kind, {"departure": 2})]


def test_a_departure_is_moved_to_another_local_time(planned: Page) -> None:
    planned.daemon.answers["move-departure"] = (False, "02:30 doesn't exist on that day.")
    code, text = press_on_plan(planned, "/act/move", date="2027-03-28", time="02:30")
    assert code == 409
    assert "Not done. 02:30 doesn't exist on that day." in text
    assert planned.daemon.asked[0].body == {"departure": 1, "start": "2027-03-28T02:30"}


def test_no_act_on_a_plan_without_the_form_s_token_or_from_elsewhere(planned: Page) -> None:
    for action in ("/act/plan", "/act/move", "/act/departure"):
        values = {"date": "2027-01-16", "time": "09:00", "what": "started", "departure": "1", "once": "n"}
        assert planned.client.post(action, data=values).status_code == 403
        assert planned.client.get(action).status_code == 405
        away = {"REMOTE_ADDR": "192.0.2.7"}
        assert planned.client.post(action, data=values, environ_base=away).status_code == 403
    assert planned.daemon.asked == []


def test_a_document_is_decoded_once_and_its_age_goes_on(tmp_path: Path) -> None:
    source = FileStatusSource(tmp_path / "status.json")
    write_status(source.path, samples.aged(samples.heating(), 30))
    first, second = source.read(), source.read()
    assert first.probes is second.probes
    assert first.age_s is not None
    assert second.age_s is not None
    assert 30 <= first.age_s <= second.age_s
    write_status(source.path, samples.ready())
    assert source.read().state == "ready"
    source.path.unlink()
    with pytest.raises(StatusError):
        source.read()


def test_a_page_fetched_for_keeping_leaves_the_form_on_the_screen_its_cookie(page: Page) -> None:
    page.show(samples.heating())
    client = page.client
    unasked = client.get("/hand", headers={"X-Unasked": "1"})
    assert "Set-Cookie" not in unasked.headers
    assert client.get("/hand").headers["Set-Cookie"].startswith("form=")
