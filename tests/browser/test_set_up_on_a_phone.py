"""An owner sets up at the field, in a real Chromium with the daemon's own heart behind the page: a probe put
elsewhere and back, a target changed, refused and put back."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from scripted import ScriptedSource, open_agent, tick_until
from selenium import webdriver
from selenium.webdriver.common.by import By
from test_binding import BOUND, NEW, TEXT, TWO, wired
from waitress import create_server, wasyncore

from probe_agent.agent import Agent
from web.app import create_app
from web.source import FileStatusSource

from .test_accessible import check
from .test_calibrate import Hangar, answering, press
from .test_page_on_a_phone import CONTRAST, body, wait_for


@pytest.fixture
def hangar(tmp_path: Path) -> Iterator[Hangar]:
    agent = open_agent(tmp_path, ScriptedSource(wired), text=TEXT)
    tick_until(agent, 60)
    app = create_app(
        FileStatusSource(tmp_path / "status.json"), tmp_path / "probe-agent.db", agent.settings, 60.0
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
        agent.store.close()


def put(phone: webdriver.Chrome, address: str, place: str) -> None:
    phone.find_element(By.CSS_SELECTOR, f"select[name='at-{address}'] option[value='{place}']").click()


def read_at(agent: Agent, place: str) -> float | None:
    tick_until(agent, agent.clock.monotonic() + 30)
    assert agent.status is not None
    return next(p.c for p in agent.status.probes if p.place == place)


@pytest.mark.parametrize("scripts", [True, False])
def test_a_probe_that_broke_gives_its_place_to_another_and_gets_it_back(
    hangar: Hangar, phone: webdriver.Chrome, scripts: bool
) -> None:
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not scripts})
    phone.get(hangar.at("/setup"))
    assert f"No place: reads 21.0 °C\nsimulated {NEW}" in body(phone)
    press(phone, "[aria-labelledby=u-probes] summary")
    put(phone, NEW, "cyl-2")
    press(phone, "button[value=preview]")
    wait_for(phone, lambda: "Two probes at cylinder 2." in body(phone))
    put(phone, TWO, "")
    press(phone, "button[value=preview]")
    wait_for(phone, lambda: f"{NEW}: at no place, from now on at cylinder 2" in body(phone))
    assert hangar.agent.store.bindings() == BOUND, "it was only shown"
    press(phone, "#u-preview .act")
    wait_for(phone, lambda: "Another probe from now on: cylinder 2." in body(phone))
    assert read_at(hangar.agent, "cyl-2") == 21.0
    phone.get(hangar.at("/setup"))
    press(phone, "details:has([name=at][value]) summary")
    press(phone, "form[action*=unbind] button")
    wait_for(phone, lambda: "Another probe from now on: cylinder 2." in body(phone))
    assert hangar.agent.store.bindings() == BOUND
    assert read_at(hangar.agent, "cyl-2") == -10.0


def test_a_target_is_refused_at_its_field_then_taken_and_put_back(
    hangar: Hangar, phone: webdriver.Chrome
) -> None:
    phone.get(hangar.at("/setup"))
    press(phone, "#u-target_c summary")
    field = phone.find_element(By.ID, "c-target_c")
    field.clear()
    field.send_keys("-9")
    press(phone, "#u-target_c button[value=change]")
    wait_for(phone, lambda: "Write a temperature from" in phone.find_element(By.ID, "bad-target_c").text)
    field = phone.find_element(By.ID, "c-target_c")
    assert (field.get_attribute("value"), field.get_attribute("aria-invalid")) == ("-9", "true")
    field.clear()
    field.send_keys("10,5")
    press(phone, "#u-target_c button[value=change]")
    wait_for(phone, lambda: "10.5 °C from now on, the settings file says 7.0 °C" in body(phone))
    assert "The file says 7.0 °C; changed" in phone.find_element(By.ID, "u-target_c").text
    phone.get(hangar.at("/"))
    assert "10.5 °C" in body(phone)
    phone.get(hangar.at("/setup"))
    press(phone, "#u-target_c summary")
    press(phone, "#u-target_c form[action*=unchoose] button")
    wait_for(phone, lambda: "7.0 °C from now on, as the settings file says" in body(phone))
    assert hangar.agent.settings.limits.target_c == 7.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_set_up_fits_a_small_phone_and_axe_finds_nothing(
    hangar: Hangar, phone: webdriver.Chrome, scheme: str
) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    phone.get(hangar.at("/setup"))
    phone.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    pressed = phone.find_elements(By.CSS_SELECTOR, ".act, select, input:not([type=hidden])")
    assert [e.get_attribute("outerHTML") for e in pressed if 0 < e.rect["height"] < 56] == []
    assert phone.execute_script(CONTRAST, ".u-one strong") >= 7
    assert phone.get_log("browser") == []
    assert check(phone) == ([], [])
