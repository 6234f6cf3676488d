"""The page behind a message's link, in a real Chromium at 320 px: opened often it changes nothing, one press
acts once, by finger or by keys."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

import msgspec
import pytest
import status_samples as samples
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from probe_agent.status import utc_seconds
from probe_agent.store import Batch, link_hash, open_alert, use_link

from .conftest import ServedPage
from .test_page_on_a_phone import CONTRAST, body, names, wait_for

NOW = utc_seconds(samples.NOW)
TOKEN = "QkFER0VSLUJBREdFUi1CQQ"
HARM, ASKED, TEST = "switch-off:all:1-1", "probe-missing:cyl-1:1-2", "test:pilot"


@dataclass
class Letter:
    """A message's link, open on a phone."""

    served: ServedPage
    phone: webdriver.Chrome
    url: str

    def open(self) -> None:
        self.phone.get(self.url)

    def press(self, key: str = "") -> None:
        """Press the one button, by a finger or a key, and wait for what is said."""
        button = self.phone.find_element(By.ID, "answer")
        if key:
            assert focused_by_tab(self.phone) == "answer"
            self.phone.switch_to.active_element.send_keys(key)
        else:
            button.click()
        wait_for(self.phone, lambda: not self.phone.find_elements(By.ID, "answer"))

    def asked(self) -> list[tuple[str, object]]:
        return [(c.kind, c.body) for c in self.served.daemon.asked]

    def record(self) -> list[str]:
        db = sqlite3.connect(self.served.daemon.store.path)
        try:
            return list(db.iterdump())
        finally:
            db.close()


ONCE = [("answer-link", {"hash": link_hash(TOKEN).hex()})]


def focused_by_tab(phone: webdriver.Chrome) -> str | None:
    """What the first Tab of a freshly loaded page goes to."""
    ActionChains(phone).send_keys(Keys.TAB).perform()
    return phone.switch_to.active_element.get_attribute("id")


def letter_about(served: ServedPage, phone: webdriver.Chrome, alert: str) -> Letter:
    store = served.daemon.store
    opened = [
        open_alert(HARM, "switch-off", None, True, NOW - 600),
        open_alert(ASKED, "probe-missing", "cyl-1", False, NOW - 600),
    ]
    store.commit(Batch(statements=opened))
    store.new_link(TOKEN, alert, "pilot", NOW, NOW + 3600.0)
    shown = msgspec.structs.replace(samples.alert("switch-off", -5), id=HARM)
    served.show(msgspec.structs.replace(samples.ready(), alerts=(shown,)))
    return Letter(served, phone, served.url.partition("?")[0] + f"answer/{TOKEN}")


@pytest.fixture
def harm(served: ServedPage, phone: webdriver.Chrome) -> Letter:
    return letter_about(served, phone, HARM)


def test_opened_many_times_it_changes_nothing(harm: Letter) -> None:
    before = harm.record()
    for _ in range(10):
        harm.open()
        assert harm.phone.find_element(By.ID, "answer").text == "Say it is off"
        harm.phone.refresh()
    harm.phone.back()
    assert harm.asked() == []
    assert harm.record() == before
    assert harm.phone.get_cookies() == []


@pytest.mark.parametrize("key", ["", Keys.ENTER, Keys.SPACE], ids=["finger", "enter", "space"])
def test_one_press_acts_once(harm: Letter, key: str) -> None:
    harm.open()
    harm.press(key)
    assert "Noted. You can close this page." in body(harm.phone)
    assert harm.asked() == ONCE


def test_pressed_again_and_again_it_acts_once(harm: Letter) -> None:
    harm.open()
    harm.phone.execute_script("const b = document.getElementById('answer'); b.click(); b.click(); b.click();")
    wait_for(harm.phone, lambda: not harm.phone.find_elements(By.ID, "answer"))
    harm.phone.refresh()  # sends the form again
    harm.open()
    harm.press()
    assert harm.asked() == ONCE
    harm.served.daemon.store.commit(Batch(statements=[use_link(link_hash(TOKEN), NOW)]))
    harm.open()
    assert "answered already" in body(harm.phone)
    assert not harm.phone.find_elements(By.CSS_SELECTOR, "button, a, input")
    assert harm.asked() == ONCE
    assert all("410 (GONE)" in entry["message"] for entry in harm.phone.get_log("browser"))


@pytest.mark.parametrize("alert", [HARM, ASKED, TEST])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_a_small_phone_and_stands_out(
    served: ServedPage, phone: webdriver.Chrome, alert: str, scheme: str
) -> None:
    letter = letter_about(served, phone, alert)
    phone.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    letter.open()
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    button = phone.find_element(By.ID, "answer")
    assert button.rect["height"] >= 56
    assert button.rect["y"] + button.rect["height"] <= 640, "on the first screen"
    for css in (".verdict", "#answer", ".craft", "main p:last-child"):
        assert phone.execute_script(CONTRAST, css) >= 7, css
    assert button.text in names(phone)
    assert phone.get_log("browser") == []


def test_it_works_without_script(harm: Letter) -> None:
    harm.phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    harm.open()
    harm.press()
    assert harm.asked() == ONCE
