"""The owner at work, on the real daemon's heart: four heat-ups compared, one of them still running, the odd
one left out and taken back."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import mornings
import msgspec
import pytest
from mornings import DAY_S, OFF_S, ON_S
from selenium import webdriver
from selenium.webdriver.common.by import By

from probe_agent.agent import Agent
from probe_agent.config import Settings
from probe_agent.engine_sim import Event, Happening
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.status import Status, read_status

from .conftest import ServedPage
from .test_curves_on_a_phone import at, chart_box, touch, value_text, window
from .test_page_on_a_phone import body, wait_for

EARLIER = 3
NOW_S = EARLIER * DAY_S + ON_S + 1500.0
ODD = 2
WEAKER = Event(DAY_S + ON_S + 1.0, Happening.HEATER_ON, value=0.7)


def settings_in(folder: Path) -> Settings:
    settings = mornings.settings_in(folder)
    kept = msgspec.structs.replace(settings.store, file=str(folder / "store.db"))
    return msgspec.structs.replace(settings, store=kept)


def source() -> SimulatedSource:
    """Four mornings; on the second somebody tried a weaker heater."""
    engine = mornings.engine(EARLIER + 1, [WEAKER])
    return SimulatedSource(engine, start_s=0.0)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of three heat-ups. Copy it, don't write to it."""
    folder = tmp_path_factory.mktemp("owner")
    agent = mornings.open_agent(folder, source(), settings=settings_in(folder))
    mornings.live_mornings(agent, range(EARLIER), OFF_S + 40 * 60.0)
    mornings.close(agent)
    return folder


class Heart:
    """The daemon's heart in the fourth heat-up; it ticks, twice, only after it has answered somebody:
    with the first tick it learns, the second shows it."""

    def __init__(self, folder: Path) -> None:
        start_s = EARLIER * DAY_S
        self.folder = folder
        self.agent: Agent = mornings.open_agent(folder, source(), start_s, settings_in(folder))
        mornings.live_until(self.agent, NOW_S, 180.0)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._beat, name="heart")
        self._thread.start()

    def _beat(self) -> None:
        while not self._stop.wait(0.05):
            if self.agent.store.waiting_commands():
                self.agent.answer_commands()
                mornings.live_until(self.agent, self.agent.clock.monotonic() + 90.0)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        mornings.close(self.agent)

    @property
    def status(self) -> Status:
        return read_status(self.folder / "status.json")

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        db = sqlite3.connect(self.folder / "store.db")
        try:
            return db.execute(sql).fetchall()
        finally:
            db.close()


@pytest.fixture
def heart(lived: Path, tmp_path: Path) -> Iterator[Heart]:
    shutil.copy(lived / "store.db", tmp_path / "store.db")
    beating = Heart(tmp_path)
    try:
        yield beating
    finally:
        beating.stop()


@pytest.fixture
def page(heart: Heart) -> Iterator[ServedPage]:
    served = ServedPage(heart.folder, None, 60.0)  # type: ignore[arg-type]
    try:
        yield served
    finally:
        served.stop()


def press(phone: webdriver.Chrome, css: str) -> None:
    button = phone.find_element(By.CSS_SELECTOR, css)
    phone.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


LEARNED_FROM = "SELECT learned_from FROM memory"
HISTORY = (
    "SELECT heatup, percent, tick, error_s, inside FROM scores ORDER BY heatup, percent",
    "SELECT * FROM forecasts WHERE heatup <= 3 ORDER BY tick",
    "SELECT * FROM readings WHERE tick <= (SELECT max(ended_tick) FROM heatups) ORDER BY tick, place",
)


def test_four_are_compared_the_odd_one_is_left_out_and_taken_back(
    heart: Heart, page: ServedPage, phone: webdriver.Chrome
) -> None:
    phone.get_log("browser")  # what tests before this one left there
    history = [heart.rows(sql) for sql in HISTORY]
    assert all(history)
    phone.get(at(page, "/curves"))
    for number in (4, 3, 2, 1):
        press(phone, f".k-box input[value='{number}']")
    press(phone, "#k-over")
    wait_for(phone, lambda: "Four heat-ups, coldest point" in body(phone))
    whole, box, before_tap = window(phone), chart_box(phone), value_text(phone)
    y, middle = box["y"] + box["h"] / 2, box["x"] + box["w"] * 0.25
    touch(phone, "touchStart", (box["x"] + box["w"] * 0.12, y))
    touch(phone, "touchEnd")
    wait_for(phone, lambda: value_text(phone) != before_tap)
    assert value_text(phone).count("°C") == 4
    touch(phone, "touchStart", (middle - 20, y), (middle + 20, y))
    touch(phone, "touchMove", (middle - 35, y), (middle + 35, y))
    touch(phone, "touchEnd")
    wait_for(phone, lambda: window(phone) != whole)

    press(phone, f".k-legend a[href='/curves/{ODD}']")
    wait_for(phone, lambda: "What was said, and what came" in body(phone))
    press(phone, "#k-ask")
    wait_for(phone, lambda: "would have been above target" in body(phone))
    told = body(phone)
    assert "Without it the last two would have been above target" in told
    assert "earlier" in told or "later" in told
    assert "The range would rest on two heat-ups instead of three." in told
    assert heart.rows("SELECT sum(excluded) FROM heatups") == [(0,)]

    press(phone, "#k-exclude button")
    wait_for(phone, lambda: f"Heat-up {ODD} no longer counts." in body(phone))
    wait_for(phone, lambda: heart.status.learned is not None and heart.status.learned.heat_ups == 2)
    assert heart.rows(LEARNED_FROM) == [("[1, 3]",)]
    assert [heart.rows(sql) for sql in HISTORY] == history
    phone.get(at(page, "/"))
    assert "The range rests on two heat-ups of this setup." in body(phone)
    phone.get(at(page, "/curves"))
    assert "left out of what is learned" in phone.find_element(By.CSS_SELECTOR, ".k-out").text

    phone.get(at(page, f"/curves/{ODD}"))
    press(phone, "#k-ask")
    wait_for(phone, lambda: "With it the last two would have been above target" in body(phone))
    press(phone, "#k-exclude button")
    wait_for(phone, lambda: f"Heat-up {ODD} counts again." in body(phone))
    wait_for(phone, lambda: heart.status.learned is not None and heart.status.learned.heat_ups == 3)
    assert heart.rows(LEARNED_FROM) == [("[1, 2, 3]",)]
    assert [heart.rows(sql) for sql in HISTORY] == history
    phone.get(at(page, "/"))
    assert "The range rests on three heat-ups of this setup." in body(phone)
    assert phone.get_log("browser") == []
