"""A round by hand in a real Chromium at 320 px, by touches: with the board in reach, cut off, and back."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from real_https import Authority
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from probe_agent.status import TakeAlong
from probe_agent.store import TAKE_ALONG

from .at_a_name import SERVED, Field, reached
from .conftest import ServedPage, start_chromium
from .test_accessible import check
from .test_page_on_a_phone import CONTRAST, body, come_back, names, wait_for

NETWORK = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}


def open_page(served: ServedPage, phone: webdriver.Chrome) -> None:
    phone.get(served.url.replace("/?", "/hand?"))
    phone.execute_script("localStorage.clear()")
    phone.refresh()


def touch(phone: webdriver.Chrome, css: str) -> None:
    """A real touch in the middle of the element."""
    element = phone.find_element(By.CSS_SELECTOR, css)
    phone.execute_script("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", element)
    box = phone.execute_script("return arguments[0].getBoundingClientRect().toJSON()", element)
    point = [{"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}]
    phone.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": point})
    phone.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def enter(phone: webdriver.Chrome, place: str, keys: str, minus: bool = False) -> None:
    touch(phone, f".h-tile:has([value={place}])")
    for key in keys:
        touch(phone, f'[data-key="{key}"]')
    if minus:
        touch(phone, '[data-key="minus"]')
    touch(phone, "#h-enter")


def cut(phone: webdriver.Chrome, offline: bool) -> None:
    phone.execute_cdp_cmd("Network.enable", {})
    phone.execute_cdp_cmd("Network.emulateNetworkConditions", {**NETWORK, "offline": offline})


def live(phone: webdriver.Chrome) -> str:
    return str(phone.find_element(By.ID, "h-live").text)


def kept(phone: webdriver.Chrome) -> list[str]:
    return [e.text for e in phone.find_elements(By.CSS_SELECTOR, "#h-kept-list li > span")]


@pytest.fixture
def online(phone: webdriver.Chrome) -> Iterator[webdriver.Chrome]:
    phone.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    try:
        yield phone
    finally:
        cut(phone, False)
        phone.get_log("browser")  # that a network was cut is no trouble of the next test
        phone.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})


def test_a_reading_is_entered_by_touches_and_the_next_place_is_offered(
    served: ServedPage, online: webdriver.Chrome
) -> None:
    phone = online
    served.show(samples.heating())
    open_page(served, phone)
    enter(phone, "cyl-1", "4.5", minus=True)
    wait_for(phone, lambda: live(phone) == "Noted.")
    (asked,) = served.daemon.asked
    assert dict(asked.body) | {"age_s": 0} == {
        "place": "cyl-1",
        "c": -4.5,
        "method": "infrared",
        "unit": "C",
        "age_s": 0,
    }
    assert 0 <= asked.body["age_s"] < 5
    assert phone.find_element(By.ID, "hand-value").get_property("value") == ""
    assert phone.find_element(By.CSS_SELECTOR, "[name=place]:checked").get_attribute("value") == "cyl-2"
    assert kept(phone) == []
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    assert phone.get_log("browser") == []


def test_out_of_reach_entries_stay_and_are_sent_once_in_the_order_they_were_measured(
    served: ServedPage, online: webdriver.Chrome
) -> None:
    phone = online
    served.show(samples.heating())
    open_page(served, phone)
    wait_for(phone, lambda: "Warming." in body(phone))
    cut(phone, True)
    enter(phone, "cyl-1", "3", minus=True)
    wait_for(phone, lambda: "kept here, not counted" in live(phone))
    set_clock(phone, minutes_ago=10)
    enter(phone, "sump", "6", minus=True)
    touch(phone, "[name=when][value=now]")
    enter(phone, "cyl-2", "2", minus=True)
    wait_for(phone, lambda: len(kept(phone)) == 3)
    assert all("kept here, not counted" in line for line in kept(phone))
    assert "No contact with the board since" in body(phone)
    assert "Warming." not in body(phone), "what was known then is not shown as if it held"
    assert served.daemon.asked == []
    cut(phone, False)
    phone.execute_script("dispatchEvent(new Event('online'))")
    wait_for(phone, lambda: not kept(phone))
    assert [(c.body["place"], c.body["c"]) for c in served.daemon.asked] == [
        ("sump", -6.0),
        ("cyl-1", -3.0),
        ("cyl-2", -2.0),
    ]
    assert served.daemon.asked[0].body["clock"]
    assert "No contact" not in body(phone)
    phone.refresh()
    wait_for(phone, lambda: "Warming." in body(phone))
    assert len(served.daemon.asked) == 3


def test_an_entry_whose_answer_was_lost_counts_once(served: ServedPage, online: webdriver.Chrome) -> None:
    """The board has taken it, the phone doesn't know: sent again, it is the same one."""
    phone = online
    served.show(samples.heating())
    open_page(served, phone)
    phone.execute_script(
        "const f = fetch; let lost = 0; window.fetch = async (p, m) => { const a = await f(p, m);"
        " if (m && m.method === 'POST' && lost++ === 0) throw new TypeError('cut'); return a; };"
    )
    enter(phone, "cyl-1", "5")
    wait_for(phone, lambda: "kept here, not counted" in live(phone))
    assert len(served.daemon.asked) == 1
    phone.execute_script("dispatchEvent(new Event('online'))")
    wait_for(phone, lambda: not kept(phone))
    assert live(phone) == "Noted."
    assert len(served.daemon.asked) == 1


def test_entries_outlive_the_page_that_kept_them(served: ServedPage, online: webdriver.Chrome) -> None:
    phone = online
    served.show(samples.heating())
    open_page(served, phone)
    cut(phone, True)
    enter(phone, "cyl-3", "1")
    wait_for(phone, lambda: len(kept(phone)) == 1)
    phone.get("about:blank")
    cut(phone, False)
    phone.get(served.url.replace("/?", "/hand?"))
    wait_for(phone, lambda: served.daemon.asked)
    wait_for(phone, lambda: not kept(phone))
    assert [c.body["place"] for c in served.daemon.asked] == ["cyl-3"]


def test_minus_five_or_five_is_asked_and_answered_by_a_touch(
    served: ServedPage, online: webdriver.Chrome
) -> None:
    phone = online
    served.show(samples.heating())
    served.daemon.answers["hand-reading"] = (False, "Minus 5 or 5 °C? About −5 °C is expected now.", "sign")
    open_page(served, phone)
    enter(phone, "cyl-1", "5")
    wait_for(phone, lambda: "Minus 5 or 5 °C?" in body(phone))
    buttons = phone.find_elements(By.CSS_SELECTOR, "#h-ask button")
    assert [b.text for b in buttons] == ["minus 5 °C", "5 °C"]
    assert all(b.rect["height"] >= 64 for b in buttons)
    assert "not counted" in kept(phone)[0]
    served.daemon.answers.clear()
    touch(phone, "#h-ask button")
    wait_for(phone, lambda: not kept(phone))
    assert [(c.body["c"], c.body.get("sure")) for c in served.daemon.asked] == [(5.0, None), (-5.0, True)]


def test_a_refusal_stands_at_its_field_and_what_was_typed_comes_back(
    served: ServedPage, online: webdriver.Chrome
) -> None:
    phone = online
    served.show(samples.heating())
    open_page(served, phone)
    enter(phone, "cyl-1", "900")
    wait_for(phone, lambda: "No engine metal has that." in body(phone))
    field = phone.find_element(By.ID, "hand-value")
    assert field.get_property("value") == "900"
    assert field.get_attribute("aria-describedby") == "bad-value"
    assert kept(phone) == []
    touch(phone, '[data-key="back"]')
    wait_for(phone, lambda: "No engine metal" not in body(phone))
    touch(phone, "#h-enter")
    wait_for(phone, lambda: live(phone) == "Noted.")
    assert [c.body["c"] for c in served.daemon.asked] == [90.0]


def test_without_a_place_or_number_it_is_said_also_out_of_reach(
    served: ServedPage, online: webdriver.Chrome
) -> None:
    phone = online
    served.show(samples.heating())
    open_page(served, phone)
    cut(phone, True)
    touch(phone, "#h-enter")
    wait_for(phone, lambda: "Choose the place that was measured." in body(phone))
    touch(phone, ".h-tile:has([value=cyl-1])")
    touch(phone, "#h-enter")
    wait_for(phone, lambda: "Write the temperature as a number" in body(phone))
    assert kept(phone) == []


def test_a_round_is_entered_by_keyboard_alone(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.heating())
    open_page(served, phone)
    phone.find_element(By.CSS_SELECTOR, "[name=place]").send_keys(Keys.SPACE)
    phone.switch_to.active_element.send_keys(Keys.TAB)
    phone.switch_to.active_element.send_keys("-4,5", Keys.ENTER)
    wait_for(phone, lambda: live(phone) == "Noted.")
    assert [c.body["c"] for c in served.daemon.asked] == [-4.5]


def test_keys_are_large_enough_for_gloves_and_have_names(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.heating())
    open_page(served, phone)
    for key in phone.find_elements(By.CSS_SELECTOR, ".h-key, .h-tile"):
        assert key.rect["height"] >= 64, key.get_attribute("outerHTML")
        assert key.rect["width"] >= 64, key.get_attribute("outerHTML")
    spoken = names(phone)
    for name in ("Below zero", "Delete the last digit", "Point", "cylinder 1", "Temperature"):
        assert name in spoken


def test_without_script_a_reading_is_entered_doubted_and_answered(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(samples.heating())
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    phone.get(served.url.replace("/?", "/hand?"))
    served.daemon.answers["hand-reading"] = (False, "Minus 5 or 5 °C? About −5 °C is expected now.", "sign")
    phone.find_element(By.CSS_SELECTOR, "[name=place][value=cyl-1]").click()
    phone.find_element(By.ID, "hand-value").send_keys("5")
    phone.find_element(By.ID, "hand-enter").click()
    wait_for(phone, lambda: "Minus 5 or 5 °C?" in names(phone))
    served.daemon.answers.clear()
    phone.find_element(By.CSS_SELECTOR, "#h-asked button").click()
    wait_for(phone, lambda: "Noted." in names(phone))
    assert [(c.body["c"], c.body.get("sure")) for c in served.daemon.asked] == [(5.0, None), (-5.0, True)]


@pytest.fixture
def working(tmp_path: Path) -> Iterator[webdriver.Chrome]:
    """A phone on which a page's worker may work, for one test."""
    browser = start_chromium(tmp_path / "chromium")
    try:
        browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
        yield browser
    finally:
        browser.quit()


def test_on_the_board_s_own_name_the_page_opens_without_contact_and_keeps_entries(
    served: ServedPage, working: webdriver.Chrome
) -> None:
    phone = working
    served.show(samples.heating())
    open_page(served, phone)
    wait_for(phone, lambda: phone.execute_script("return !!navigator.serviceWorker.controller"))
    wait_for(phone, lambda: phone.execute_async_script(HELD, "/hand"))
    served.open.clear()  # nothing answers any more; the worker gives up after eight seconds
    phone.get(served.url.replace("/?", "/hand?"))
    assert "Warming." not in body(phone), "what the board knew is not shown as if it held"
    enter(phone, "cyl-4", "2", minus=True)
    wait_for(phone, lambda: len(kept(phone)) == 1)
    assert served.daemon.asked == []
    served.open.set()
    phone.execute_script("dispatchEvent(new Event('online'))")
    wait_for(phone, lambda: not kept(phone))
    assert [(c.body["place"], c.body["c"]) for c in served.daemon.asked] == [("cyl-4", -2.0)]


@pytest.fixture(params=["https", "plain"])
def field(
    request: pytest.FixtureRequest, tmp_path: Path, authority: Authority, trusting: webdriver.Chrome
) -> Iterator[Field]:
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        page = ServedPage(tmp_path, daemon, **SERVED[request.param])
        try:
            with reached(page, request.param, trusting, authority) as field:
                field.pair()
                page.show(samples.heating())
                field.open("/hand")
                yield field
        finally:
            page.stop()


def enter_a_round(phone: webdriver.Chrome) -> None:
    """Three readings; the second was measured before the others."""
    enter(phone, "cyl-1", "3", minus=True)
    wait_for(phone, lambda: len(kept(phone)) == 1)
    set_clock(phone, minutes_ago=10)
    enter(phone, "sump", "6", minus=True)
    touch(phone, "[name=when][value=now]")
    enter(phone, "cyl-2", "2", minus=True)
    wait_for(phone, lambda: len(kept(phone)) == 3)


IN_ORDER = [("sump", -6.0), ("cyl-1", -3.0), ("cyl-2", -2.0)]


def test_at_the_field_s_name_a_round_outlives_a_cut_network_and_is_sent_once(field: Field) -> None:
    """Over HTTPS the page opens anew without contact, by its worker; plain HTTP says that it can't."""
    phone, asked = field.phone, field.page.daemon.asked
    wait_for(phone, lambda: "Warming." in body(phone))
    assert not field.seen("#h-cut")
    if field.secure:
        wait_for(phone, lambda: phone.execute_script("return !!navigator.serviceWorker.controller"))
        wait_for(phone, lambda: phone.execute_async_script(HELD, "/hand"))
    field.cut()
    enter_a_round(phone)
    assert all("kept here, not counted" in line for line in kept(phone))
    wait_for(phone, lambda: "No contact with the board since" in body(phone))
    assert "Warming." not in body(phone), "what was known then is not shown as if it held"
    assert "Keep this page open." in body(phone)
    assert ("opens again only with contact" in body(phone)) is not field.secure
    if field.secure:
        field.open("/hand")
        wait_for(phone, lambda: len(kept(phone)) == 3)
        assert "Warming." not in body(phone)
    else:
        assert phone.execute_script("return 'serviceWorker' in navigator") is False
        with pytest.raises(WebDriverException, match="ERR_CONNECTION_REFUSED"):
            phone.get(field.at("/hand"))
    assert asked == []
    field.restore()
    if field.secure:
        come_back(phone)
    else:
        field.open("/hand")
    wait_for(phone, lambda: len(asked) == 3 and not kept(phone))
    assert [(c.body["place"], c.body["c"]) for c in asked] == IN_ORDER
    wait_for(phone, lambda: not field.seen("#h-cut") and "Warming." in body(phone))
    field.open("/hand")
    wait_for(phone, lambda: "Warming." in body(phone))
    assert len(asked) == 3


def keep_table(served: ServedPage) -> None:
    table = TakeAlong(
        samples.NOW,
        "winter",
        3,
        7.2,
        True,
        (0.0, -10.0),
        (0.0, -10.0),
        (((1200, 2400, 4300), (1500, 3000, 6100)), ((2400, 4900, 9100), (2500, 5500, None))),
    )
    served.daemon.store.keep(TAKE_ALONG, msgspec.json.encode(table).decode())


@pytest.mark.parametrize(
    ("start", "air", "said"),
    [
        ("-3,5", "-4", "From −10 °C in air of −10 °C: about 1 h 30; from 40 min, open."),
        ("4", "0", "From 0 °C in air of 0 °C: about 40 min; 20 min to 1 h 15."),
        ("−12", "0", "Colder than this table goes: it says nothing of that."),
        ("5", "", ""),
    ],
)
def test_the_table_is_looked_up_toward_the_colder_side_also_without_contact(
    served: ServedPage, online: webdriver.Chrome, start: str, air: str, said: str
) -> None:
    phone = online
    keep_table(served)
    served.show(samples.heating())
    phone.get(served.url.replace("/?", "/take-along?"))
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    cut(phone, True)
    phone.find_element(By.ID, "t-start").send_keys(start)
    phone.find_element(By.ID, "t-air").send_keys(air)
    assert phone.find_element(By.ID, "t-said").text == said


def test_the_table_prints_on_one_sheet_of_either_size_in_letters_of_12_points(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    keep_table(served)
    served.show(samples.heating())
    phone.get(served.url.replace("/?", "/take-along?"))
    for width, height in ((8.27, 11.69), (8.5, 11.0)):
        sheet = phone.execute_cdp_cmd("Page.printToPDF", {"paperWidth": width, "paperHeight": height})
        assert len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(sheet["data"]))) == 1
    phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    phone.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 702, "height": 1000, "deviceScaleFactor": 1, "mobile": False},  # A4 less its margins
    )
    try:
        assert phone.execute_script(SMALLEST) >= 16  # 12 points
        assert phone.execute_script("return document.documentElement.scrollWidth") <= 702
    finally:
        phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})


HELD = """
const [path, done] = arguments;
caches.open('more-1').then(async c => done(!!(await c.match(path)) && (await c.keys()).length >= 3))
  .catch(() => done(false));
"""
SMALLEST = """
return Math.min(...[...document.querySelectorAll('main *')]
  .filter(e => e.checkVisibility() && e.textContent.trim())
  .map(e => parseFloat(getComputedStyle(e).fontSize)));
"""


def set_clock(phone: webdriver.Chrome, minutes_ago: int) -> None:
    """Choose a clock time so many minutes before the field's now."""
    phone.execute_script(
        "const c = document.getElementById('h-clock'), t = new Date(Date.now() - arguments[0] * 60000);"
        "c.value = new Intl.DateTimeFormat('en-GB', {hour: '2-digit', minute: '2-digit', hourCycle: 'h23',"
        " timeZone: document.getElementById('h-form').dataset.zone}).format(t);"
        "c.dispatchEvent(new Event('change', {bubbles: true}));",
        minutes_ago,
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/hand", "/take-along", "/setup"])
def test_axe_finds_nothing_on_these_pages_by_day_and_night(
    served: ServedPage, phone: webdriver.Chrome, path: str, scheme: str
) -> None:
    keep_table(served)
    served.show(samples.heating())
    phone.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    phone.get(served.url.replace("/?", f"{path}?"))
    violations, incomplete = check(phone)
    assert violations == []
    # single signs are left to be judged: computed here
    signs = {'button[data-key="back"]', 'button[data-key="minus"]'}
    assert [found for found in incomplete if found[0] != "color-contrast" or set(found[1]) - signs] == []
    for css in (".h-key", '[data-key="back"]', ".h-enter", ".h-tile") if path == "/hand" else ():
        assert phone.execute_script(CONTRAST, css) >= 7
