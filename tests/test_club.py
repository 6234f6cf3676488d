"""A club's page: what is heard of each board on a real broker, how lines stand, and that nothing is taken."""

from __future__ import annotations

import base64
import gzip
import json
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
import status_samples as samples
import yaml
from click.testing import CliRunner
from club_boards import Boards, a_club, current
from flask.testing import FlaskClient
from real_broker import RealBroker
from scripted import SETTINGS, ScriptedSource, open_agent, tick_until, warming

from probe_agent import words
from probe_agent.broker import DOCUMENT_BYTES, DOCUMENT_EVERY_S, DOCUMENT_EXPIRY_S, document_payload
from probe_agent.config import Settings, SettingsError, load_settings, parse_settings
from probe_agent.status import AlertNow, PlugNow, StatusError
from web.club import heard
from web.club.app import create_club_app
from web.club.heard import Board, Heard
from web.club.rows import warmth_of
from web.club.source import ClubSource, now_s
from web.serve import main

PATIENCE_S = 30.0
ROOT = Path(__file__).parents[1]


class Club:
    """A broker, its boards, and the page that hears them."""

    def __init__(self, folder: Path, more: str = "", lines: str = "") -> None:
        self.broker = RealBroker(folder, lines)
        self.broker.start()
        self.settings = parse_settings(_settings(self.broker.port, more).encode(), "club.toml")
        self.source = ClubSource(self.settings.broker, None)
        self.app = create_club_app(self.source, self.settings)

    def begin(self) -> None:
        self.source.start()
        self.until(lambda: self.source.line.is_listening)

    def until(self, true: Callable[[], bool]) -> None:
        """Return once that holds, looked at with each message."""
        with self.source.line.changed:
            assert self.source.line.changed.wait_for(true, PATIENCE_S)

    def board(self, device: str) -> Board:
        found = self.source.heard.get(device)
        assert found is not None
        return found

    def hears(self, device: str, holds: Callable[[Board], bool]) -> Board:
        """The board once that holds of it."""
        self.until(lambda: (b := self.source.heard.get(device)) is not None and holds(b))
        return self.board(device)

    def client(self) -> FlaskClient:
        client = self.app.test_client()
        client.environ_base.update(REMOTE_ADDR="127.0.0.1", HTTP_HOST="localhost:8090")
        return client

    def page(self, path: str = "/?unit=C&clock=24") -> str:
        answer = self.client().get(path)
        assert answer.status_code == 200, answer.status
        return answer.get_data(as_text=True)


def _settings(port: int, more: str = "") -> str:
    return f'[broker]\nhost = "127.0.0.1"\nport = {port}\n[club]\n{more}'


@pytest.fixture
def club(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Club]:
    monkeypatch.setattr("web.club.rows.REFRESH_S", 0.0)  # each look sees what was heard before it
    found = Club(tmp_path)
    try:
        yield found
    finally:
        found.source.stop()
        found.broker.__exit__()


def ready(board: Board) -> bool:
    return board.status is not None and board.state == "ready"


# -- heard


def test_a_retained_document_is_as_old_as_the_broker_has_counted(club: Club) -> None:
    with Boards(club.broker.port) as boards:
        boards.tell("magpie", current(samples.heating()), expiry_s=DOCUMENT_EXPIRY_S - 3_000)
        boards.tell("kestrel", current(samples.heating()), expiry_s=DOCUMENT_EXPIRY_S - 7)
    club.begin()
    old = club.hears("magpie", ready)
    fresh = club.hears("kestrel", ready)
    now = now_s()
    assert old.age_s(now) == pytest.approx(3_000, abs=PATIENCE_S)
    assert old.standing(now) == "old"
    assert fresh.age_s(now) == pytest.approx(7, abs=PATIENCE_S)
    assert fresh.standing(now) == "fresh"
    assert club.source.of("magpie").read().age_s == pytest.approx(3_000, abs=PATIENCE_S)


def test_without_an_expiry_nobody_knows_how_old_it_is(club: Club) -> None:
    with Boards(club.broker.port) as boards:
        boards.tell("magpie", current(samples.cold()), expiry_s=None)
        club.begin()
        board = club.hears("magpie", ready)
        assert board.age_s(now_s()) is None
        assert "Of unknown age; the board wrote" in club.page("/?state=silent")
        assert 'data-age=""' in club.page("/a/magpie")
        boards.tell("magpie", current(samples.ready(), build="0.4.1"))
        assert club.hears("magpie", lambda b: b.born_s is not None).standing(now_s()) == "fresh"
    assert "Of unknown age" not in club.page("/?state=ready")


@pytest.mark.parametrize(("version", "standing"), [("mqttv50", "old"), ("mqttv311", "unknown")])
def test_a_bridge_that_speaks_mqtt_5_keeps_the_age_and_another_one_loses_it(
    tmp_path: Path, version: str, standing: str
) -> None:
    hub = tmp_path / "hub"
    hub.mkdir()
    with RealBroker(tmp_path) as far, Boards(far.port) as boards:
        boards.tell("magpie", current(samples.cold()), expiry_s=DOCUMENT_EXPIRY_S - 3_000)
        bridge = f"connection far\naddress 127.0.0.1:{far.port}\nbridge_protocol_version {version}\n"
        club = Club(hub, lines=f"{bridge}topic probe-agent/+/status in 1\nrestart_timeout 1\n")
        try:
            club.begin()
            board = club.hears("magpie", lambda b: b.status is not None)
            assert board.standing(now_s()) == standing
        finally:
            club.source.stop()
            club.broker.__exit__()


def test_a_whole_life_is_believed_once_the_broker_was_seen_to_count() -> None:
    heard_ = Heard()
    whole, counted = (document_payload(current(samples.ready(), aircraft=a)) for a in ("Magpie", "Kestrel"))
    heard_.document("magpie", whole, True, DOCUMENT_EXPIRY_S, "run", 1_000.0)
    board = heard_.get("magpie")
    assert board is not None
    assert board.age_s(1_000.0) is None
    heard_.document("kestrel", counted, True, DOCUMENT_EXPIRY_S - 30, "run", 1_001.0)
    board = heard_.get("magpie")
    assert board is not None
    assert board.age_s(1_010.0) == 10.0


def test_a_document_heard_again_is_no_younger() -> None:
    heard_ = Heard()
    payload = document_payload(current(samples.ready()))
    for at_s in (1_000.0, 1_500.0):
        heard_.document("magpie", payload, False, DOCUMENT_EXPIRY_S, "run", at_s)
    board = heard_.get("magpie")
    assert board is not None
    assert board.age_s(1_500.0) == 500.0
    assert board.standing(1_500.0) == "old"


def test_lost_and_stopped_are_said_at_once_and_so_is_back(club: Club) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        boards.tell("magpie", current(samples.cold()))
        boards.tell("kestrel", current(samples.heating()))
        club.hears("magpie", ready)
        club.hears("kestrel", ready)
        boards.is_told("homie/5/magpie/$state", b"lost")
        boards.is_told("homie/5/kestrel/$state", b"disconnected")
        club.hears("magpie", lambda b: b.standing(now_s()) == "lost")
        club.hears("kestrel", lambda b: b.standing(now_s()) == "signed-off")
        assert re.search(r'id="b-magpie".*?Board lost; last heard', club.page("/?state=silent"), re.S)
        assert re.search(r'id="b-kestrel".*?Board stopped; last heard', club.page("/?state=trouble"), re.S)
        assert 'class="now is-old"' in club.page("/a/magpie")
        boards.is_told("homie/5/magpie/$state", b"ready")
        club.hears("magpie", ready)
    assert 'id="b-magpie"' in club.page("/?state=cold")


def test_a_broker_killed_is_said_and_all_grows_old_and_it_comes_back(club: Club) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        boards.tell("magpie", current(samples.heating()))
        boards.is_told("homie/5/magpie/$alert/one-cold-1", b"Cylinder 3 stays behind.")
        club.hears("magpie", lambda b: ready(b) and bool(b.alerts))
    club.broker.kill()
    club.until(lambda: not club.source.line.is_listening)
    assert f"The broker at 127.0.0.1:{club.broker.port} can&#39;t be used" in club.page("/?state=trouble")
    board = club.board("magpie")
    assert board.standing(now_s() + board.limit_s + PATIENCE_S) == "old"
    club.broker.start()
    club.until(lambda: club.source.line.is_listening)
    assert club.source.trouble is None
    assert club.board("magpie").alerts == (), "the broker that came back holds none"
    with Boards(club.broker.port) as boards:
        boards.tell("magpie", current(samples.ready()))
        club.hears("magpie", lambda b: b.status is not None and b.status.state == "ready")


BAD = {
    "no JSON": b"{",
    "no text": b"\xff\xfe",
    "no document": b"[1, 2]",
    "too long": b"x" * (heard.MOST_BYTES + 1),
    "a state nobody knows": document_payload(samples.sample()).replace(b'"heating"', b'"hovering"', 1),
    "a zone nobody knows": document_payload(samples.sample(zone="Nowhere/There")),
    "no time": document_payload(samples.sample()).replace(samples.NOW.encode(), b"yesterday", 1),
    "another version": document_payload(samples.sample(v=2)),
    "no temperature": document_payload(samples.sample(coldest_c=1e9)),
    "nested": b"[" * 9_000,
}


@pytest.mark.parametrize("payload", BAD.values(), ids=BAD.keys())
def test_a_bad_document_is_refused_and_the_one_before_stays(payload: bytes) -> None:
    heard_ = Heard()
    good = document_payload(current(samples.cold()))
    heard_.document("magpie", good, False, DOCUMENT_EXPIRY_S, "run", 1_000.0)
    heard_.document("magpie", payload, False, DOCUMENT_EXPIRY_S, "run", 1_060.0)
    board = heard_.get("magpie")
    assert board is not None
    assert board.status is not None
    assert board.age_s(1_060.0) == 60.0
    assert "is refused" in board.troubles(1_060.0)[0]
    heard_.document("magpie", good.replace(b"Magpie", b"Heron!"), False, DOCUMENT_EXPIRY_S, "run", 1_120.0)
    board = heard_.get("magpie")
    assert board is not None
    assert board.troubles(1_120.0) == ()


def test_bad_documents_on_the_wire_are_said_and_names_that_are_none_passed_over(club: Club) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        boards.is_told("probe-agent/kestrel/status", b"{")
        boards.is_told("probe-agent/Not a name/status", document_payload(current(samples.cold())))
        boards.is_told("homie/5/other-thing/$state", b"ready")
        boards.tell("magpie", current(samples.cold()))
        club.hears("magpie", ready)
    assert {b.device for b in club.source.heard.all()} == {"magpie", "kestrel"}
    assert re.search(r'id="b-kestrel".*?What it wrote last is refused', club.page("/?state=trouble"))
    assert club.client().get("/a/kestrel").status_code == 404


def test_boards_and_alerts_are_bounded() -> None:
    heard_ = Heard()
    payload = document_payload(samples.cold())
    heard_.boards = {f"b{i}": Board(f"b{i}") for i in range(heard.MOST_BOARDS)}
    heard_.document("one-more", payload, False, DOCUMENT_EXPIRY_S, "run", 1.0)
    assert heard_.passed_over
    assert heard_.get("one-more") is None
    for i in range(100):
        heard_.alert("b1", f"alert-{i}", b"x" * 10_000)
        heard_.state(f"early-{i}", b"ready" * 100)
    board = heard_.get("b1")
    assert board is not None
    assert len(board.alerts) == heard.MOST_ALERTS
    assert max(len(text) for _, text in board.alerts) == heard.MOST_ALERT_LETTERS


def test_two_boards_of_one_name_are_told(club: Club) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        for i, run in enumerate(("first", "second", "first")):
            boards.tell("magpie", current(samples.cold(), build=str(i)), run)
        board = club.hears("magpie", lambda b: b.two_s is not None)
    assert "Two boards write as magpie" in club.page("/?state=trouble")
    assert board.troubles(now_s() + heard.TWO_WRITERS_S + PATIENCE_S) == ()


def test_a_board_that_restarts_is_one_board() -> None:
    heard_ = Heard()
    for i, run in enumerate(("first", "second", "second", "third")):
        payload = document_payload(current(samples.cold(), build=str(i)))
        heard_.document("magpie", payload, False, DOCUMENT_EXPIRY_S, run, float(i))
    board = heard_.get("magpie")
    assert board is not None
    assert board.troubles(4.0) == ()


def test_a_document_taken_away_takes_the_board_away(club: Club) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        boards.tell("magpie", current(samples.cold()))
        club.hears("magpie", ready)
        boards.is_told("probe-agent/magpie/status", b"")
        club.until(lambda: club.source.heard.get("magpie") is None)
    with pytest.raises(StatusError):
        club.source.of("magpie").read()


def test_the_page_takes_what_boards_may_write() -> None:
    assert heard.MOST_BYTES >= DOCUMENT_BYTES
    assert heard.LIFE_S == DOCUMENT_EXPIRY_S
    assert heard.EVERY_S == DOCUMENT_EVERY_S


def test_boards_whose_state_nobody_tells_are_said(club: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        boards.is_told("probe-agent/magpie/status", document_payload(current(samples.cold())))
        club.hears("magpie", lambda b: b.status is not None)
        assert club.source.trouble is None, "it may come yet"
        monkeypatch.setattr("web.club.source.SETTLED_S", -1.0)
        assert "tells no state of 1 board," in (club.source.trouble or "")
        boards.is_told("homie/5/magpie/$state", b"ready")
        club.hears("magpie", ready)
    assert club.source.trouble is None


# -- shown


def told(club: Club, boards: Boards) -> None:
    """The whole club, heard."""
    for device, status in a_club().items():
        boards.tell(device, status)
    for device in a_club():
        club.hears(device, ready)


def order_of(page: str) -> list[tuple[str, list[str]]]:
    """Headings that are shown, with their devices."""
    sections = re.findall(r'<section id="k-([\w-]+)"[^>]*?( hidden)?>(.*?)</section>', page, re.S)
    return [(k, re.findall(r'<li id="b-([\w-]+)"', body)) for k, hidden, body in sections if not hidden]


def test_harm_comes_first_and_each_state_has_its_heading(club: Club) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        told(club, boards)
        shown = order_of(club.page())
        assert shown == [
            ("harm", ["lapwing", "plover"]),
            ("trouble", ["curlew", "dunlin", "linnet", "wigeon"]),
            ("oil-out", ["dipper"]),
            ("warming", ["heron", "kestrel"]),
            ("cooling", ["avocet", "osprey", "siskin"]),
            ("cold", ["magpie"]),
            ("warm", ["merlin"]),
        ]
        locked = PlugNow(locked=samples.minutes_after(-10), tested=True)
        boards.tell("merlin", current(samples.off(), plug=locked, plan=None))
        club.hears("merlin", lambda b: b.status is not None and b.status.plug is not None)
        boards.is_told("homie/5/magpie/$alert/too-weak-9", b"Warms slower than usual.")
        club.hears("magpie", lambda b: bool(b.alerts))
    shown = dict(order_of(club.page()))
    assert shown["locked"] == ["merlin"]
    assert "magpie" in shown["trouble"], "an alert is heard before its document"


@pytest.mark.parametrize(
    ("coldest_c", "steps"),
    [(-40.0, 0), (-1.2, 5), (-1.11, 6), (7.2, 9), (7.25, 10), (90.0, 12), (None, None)],
)
def test_a_bar_reaches_a_mark_from_its_limit_on_alone(coldest_c: float | None, steps: int | None) -> None:
    """30 °F and 45 °F, the limits of the documents here: 6 and 10 of 12 steps."""
    status = msgspec.structs.replace(samples.cold(), need_c=-10 / 9, target_c=65 / 9, coldest_c=coldest_c)
    assert warmth_of(status) == steps
    assert warmth_of(msgspec.structs.replace(status, missing=("cyl-2",))) is None, "nobody knows the coldest"


def test_a_bar_is_drawn_of_what_is_of_now_alone(club: Club) -> None:
    for device, status in a_club().items():
        expiry_s = DOCUMENT_EXPIRY_S if device != "magpie" else None
        club.source.heard.document(device, document_payload(status), False, expiry_s, "run", now_s())
    drawn = dict(re.findall(r'<li id="b-(\w+)".*?<span( class="m m\d+")?>', club.page()))
    assert drawn["magpie"] == ""
    assert drawn["kestrel"].startswith(' class="m m')


def test_filters_by_field_and_state_without_script(club: Club) -> None:
    club.begin()
    with Boards(club.broker.port) as boards:
        told(club, boards)
    page = club.page("/?field=Reedmoor&state=cooling")
    assert order_of(page) == [("cooling", ["avocet", "siskin"])]
    assert '<option value="Reedmoor" selected>' in page
    assert '<option value="cooling" selected>' in page
    assert "2 of 14 aircraft" in page
    assert order_of(club.page("/?field=-")) == []
    assert "No aircraft is like that now." in club.page("/?field=%3Cb%3E")
    assert len(order_of(club.page("/?state=nonsense"))) == 7


def test_one_aircraft_is_shown_by_itself(club: Club) -> None:
    club.begin()
    assert "No board has been heard yet." in club.page()
    with Boards(club.broker.port) as boards:
        boards.tell("magpie", current(samples.heating()))
        club.hears("magpie", ready)
        answer = club.client().get("/?unit=F")
        assert (answer.status_code, answer.headers["Location"]) == (303, "/a/magpie?unit=F")
        assert "All aircraft" not in club.page("/a/magpie")
        boards.tell("kestrel", current(samples.heating()))
        club.hears("kestrel", ready)
    assert ">All aircraft</a>" in club.page("/a/magpie")


@pytest.mark.parametrize("state", samples.STATES)
def test_now_of_a_board_without_store_has_nothing_to_press(club: Club, state: str) -> None:
    club.source.heard.document(
        "magpie", document_payload(current(samples.STATES[state]())), False, DOCUMENT_EXPIRY_S, "run", now_s()
    )
    page = club.page("/a/magpie?unit=C&clock=24")
    assert "<form" not in page
    assert "<button" not in page
    assert 'class="curve"' in page
    links = set(re.findall(r'href="(/[^"#?]*)', page)) - {""}
    assert {p for p in links if not p.startswith("/static/")} == {"/a/magpie"}
    for form in ("ahead", "places", "past"):
        part = club.client().get(f"/a/magpie/curve?curve={form}").get_data(as_text=True)
        assert 'class="curve"' in part
        assert "Past forecasts" not in part


def test_a_curve_that_makes_no_sense_is_said(club: Club) -> None:
    status = current(samples.heating())
    assert status.curve is not None
    broken = msgspec.structs.replace(status.curve, rows=((1.0, 2.0), (None, 3.0)))
    payload = document_payload(msgspec.structs.replace(status, curve=broken))
    club.source.heard.document("magpie", payload, False, DOCUMENT_EXPIRY_S, "run", now_s())
    assert "can&#39;t be read" in club.page("/a/magpie")


def test_what_boards_write_is_text_and_never_markup(club: Club) -> None:
    hostile = "<script>alert(1)</script>\"'&"
    status = current(samples.ready(), aircraft=hostile, field=hostile, alerts=_alert(hostile))
    club.source.heard.document("magpie", document_payload(status), False, DOCUMENT_EXPIRY_S, "run", now_s())
    club.source.heard.document("heron", document_payload(current(samples.cold())), False, 9, "", now_s())
    club.source.heard.alert("magpie", hostile, hostile.encode())
    for path in ("/", "/a/magpie", "/a/magpie/now"):
        assert "<script>alert" not in club.page(path)


def _alert(kind: str) -> tuple[AlertNow, ...]:
    return (AlertNow("one", kind, samples.NOW, False, None, ()),)


# -- polled


def poll(club: Club, client: FlaskClient, tag: str, query: str = "") -> tuple[int, dict[str, Any], str]:
    answer = client.get(f"/rows{query}", headers={"If-None-Match": f'"{tag}"'})
    news = answer.get_json() if answer.status_code == 200 else {}
    return answer.status_code, news, answer.headers.get("ETag", "").strip('"')


def test_a_poll_brings_what_changed_alone(club: Club) -> None:
    take, now = club.source.heard.document, now_s()
    for device, status in a_club().items():
        take(device, document_payload(status), False, DOCUMENT_EXPIRY_S, "run", now)
    client = club.client()
    found = re.search(r'data-tag="([^"]+)"', club.page("/?unit=C&clock=24"))
    assert found is not None
    query = "?unit=C&clock=24&state=cold"
    assert poll(club, client, found[1], query)[0] == 304
    warmer = current(samples.cold(), coldest_c=-4.0, aircraft="Magpie", field="Reedmoor")
    take("magpie", document_payload(warmer), False, DOCUMENT_EXPIRY_S, "run", now + 1)
    code, news, tag = poll(club, client, found[1], query)
    assert code == 200
    assert [row[:2] for row in news["rows"]] == [["magpie", "cold"]]
    assert "−4 °C" in news["rows"][0][3]
    assert "told" not in news
    take("magpie", document_payload(current(samples.heating())), False, DOCUMENT_EXPIRY_S, "run", now + 2)
    code, news, tag = poll(club, client, tag, query)
    assert (news["rows"], news["gone"]) == ([], ["magpie"]), "it left what this page shows"
    take("magpie", b"", False, None, "", now + 3)
    assert poll(club, client, tag, query)[1]["gone"] == ["magpie"]
    for wrong in ("", "0000.1", f"{tag}x", f"{tag}99999999999999999", "..."):
        assert poll(club, client, wrong, query)[1] == {"again": True}


def test_a_page_that_slept_is_told_all_in_answers_of_five_kilobytes(club: Club) -> None:
    """RFC 8259 text packed by the answer's own gzip; names and fields that pack badly."""
    client, chance = club.client(), random.Random(4)
    found = re.search(r'data-tag="([^"]+)"', club.page())
    assert found is not None
    letters = [chr(c) for c in (*range(97, 123), *range(0x3B1, 0x3C9))]
    last = {}
    for device in (f"craft-{n:03d}" for n in range(240)):
        name, field = ("".join(chance.choices(letters, k=60)) for _ in "nf")
        last[device] = current(samples.heating(), aircraft=name, field=field, coldest_c=chance.uniform(-9, 5))
        payload = document_payload(last[device])
        club.source.heard.document(device, payload, False, DOCUMENT_EXPIRY_S, "run", now_s())
    tag, more = found[1], True
    told, sizes = list[str](), list[int]()
    while more:
        headers = {"If-None-Match": f'"{tag}"', "Accept-Encoding": "gzip"}
        answer = client.get("/rows?unit=C&clock=24", headers=headers)
        sizes.append(len(answer.data))
        news = json.loads(gzip.decompress(answer.data))
        tag, more = answer.headers["ETag"].strip('"'), news["more"]
        told += [device for device, *_ in news["rows"]]
        assert news["total"] == 240
        assert len(sizes) < 60
    assert sorted(told) == sorted(last), "each once"
    assert len(sizes) > 5
    assert max(sizes) <= 5_000
    assert poll(club, client, tag, "?unit=C&clock=24")[0] == 304


def test_a_board_expected_and_never_heard_is_said(tmp_path: Path) -> None:
    club = Club(tmp_path, 'boards = ["rook"]\n')
    try:
        assert re.search(r"<b>rook</b></p><p>Nothing was ever heard of it here", club.page())
    finally:
        club.broker.__exit__()


# -- read-only, and for whom


def test_nothing_is_taken(club: Club) -> None:
    club.source.heard.document(
        "magpie", document_payload(current(samples.ready())), False, DOCUMENT_EXPIRY_S, "run", now_s()
    )
    paths = ["/", "/rows", "/a/magpie", "/a/magpie/now", "/act/alert", "/act/plug", "/act/pair", "/pair"]
    for rule in club.app.url_map.iter_rules():
        assert rule.methods is not None
        assert rule.methods <= {"GET", "HEAD", "OPTIONS"}
    for path in paths:
        for method in ("post", "put", "delete", "patch"):
            assert getattr(club.client(), method)(path).status_code in (404, 405)
    for path in ("/plan", "/setup", "/hand", "/curves", "/a/magpie/act/plug", "/a/../etc", "/a/nobody"):
        assert club.client().get(path).status_code == 404


def ask(club: Club, **environ: str) -> int:
    client = club.app.test_client()
    return client.get("/", environ_overrides=environ).status_code


def test_without_a_password_this_machine_alone_looks_and_a_proxy_that_is_named(club: Club) -> None:
    here = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost:8090"}
    forwarded = {**here, "HTTP_HOST": "club.example", "HTTP_X_FORWARDED_FOR": "203.0.113.9"}
    assert ask(club, **here) == 200
    assert ask(club, **{**here, "HTTP_HOST": "evil.example"}) == 403, "another name of this machine"
    assert ask(club, **forwarded) == 403, "a proxy nobody named"
    named = msgspec.structs.replace(club.settings.page, proxy="127.0.0.1")
    club.app = create_club_app(club.source, msgspec.structs.replace(club.settings, page=named))
    assert ask(club, **forwarded) == 200
    assert ask(club, **{**here, "REMOTE_ADDR": "192.168.1.9"}) == 403


def test_a_password_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text("reeds in the morning\n")
    club = Club(tmp_path, f'password_file = "{file}"\n')
    try:
        client = club.app.test_client()
        there: dict[str, Any] = {"environ_overrides": {"REMOTE_ADDR": "192.168.1.9"}}
        answer = client.get("/", **there)
        assert answer.status_code == 401
        assert answer.headers["WWW-Authenticate"].startswith("Basic ")
        assert "magpie" not in answer.get_data(as_text=True)
        for given, code in (("reeds in the morning", 200), ("reeds", 401), ("", 401), ("\xff", 401)):
            basic = base64.b64encode(f"club:{given}".encode()).decode()
            assert client.get("/", headers={"Authorization": f"Basic {basic}"}, **there).status_code == code
        assert client.get("/rows", headers={"Authorization": "Basic ?"}, **there).status_code == 401
        file.write_text("short")
        with pytest.raises(SettingsError, match="fewer than 16"):
            create_club_app(club.source, club.settings)
    finally:
        club.broker.__exit__()


def test_it_isn_t_opened_to_others_without_a_password(tmp_path: Path) -> None:
    file = tmp_path / "club.toml"
    file.write_text(_settings(1883))
    said = CliRunner().invoke(main, ["--settings", str(file), "--listen", "0.0.0.0", "--port", "0"])
    assert said.exit_code == 1
    assert "Set club.password_file" in said.output
    with pytest.raises(SettingsError, match="club needs a broker"):
        parse_settings(b"[club]\n", "club.toml")


def test_its_settings_file_is_one_that_can_be_used() -> None:
    found = load_settings(ROOT / "deploy" / "club.toml")
    assert isinstance(found, Settings)
    assert found.club is not None
    text = (ROOT / "deploy" / "club.toml").read_text("utf-8")
    every = parse_settings(re.sub(r"^# (?=\w+ = )", "", text, flags=re.M).encode(), "club.toml")
    assert every.broker.tls


def test_its_addresses_are_documented(club: Club) -> None:
    told_ = yaml.safe_load((ROOT / "web" / "club" / "openapi.yaml").read_text("utf-8"))
    rules = {re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", r.rule) for r in club.app.url_map.iter_rules()}
    assert set(told_["paths"]) == rules - {"/static/{filename}", "/worker.js", "/manifest.webmanifest"}


# -- said


def test_a_board_tells_its_field_and_only_where_its_settings_do(tmp_path: Path) -> None:
    text = SETTINGS.replace("[aircraft]\n", '[aircraft]\nfield = "Reedmoor"\n', 1)
    for name, told_, expected in (("with", text, "Reedmoor"), ("without", SETTINGS, "")):
        (tmp_path / name).mkdir()
        agent = open_agent(tmp_path / name, ScriptedSource(warming()), text=told_)
        try:
            tick_until(agent, 60)
            assert agent.status is not None
            assert agent.status.field == expected
            assert (b'"field"' in document_payload(agent.status)) is bool(expected)
        finally:
            agent.store.close()


def test_each_state_has_a_heading_and_a_line_that_ends() -> None:
    for state, make in samples.STATES.items():
        status = current(make())
        for standing in ("fresh", "old", "unknown", "lost", "signed-off"):
            assert words.club_heading(status, standing) in words.HEADINGS
        for unit in ("C", "F"):
            line = words.club_line(status, unit)
            assert line.endswith("."), (state, line)
            assert "  " not in line
    assert {words.club_heading(current(m()), "fresh") for m in samples.STATES.values()} <= set(words.HEADINGS)


def test_a_heater_that_was_on_when_its_board_fell_silent_is_trouble_and_harm_stays_harm() -> None:
    assert words.club_heading(samples.heating(), "lost") == "trouble"
    assert words.club_heading(samples.too_hot(), "unknown") == "harm"
    assert words.club_heading(samples.oil_out(), "old") == "oil-out"
    assert words.club_heading(samples.cold(), "lost") == "silent"
