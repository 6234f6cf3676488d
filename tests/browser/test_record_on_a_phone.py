"""The pages Record and Why in a real Chromium at 320 px: they fit, stand out, and lead on by keyboard."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest
import status_samples as samples
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from probe_agent.config import Engine
from probe_agent.readings import Point
from probe_agent.status import MoistureNow, utc_seconds
from probe_agent.store import Batch, KeptSpell, TickRow, close_heatup, keep_spell, open_heatup
from probe_agent.why import why_now

from .conftest import ServedPage
from .test_page_on_a_phone import CONTRAST, wait_for

NOW_AT = utc_seconds(samples.NOW)
SHEET = Engine(clearance_mm=0.06, oil_40_mm2_s=140.0, oil_100_mm2_s=15.0, oil_pour_point_c=-20.0)
COLD = [Point(p, "ok", -12.0, 1.0) for p in ("case-top", "case-nose", "sump")]
SPELL = KeptSpell(
    1, None, "heat-up", NOW_AT, NOW_AT + 7200.0, 615.0, 1020.0, 1425.0, 5400.0, 7200.0, 0.0, 12.0, 4800.0,
    0.0, 3.6e9, 1800.0, 1.8e9, 2.0e9, 2.2e9,
)  # fmt: skip


@pytest.fixture
def recorded(served: ServedPage) -> ServedPage:
    """Heat-ups with figures as long as they get, in two seasons."""
    store = served.daemon.store
    boot = store.begin_boot("boot", NOW_AT, True)
    for number, days in ((1, -400), (2, -1), (3, 0)):
        tick = store.new_tick()
        store.hold(TickRow(tick, 86_400.0 * days, 1.0, (), None))
        spell = replace(SPELL, number=number, began_at=NOW_AT + 86_400.0 * days)
        opened = open_heatup(boot, tick, None, 7.2, 86_400.0 * days)
        store.commit(Batch(statements=[opened, keep_spell(spell, True), close_heatup(tick, "off")]))
    why = why_now(COLD, (-16.0, -14.0, -12.0), SHEET)
    moist = MoistureNow((6.0, 9.3, 11.0), 15.0)
    served.show(msgspec.structs.replace(samples.heating(), why=why, moisture=moist))
    return served


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/record?", "/why?"])
def test_the_pages_fit_and_stand_out(
    recorded: ServedPage, phone: webdriver.Chrome, path: str, scheme: str
) -> None:
    phone.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    phone.get_log("browser")  # what other pages left there
    phone.get(recorded.url.replace("/?", path))
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    for css in (".verdict", ".block p", ".dim", "h2", ".caution", "td, p"):
        assert phone.execute_script(CONTRAST, css) >= 7, css
    pressed = phone.find_elements(By.CSS_SELECTOR, ".act")
    assert len(pressed) >= 2
    assert [e.text for e in pressed if e.rect["height"] < 56] == []
    assert phone.get_log("browser") == []


def test_one_gets_from_now_to_the_record_and_to_an_older_season_by_keys(
    recorded: ServedPage, phone: webdriver.Chrome
) -> None:
    phone.get(recorded.url)
    phone.find_element(By.LINK_TEXT, "Record").send_keys(Keys.ENTER)
    head = wait_for(phone, lambda: phone.find_element(By.CSS_SELECTOR, "h1"))
    assert head.text == "Record, season 2026/27"
    assert len(phone.find_elements(By.CSS_SELECTOR, ".r-each tbody tr")) == 2
    phone.find_element(By.LINK_TEXT, "2025/26").send_keys(Keys.ENTER)
    wait_for(phone, lambda: phone.find_element(By.XPATH, "//h1[contains(., '2025/26')]"))
    assert len(phone.find_elements(By.CSS_SELECTOR, ".r-each tbody tr")) == 1
    for cell in phone.find_elements(By.CSS_SELECTOR, "tbody th"):
        assert cell.get_attribute("scope") == "row"
