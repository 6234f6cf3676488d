"""The hub's power fails and a board's with it: the broker comes back with what it saved, the board doesn't.

A real mosquitto with its database, killed by kill -9, its clock moved where time is to pass. Its wills are
gone with it: a board's `$state` stays `ready` there. What the club's page then says is held here.
"""

from __future__ import annotations

import re
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

import status_samples as samples
from club_boards import Boards, current
from club_page import ClubPage
from one_wire_board import MovedClock
from real_broker import MOSQUITTO, RealBroker, retained_on

from probe_agent.broker import DOCUMENT_EXPIRY_S
from probe_agent.config import parse_settings
from probe_agent.status import Status
from web.club.app import create_club_app
from web.club.heard import Board
from web.club.source import ClubSource, now_s

pytestmark = [
    pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto"),
    pytest.mark.skipif(not shutil.which("faketime"), reason="needs faketime"),
]

DEADLINE_S = 30.0
OUTAGE_S = 6 * 3600.0
STATE = "homie/5/magpie/$state"
DOCUMENT = "probe-agent/magpie/status"


def wait_until(true: Callable[[], object], timeout_s: float = DEADLINE_S) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.02)


class Hub(RealBroker):
    """Context manager: mosquitto with its database, and a clock that can be moved."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.clock = MovedClock(folder)
        self.environment = self.clock.environment
        self._database = folder / "mosquitto.db"
        text = self._config.read_text("utf-8")
        kept = f"persistence true\npersistence_location {folder}/\nautosave_interval 300\n"
        assert "persistence false\n" in text
        self._config.write_text(text.replace("persistence false\n", kept), "utf-8")

    def save(self) -> None:
        """What it does by itself each five minutes."""
        before = self._database.stat().st_mtime_ns if self._database.exists() else 0
        self.signal(signal.SIGUSR1)
        wait_until(lambda: self._database.exists() and self._database.stat().st_mtime_ns != before)

    def comes_back(self, after_s: float) -> None:
        """Its power fails, and returns by its own clock so much later."""
        self.kill()
        self.clock.off(after_s)
        self.start()


class Page:
    """The club's page on that hub, in this process."""

    def __init__(self, hub: Hub) -> None:
        made = parse_settings(
            f'[broker]\nhost = "127.0.0.1"\nport = {hub.port}\n[club]\n'.encode(), "club.toml"
        )
        self.source = ClubSource(made.broker, None)
        self._client = create_club_app(self.source, made).test_client()
        self._client.environ_base.update(REMOTE_ADDR="127.0.0.1", HTTP_HOST="localhost:8090")

    def until(self, true: Callable[[], object]) -> None:
        """Return once that holds, looked at with each message."""
        with self.source.line.changed:
            assert self.source.line.changed.wait_for(lambda: bool(true()), DEADLINE_S)

    def hears(self, holds: Callable[[Board], object]) -> Board:
        """Magpie once that holds of it."""
        heard = self.source.heard
        self.until(lambda: (b := heard.get("magpie")) is not None and holds(b))
        found = heard.get("magpie")
        assert found is not None
        return found

    def connected(self) -> None:
        """Return when it listens."""
        self.until(lambda: self.source.line.is_listening)

    def line(self) -> tuple[str, str]:
        """Magpie's heading and line as a reader sees them."""
        page = self._client.get("/?unit=C&clock=24").get_data(as_text=True)
        for heading, body in re.findall(r'<section id="k-([\w-]+)".*?>(.*?)</section>', page, re.S):
            if found := re.search(r'<li id="b-magpie".*?</li>', body, re.S):
                return heading, re.sub(r"\s+", " ", re.sub(r"<.*?>", " ", found[0]))
        return "", ""


@pytest.fixture
def hub(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Hub]:
    monkeypatch.setattr("web.club.rows.REFRESH_S", 0.0)
    monkeypatch.setattr("web.club.pages.Sheet", _always_listed)
    with Hub(tmp_path) as made:
        yield made


def _always_listed(heard: Any, boards: Any, *rest: Any) -> Any:
    """With a second board, so that magpie's line stands among others."""
    from web.club.rows import Sheet

    return Sheet(heard, (*boards, "kestrel"), *rest)


@contextmanager
def page_on(hub: Hub) -> Iterator[Page]:
    made = Page(hub)
    made.source.start()
    try:
        made.connected()
        yield made
    finally:
        made.source.stop()


def written(status: Status, mono_s: float, boot: str = "boot", age_s: float = 0.0) -> Status:
    """A document of one boot of the board, by its monotonic clock."""
    told = current(status, age_s)
    return msgspec.structs.replace(told, run=msgspec.structs.replace(told.run, mono_s=mono_s, boot=boot))


def told(hub: Hub, status: Status) -> None:
    with Boards(hub.port) as boards:
        boards.tell("magpie", status)


# -- what the broker does


@pytest.mark.parametrize("after_s", [0.0, 3_600.0])
def test_expiry_counts_on_while_the_broker_is_down(hub: Hub, after_s: float) -> None:
    """mosquitto saves the instant, not what is left."""
    told(hub, written(samples.cold(), 100.0))
    hub.save()
    hub.comes_back(after_s)
    kept = retained_on(hub.port)
    assert kept[STATE].payload == b"ready", "its will went with it"
    left_s = kept[DOCUMENT].expiry_s
    assert left_s is not None
    assert DOCUMENT_EXPIRY_S - after_s - DEADLINE_S <= left_s <= DOCUMENT_EXPIRY_S - after_s


def test_after_a_day_the_document_is_gone_and_the_state_alone_stays(hub: Hub) -> None:
    """So a page that is begun then knows nothing of it, unless its settings name it."""
    told(hub, written(samples.cold(), 100.0))
    hub.save()
    hub.comes_back(DOCUMENT_EXPIRY_S + 60.0)
    wait_until(lambda: set(retained_on(hub.port)) == {STATE})
    with page_on(hub) as page:
        page.until(lambda: page.source.heard._early)
        assert page.source.heard.all() == []


# -- a page that is begun afterwards


@pytest.mark.parametrize(("status", "heading"), [(samples.cold, "silent"), (samples.heating, "trouble")])
def test_after_a_long_outage_all_is_old_at_once(hub: Hub, status: Callable[[], Status], heading: str) -> None:
    told(hub, written(status(), 100.0, age_s=OUTAGE_S))
    hub.save()
    hub.comes_back(OUTAGE_S)
    with page_on(hub) as page:
        board = page.hears(lambda b: b.state == "ready")
        assert board.age_s(now_s()) == pytest.approx(OUTAGE_S, abs=DEADLINE_S)
        assert (page.line()[0], "Nothing heard since" in page.line()[1]) == (heading, True)


def test_after_a_short_outage_it_is_of_now_for_two_minutes_at_most(hub: Hub) -> None:
    """Counted from its last word, wherever the minutes went."""
    told(hub, written(samples.cold(), 100.0))
    hub.save()
    hub.comes_back(30.0)
    with page_on(hub) as page:
        board = page.hears(lambda b: b.state == "ready")
        assert board.limit_s == 120.0
        assert page.line()[0] == "cold"
        assert board.born_s is not None
        assert now_s() - board.born_s >= 30.0
        assert board.standing(board.born_s + 119.0) == "fresh"
        assert board.standing(board.born_s + 121.0) == "old"


def test_a_hub_whose_clock_stood_still_is_not_believed(hub: Hub) -> None:
    """Without a clock of its own it comes back near the time of its death: its count says seconds, the
    document's own time says hours. What the board writes from then on is of now."""
    hub.kill()
    hub.clock.off(-OUTAGE_S)
    hub.start()
    told(hub, written(samples.cold(), 100.0, age_s=OUTAGE_S))
    hub.save()
    hub.comes_back(-OUTAGE_S + 5.0)
    assert (retained_on(hub.port)[DOCUMENT].expiry_s or 0) > DOCUMENT_EXPIRY_S - DEADLINE_S
    with page_on(hub) as page:
        board = page.hears(lambda b: b.state == "ready")
        assert board.standing(now_s()) == "unknown"
        assert "Of unknown age; the board wrote" in page.line()[1]
        told(hub, written(samples.cold(), 200.0))
        assert page.hears(lambda b: b.born_s is not None).standing(now_s()) == "fresh"


# -- a page that was there


@pytest.mark.parametrize("boot", ["boot", "another boot"])
def test_what_the_page_knew_later_stays(hub: Hub, boot: str) -> None:
    """The hub saved minutes before; it gives the older document back, and the page keeps the newer."""
    with Boards(hub.port) as boards:
        left_s = DOCUMENT_EXPIRY_S - 200
        boards.tell("magpie", written(samples.cold(), 100.0, boot, age_s=200.0), expiry_s=left_s)
    hub.save()
    with page_on(hub) as page:
        page.hears(lambda b: b.state == "ready")
        told(hub, written(samples.heating(), 200.0))
        page.hears(lambda b: b.status is not None and b.status.state == "heating")
        begun = page.source._begun_s
        hub.comes_back(0.0)
        page.until(lambda: page.source.line.is_listening and page.source._begun_s != begun)
        with Boards(hub.port) as boards:
            boards.is_told("homie/5/magpie/$alert/mark", b"Heard after all that was kept.")
        board = page.hears(lambda b: b.alerts)
        assert board.status is not None
        assert board.status.state == "heating"
        assert page.line()[0] == "trouble"


def test_who_was_lost_is_not_ready_again_by_what_was_saved(hub: Hub) -> None:
    told(hub, written(samples.cold(), 100.0))
    hub.save()
    with page_on(hub) as page:
        page.hears(lambda b: b.state == "ready")
        with Boards(hub.port) as boards:
            boards.is_told(STATE, b"lost")
        page.hears(lambda b: b.state == "lost")
        begun = page.source._begun_s
        hub.comes_back(0.0)
        page.until(lambda: page.source.line.is_listening and page.source._begun_s != begun)
        board = page.hears(lambda b: b.back == "ready")
        assert board.standing(now_s()) == "lost"
        assert "Board lost" in page.line()[1]
        told(hub, written(samples.heating(), 200.0))
        assert page.hears(lambda b: b.state == "ready").standing(now_s()) == "fresh"
        assert page.line()[0] == "warming"


def test_who_came_back_while_the_page_was_away_is_ready(hub: Hub) -> None:
    """The page's line alone was gone: what the broker kept meanwhile is newer than what it knew."""
    told(hub, written(samples.cold(), 100.0))
    with page_on(hub) as page:
        with Boards(hub.port) as boards:
            boards.is_told(STATE, b"lost")
        page.hears(lambda b: b.state == "lost")
        page.source.stop()
        told(hub, written(samples.heating(), 200.0))
        again = Page(hub)
        again.source.heard = page.source.heard
        again.source.start()
        try:
            again.hears(lambda b: b.state == "ready" and b.status is not None and b.status.state == "heating")
        finally:
            again.source.stop()


@pytest.mark.long
def test_as_it_is_on_the_wall(hub: Hub, tmp_path: Path) -> None:
    """Real time, the page as a process: how long a board that is gone looks alive."""
    began_s = time.monotonic()
    told(hub, written(samples.cold(), 100.0))
    hub.save()
    hub.comes_back(2.0)
    with ClubPage(tmp_path, hub.port, ["kestrel"]) as page:
        wait_until(lambda: page.shown().get("magpie") is not None)
        assert page.shown()["magpie"].heading == "cold"
        wait_until(lambda: page.shown()["magpie"].heading == "silent", 180.0)
        said_s = time.monotonic() - began_s
        print(f"silent {said_s:.0f} s after its last word: {page.shown()['magpie'].then}")
        assert said_s <= 130.0
