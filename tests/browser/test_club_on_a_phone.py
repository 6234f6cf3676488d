"""A club's page in Chromium at 320 px: by keyboard, in the dark, without script, and as news come."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
import status_samples as samples
from club_boards import Boards, a_club, current
from real_broker import RealBroker
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select
from selenium.webdriver.support.ui import WebDriverWait
from waitress import create_server, wasyncore

from probe_agent.config import parse_settings
from web.club.app import create_club_app
from web.club.source import ClubSource

from .test_accessible import check
from .test_page_on_a_phone import CONTRAST

PATIENCE_S = 30.0
OVERFLOW = "return document.documentElement.scrollWidth"


class ServedClub:
    """Broker, boards and page."""

    def __init__(self, folder: Path) -> None:
        self.broker = RealBroker(folder)
        self.broker.start()
        text = f'[club]\n[broker]\nhost = "127.0.0.1"\nport = {self.broker.port}\n'
        settings = parse_settings(text.encode(), "club.toml")
        self.source = ClubSource(settings.broker, None)
        self.source.start()
        self.until(lambda: self.source.line.is_listening)
        self._server: Any = create_server(
            create_club_app(self.source, settings), host="127.0.0.1", port=0, threads=4
        )
        self._thread = threading.Thread(target=self._server.run, name="club page")
        self._thread.start()
        self.url = f"http://localhost:{self._server.effective_port}"
        self.boards = Boards(self.broker.port).__enter__()

    def until(self, true: Callable[[], bool]) -> None:
        with self.source.line.changed:
            assert self.source.line.changed.wait_for(true, PATIENCE_S)

    def tell(self, device: str, status: Any) -> None:
        """Have a board write, and wait until the page has heard it."""
        self.boards.tell(device, status)
        self.until(
            lambda: (
                (b := self.source.heard.get(device)) is not None
                and b.status is not None
                and (b.status.now, b.status.state) == (status.now, status.state)
            )
        )

    def stop(self) -> None:
        self.boards.__exit__()
        self.source.stop()
        self.broker.__exit__()
        with contextlib.suppress(OSError):
            self._server.trigger.pull_trigger(lambda: wasyncore.close_all(self._server._map))
        self._thread.join()
        self._server.task_dispatcher.shutdown(timeout=10)


@pytest.fixture
def club(tmp_path: Path) -> Iterator[ServedClub]:
    found = ServedClub(tmp_path)
    try:
        for device, status in a_club().items():
            found.tell(device, status)
        yield found
    finally:
        found.stop()


def until(phone: webdriver.Chrome, true: Callable[[], bool]) -> None:
    WebDriverWait(phone, PATIENCE_S).until(lambda _: true())


def shown(phone: webdriver.Chrome) -> list[str]:
    script = "return [...document.querySelectorAll('section:not([hidden]) .club li')].map(li => li.id)"
    return list(phone.execute_script(script))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_nothing_is_cut_at_320_px(
    club: ServedClub, phone: webdriver.Chrome, scheme: str
) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    long_name = "W" * 40
    club.tell("magpie", current(samples.cold(), aircraft=long_name, field=long_name))
    club.boards.is_told("homie/5/merlin/$state", b"lost")
    club.until(lambda: (b := club.source.heard.get("merlin")) is not None and b.state == "lost")
    for path in ("/", "/?state=harm", "/a/kestrel", "/a/merlin"):
        phone.get(club.url + path)
        assert phone.execute_script(OVERFLOW) <= 320, path
        violations, incomplete = check(phone)
        assert violations == [], path
        assert {name for name, _ in incomplete} <= {"color-contrast"}, path
    phone.get(club.url)
    for css in ("#k-harm p", "#k-cold p", "#k-silent strong, .then strong", ".club i", "h2", ".then span"):
        assert phone.execute_script(CONTRAST, css) >= 4.5, css
    assert [e for e in phone.get_log("browser") if e["level"] == "SEVERE"] == []


def test_chosen_by_keys_and_without_script(club: ServedClub, phone: webdriver.Chrome) -> None:
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    phone.get(club.url)
    Select(phone.find_element(By.ID, "field")).select_by_value("Reedmoor")
    Select(phone.find_element(By.ID, "state")).select_by_value("cooling")
    phone.find_element(By.CSS_SELECTOR, ".choose button").send_keys(Keys.ENTER)
    until(phone, lambda: "state=cooling" in phone.current_url)
    assert [li.get_attribute("id") for li in phone.find_elements(By.CSS_SELECTOR, ".club li")] == [
        "b-avocet",
        "b-siskin",
    ]
    phone.find_element(By.CSS_SELECTOR, "#b-avocet a").send_keys(Keys.ENTER)
    until(phone, lambda: phone.current_url.endswith("/a/avocet"))
    assert phone.find_elements(By.CSS_SELECTOR, "form, button") == []
    assert phone.find_element(By.CSS_SELECTOR, "svg.curve").is_displayed()
    phone.find_element(By.LINK_TEXT, "All aircraft").send_keys(Keys.ENTER)
    until(phone, lambda: phone.current_url == f"{club.url}/")


def test_lines_move_where_they_belong_as_news_come(
    club: ServedClub, phone: webdriver.Chrome, monkeypatch: pytest.MonkeyPatch
) -> None:
    phone.get(club.url)
    before = shown(phone)
    assert before[:2] == ["b-lapwing", "b-plover"]
    phone.execute_script("window.here = true; document.querySelector('#b-magpie a').focus()")
    assert phone.execute_script("return document.activeElement.closest('li').id") == "b-magpie"
    club.tell("magpie", current(samples.too_hot(), aircraft="Magpie", field="Reedmoor"))
    monkeypatch.setattr("web.club.rows.POLL_BYTES", 1)  # a line an answer: the page asks on at once
    for n in range(int(PATIENCE_S) // 5 + 1):
        club.tell(f"other-{n}", current(samples.heating(), aircraft=f"Other {n}"))
    club.tell("newcomer", current(samples.cold(), aircraft="Aardwolf"))
    until(phone, lambda: "b-newcomer" in shown(phone))
    until(phone, lambda: shown(phone)[:3] == ["b-lapwing", "b-magpie", "b-plover"])
    assert phone.execute_script("return document.activeElement.closest('li')?.id") == "b-magpie"
    assert "Magpie" in phone.find_element(By.ID, "live").get_attribute("textContent")
    assert phone.find_element(By.ID, "count").text == "22 of 22 aircraft"
    assert phone.find_element(By.CSS_SELECTOR, "#h-harm span").text == "3"
    assert phone.execute_script("return window.here") is True, "the page wasn't loaded again"
    phone.get(club.url)
    assert shown(phone)[:3] == ["b-lapwing", "b-magpie", "b-plover"], "the server says the same order"


def test_a_lost_broker_is_said_on_an_open_page(club: ServedClub, phone: webdriver.Chrome) -> None:
    phone.get(club.url)
    told = phone.find_element(By.ID, "told")
    assert not told.is_displayed()
    club.broker.kill()
    until(phone, told.is_displayed)
    assert "can't be used" in told.text


def test_an_open_page_of_one_aircraft_says_its_news(club: ServedClub, phone: webdriver.Chrome) -> None:
    phone.get(f"{club.url}/a/kestrel?unit=C")
    verdict = "#part-verdict .verdict"
    assert phone.find_element(By.CSS_SELECTOR, verdict).text == "Warming."
    club.tell("kestrel", msgspec.structs.replace(current(samples.ready()), aircraft="Kestrel"))
    until(phone, lambda: phone.find_element(By.CSS_SELECTOR, verdict).text == "Ready to start.")
    club.boards.is_told("homie/5/kestrel/$state", b"lost")
    until(phone, lambda: phone.find_element(By.CSS_SELECTOR, "#part-old .verdict").is_displayed())
    assert phone.find_element(By.CSS_SELECTOR, "#part-old .verdict").text.startswith("Board lost")
    phone.execute_script("document.querySelector('[data-form=places]').click()")
    until(
        phone,
        lambda: bool(phone.find_elements(By.CSS_SELECTOR, "#curve-part [data-form=places][aria-current]")),
    )
