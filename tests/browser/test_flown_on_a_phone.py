"""The question whether it was flown, in a real Chromium at 320 px: it fits, can be read, acts once."""

from __future__ import annotations

import os
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from selenium import webdriver
from selenium.webdriver.common.by import By

from probe_agent import words
from probe_agent.status import Status

from .conftest import ServedPage
from .test_page_on_a_phone import CONTRAST, body, wait_for


def replaced(status: Status, number: int) -> Status:
    """The same question of another outing."""
    assert status.flown is not None
    assert status.flown.asked is not None
    asked = msgspec.structs.replace(status.flown.asked, outing=number)
    return msgspec.structs.replace(status, flown=msgspec.structs.replace(status.flown, asked=asked))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_question_fits_and_stands_out(served: ServedPage, phone: webdriver.Chrome, scheme: str) -> None:
    phone.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    served.show(samples.perhaps_flown())
    phone.get(served.url)
    asked = phone.find_element(By.ID, "part-flown")
    assert "The harness was unplugged 02:50, plugged in again 05:35." in asked.text
    assert "13 days ago; since then two heat-ups without one, one more not known." in asked.text
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    for css in ("#part-flown .announced", "#part-flown .act", "#part-flown .dim", "#part-flown h2"):
        assert phone.execute_script(CONTRAST, css) >= 7, css
    buttons = asked.find_elements(By.CSS_SELECTOR, "button")
    assert [b.text for b in buttons] == list(words.FLEW_ANSWERS.values())
    assert all(b.rect["height"] >= 56 and b.rect["width"] >= 118 for b in buttons)
    if folder := os.environ.get("PICTURES"):
        phone.execute_script("document.getElementById('part-flown').scrollIntoView()")
        (Path(folder) / f"flown-{scheme}.png").write_bytes(phone.get_screenshot_as_png())
    assert phone.get_log("browser") == []


def test_opening_asks_nothing_of_the_daemon_and_pressing_acts_once(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(samples.perhaps_flown())
    for _ in range(10):
        phone.get(served.url)
    assert served.daemon.asked == []
    phone.execute_script(
        "const b = document.getElementById('flew-4-flown-short'); b.click(); b.click(); b.click();"
    )
    wait_for(phone, lambda: "Done." in body(phone))
    phone.refresh()
    assert [(c.kind, c.body) for c in served.daemon.asked] == [("flew", {"what": "flown-short", "outing": 4})]


def test_what_was_told_is_dated_and_can_be_corrected(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.flown_told())
    phone.get(served.url)
    told = phone.find_element(By.ID, "part-flown")
    assert "02:50: short flight, oil not hot long enough (told 06:40)." in told.text
    told.find_element(By.TAG_NAME, "summary").click()
    phone.find_element(By.ID, "flew-4-flown-hot").click()
    wait_for(phone, lambda: "Done." in body(phone))
    assert [c.body for c in served.daemon.asked] == [{"what": "flown-hot", "outing": 4}]


def test_a_new_question_takes_the_place_of_the_old_one(served: ServedPage, phone: webdriver.Chrome) -> None:
    """An open page must not answer for another outing than the one it shows."""
    status = samples.perhaps_flown()
    served.show(status)
    phone.get(served.url)
    served.show(replaced(status, 5))
    phone.execute_script("document.dispatchEvent(new Event('visibilitychange'))")
    wait_for(phone, lambda: phone.find_elements(By.ID, "flew-5-not-flown"))
    phone.find_element(By.ID, "flew-5-not-flown").click()
    wait_for(phone, lambda: "Done." in body(phone))
    assert [c.body for c in served.daemon.asked] == [{"what": "not-flown", "outing": 5}]


def test_without_script_it_is_answered_too(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.perhaps_flown("unknown"))
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    phone.get(served.url)
    assert "The temperatures don't tell." in body(phone)
    phone.find_element(By.ID, "flew-4-unknown").click()
    wait_for(phone, lambda: "Done." in body(phone))
    assert served.daemon.asked[0].body == {"what": "unknown", "outing": 4}
