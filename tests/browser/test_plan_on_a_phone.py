"""The page of plans in a real Chromium at 320 px: it fits, can be read and pressed, and plans."""

from __future__ import annotations

import msgspec
import pytest
import status_samples as samples
from selenium import webdriver
from selenium.webdriver.common.by import By

from probe_agent.status import utc_seconds
from probe_agent.store import Batch, keep_departure

from .conftest import ServedPage
from .test_page_on_a_phone import CONTRAST, wait_for


@pytest.fixture
def planned(served: ServedPage) -> ServedPage:
    """One departure with everything a plan can say."""
    served.show(samples.heating())
    shown = msgspec.structs.replace(samples.late_plan(), departure=1, state="heating")
    text = msgspec.json.encode({"departure": {}, "shown": shown}).decode()
    at = utc_seconds(shown.start)
    served.daemon.store.commit(
        Batch(statements=[keep_departure(1, None, at, text, "heating", at, at, None, None)])
    )
    return served


def open_plan(served: ServedPage, phone: webdriver.Chrome) -> None:
    phone.get_log("browser")  # what other pages left there
    phone.get(served.url.replace("/?", "/plan?"))
    phone.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_plan_fits_and_stands_out(planned: ServedPage, phone: webdriver.Chrome, scheme: str) -> None:
    phone.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    open_plan(planned, phone)
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    for css in (".verdict", ".announced", ".dim", "h2"):
        assert phone.execute_script(CONTRAST, css) >= 7, css
    pressed = phone.find_elements(By.CSS_SELECTOR, ".act, select, input:not([type=hidden]), .tick")
    small = [
        e.get_attribute("outerHTML")
        for e in pressed
        if e.get_attribute("type") not in ("checkbox", "radio") and e.rect["height"] < 56
    ]
    assert len(pressed) >= 12
    assert small == []
    assert phone.get_log("browser") == []


def test_a_start_is_planned_by_the_form(planned: ServedPage, phone: webdriver.Chrome) -> None:
    planned.daemon.answers["plan"] = (True, "Engine start Sat 09:00: heat must be on by 05:20.")
    open_plan(planned, phone)
    phone.execute_script(
        "document.getElementById('plan-date').value = '2027-01-16';"
        "document.getElementById('plan-time').value = '09:00';"
    )
    phone.find_element(By.CSS_SELECTOR, "button[value=plan]").click()
    said = wait_for(phone, lambda: phone.find_element(By.ID, "said"))
    assert "heat must be on by 05:20" in said.text
    assert planned.daemon.asked[0].body["start"] == "2027-01-16T09:00"
