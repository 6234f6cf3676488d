"""An owner calibrates in a real Chromium, the daemon's own heart behind the page: a cold soak is checked,
its correction accepted and undone, the card printed."""

from __future__ import annotations

import base64
import re
import shutil
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from scripted import START_UTC, ScriptedSource, open_agent, tick_until
from selenium import webdriver
from selenium.webdriver.common.by import By
from test_correcting import CHECK_S, HIGH_C, HOUR_S, STEP_S, heater, lived, script
from waitress import create_server, wasyncore

from probe_agent.agent import Agent
from web.app import create_app
from web.source import FileStatusSource

from .test_page_on_a_phone import CONTRAST, body, wait_for

SHEETS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
SMALLEST_PT = 12.0
MARGIN_IN = 12 / 25.4
"""As the style sheet's @page has it."""


@pytest.fixture(scope="module")
def winter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of two heat-ups and a cold night."""
    folder = tmp_path_factory.mktemp("winter")
    agent = lived(folder, CHECK_S)
    agent._finish()
    agent.store.close()
    return folder / "probe-agent.db"


class Hangar:
    """A daemon started on that record, answering, and the page before it."""

    def __init__(self, agent: Agent, url: str) -> None:
        self.agent, self.url = agent, url

    def at(self, path: str) -> str:
        return f"{self.url}{path}{'&' if '?' in path else '?'}unit=C"


@contextmanager
def answering(agent: Agent) -> Iterator[None]:
    stop = threading.Event()

    def answer() -> None:
        while not stop.wait(0.05):
            agent.answer_commands()

    thread = threading.Thread(target=answer, name="answering")
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@pytest.fixture
def hangar(winter: Path, tmp_path: Path) -> Iterator[Hangar]:
    shutil.copy(winter, tmp_path / "probe-agent.db")
    agent = open_agent(tmp_path, ScriptedSource(script, heater), START_UTC + CHECK_S, CHECK_S)
    agent.tick()
    app = create_app(
        FileStatusSource(tmp_path / "status.json"), tmp_path / "probe-agent.db", agent.settings, 120.0
    )
    server: Any = create_server(app, host="127.0.0.1", port=0, threads=4)
    thread = threading.Thread(target=server.run, name="page")
    thread.start()
    try:
        with answering(agent):
            yield Hangar(agent, f"http://localhost:{server.effective_port}")
    finally:
        server.trigger.pull_trigger(lambda: wasyncore.close_all(server._map))
        thread.join()
        server.task_dispatcher.shutdown(timeout=10)


def press(phone: webdriver.Chrome, css: str) -> None:
    button = phone.find_element(By.CSS_SELECTOR, css)
    phone.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


def said_of_earlier(phone: webdriver.Chrome, hangar: Hangar) -> list[str]:
    """What the pages of the two earlier heat-ups show: what was announced, and the curve's values."""
    shown = []
    for number in (1, 2):
        phone.get(hangar.at(f"/curves/{number}"))
        phone.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
        shown.append(phone.find_element(By.CSS_SELECTOR, "[aria-labelledby=k-said-head]").text)
        shown.append(str(phone.find_element(By.CSS_SELECTOR, ".k-values").text))
    return shown


def coldest(phone: webdriver.Chrome, hangar: Hangar) -> str:
    phone.get(hangar.at("/"))
    return phone.find_element(By.CSS_SELECTOR, ".value").text


@pytest.mark.parametrize("scripts", [True, False])
def test_an_owner_accepts_a_correction_sees_what_it_changes_and_undoes_it(
    hangar: Hangar, phone: webdriver.Chrome, scripts: bool
) -> None:
    phone.get(hangar.at("/calibrate"))
    assert "No probe is corrected" in body(phone)
    if not scripts:
        phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    press(phone, "#check-cold-soak")
    wait_for(phone, lambda: "would have been above target" in body(phone))
    assert re.search(r"The last two heat-ups would have been above target \d+ min later", body(phone))
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    tick_until(hangar.agent, CHECK_S + 1.25 * HOUR_S, 300.0)
    before, earlier = coldest(phone, hangar), said_of_earlier(phone, hangar)
    phone.get(hangar.at("/calibrate"))
    was = hangar.agent._physics.estimator.forecast().above_p50
    press(phone, "#x-accept")
    wait_for(phone, lambda: "Crankcase nose is corrected from now on" in body(phone))
    assert "crankcase nose −1.0 °C" in phone.find_element(By.ID, "corrections").text
    tick_until(hangar.agent, hangar.agent.clock.monotonic() + STEP_S, STEP_S)
    then = hangar.agent._physics.estimator.forecast().above_p50
    assert was is not None
    assert then is not None
    assert then > was + 30
    assert degrees(coldest(phone, hangar)) <= degrees(before) - HIGH_C + 0.5
    assert said_of_earlier(phone, hangar) == earlier
    phone.get(hangar.at("/calibrate"))
    press(phone, "#corrections button")
    wait_for(phone, lambda: "Undone: crankcase nose is corrected as before" in body(phone))
    assert "undone" in phone.find_element(By.CSS_SELECTOR, ".x-undone").text
    assert hangar.agent.store.offsets_c() == {}
    assert said_of_earlier(phone, hangar) == earlier


def degrees(text: str) -> float:
    return float(text.replace("−", "-").split()[0])


def test_the_card_is_one_sheet_of_large_print(hangar: Hangar, phone: webdriver.Chrome) -> None:
    phone.get(hangar.at("/calibrate/card"))
    assert "No card yet" in body(phone)
    press(phone, "#x-work")
    wait_for(phone, lambda: "/take-along" in phone.current_url)

    def is_whole() -> bool:
        phone.get(hangar.at("/calibrate/card"))
        return bool(phone.find_elements(By.CSS_SELECTOR, ".x-hours"))

    wait_for(phone, is_whole)
    assert "From two heat-ups" in body(phone)
    assert "Wind: not known here" in body(phone)
    print_sheets(phone)


def print_sheets(phone: webdriver.Chrome) -> None:
    """The page prints on one sheet of each size, in greys alone, nothing below 12 pt and nothing cut off."""
    for name, (width, height) in SHEETS.items():
        asked = {"paperWidth": width, "paperHeight": height, "printBackground": False}
        sheet = base64.b64decode(phone.execute_cdp_cmd("Page.printToPDF", asked)["data"])
        assert len(re.findall(rb"/Type\s*/Page\b", sheet)) == 1, name
        assert is_grey(sheet), name
    phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    sizes = phone.execute_script(PRINTED_PT)
    try:
        for name, (width, _) in SHEETS.items():
            inside = round((width - 2 * MARGIN_IN) * 96)
            measures = {"width": inside, "height": 900, "deviceScaleFactor": 1, "mobile": False}
            phone.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", measures)
            assert phone.execute_script("return document.documentElement.scrollWidth") <= inside, name
    finally:
        phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        phone.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
    assert len(sizes) > 40
    assert min(sizes) >= SMALLEST_PT - 1e-6


PHONE = {"width": 320, "height": 568, "deviceScaleFactor": 1, "mobile": True}
PRINTED_PT = """
const out = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const e = walk.currentNode.parentElement;
  if (walk.currentNode.data.trim() && e.checkVisibility() && !e.closest('.unseen'))
    out.push(parseFloat(getComputedStyle(e).fontSize) * 0.75);
}
return out
"""
"""The size of each text that is seen [pt]."""


def is_grey(sheet: bytes) -> bool:
    """Whether every colour set in the sheet's content has three equal parts."""
    found = 0
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", sheet, re.S):
        try:
            content = zlib.decompress(stream)
        except zlib.error:
            continue
        for colour in re.findall(rb"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)\b", content):
            found += 1
            if len(set(colour)) > 1:
                return False
    return found > 0


@pytest.mark.parametrize("path", ["/calibrate", "/calibrate/card"])
def test_nothing_is_wider_than_a_small_phone_and_all_is_large_enough(
    hangar: Hangar, phone: webdriver.Chrome, path: str
) -> None:
    phone.get(hangar.at(path))
    phone.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    pressed = phone.find_elements(By.CSS_SELECTOR, ".act, .unit, select, input:not([type=hidden]), .tick")
    small = [
        e.get_attribute("outerHTML")
        for e in pressed
        if 0 < e.rect["height"] < 56 and e.get_attribute("type") != "radio"
    ]
    assert small == []
    assert phone.execute_script(CONTRAST, ".verdict") >= 7
    assert phone.get_log("browser") == []


def test_a_form_refuses_at_the_field_and_keeps_what_was_typed(
    hangar: Hangar, phone: webdriver.Chrome
) -> None:
    phone.get(hangar.at("/calibrate"))
    press(phone, "#boiling summary")
    phone.find_element(By.ID, "boiling-pressure").send_keys("2992")
    press(phone, "#check-boiling")
    wait_for(phone, lambda: "Choose the probe." in body(phone))
    assert phone.find_element(By.ID, "boiling-pressure").get_attribute("value") == "2992"
    phone.find_element(By.CSS_SELECTOR, "#boiling-place option[value='cyl-1']").click()
    press(phone, "#check-boiling")
    wait_for(phone, lambda: "No field has that pressure. Give 500 to 1100 hPa, or inches." in body(phone))
    assert phone.find_element(By.ID, "boiling-pressure").get_attribute("value") == "2992"
    assert phone.find_element(By.ID, "boiling-pressure").get_attribute("aria-invalid") == "true"
