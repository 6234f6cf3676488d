"""The page in a real Chromium at 320 px: what is read, what is pressed, how it grows old."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec
import pytest
import status_samples as samples
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from probe_agent.status import Recent, Status, utc_seconds
from web.present import present_now

from .conftest import ServedPage

SECONDS = 20

CONTRAST = """
const el = document.querySelector(arguments[0]);
const canvas = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
function rgb(color) {
  canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = color; canvas.fillRect(0, 0, 1, 1);
  return [...canvas.getImageData(0, 0, 1, 1).data];
}
function light([r, g, b]) {
  const [x, y, z] = [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * x + 0.7152 * y + 0.0722 * z;
}
let behind = el;
while (behind && rgb(getComputedStyle(behind).backgroundColor)[3] < 255) behind = behind.parentElement;
const a = light(rgb(getComputedStyle(el).color));
const b = light(rgb(getComputedStyle(behind || document.documentElement).backgroundColor));
return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
"""
"""Contrast ratio of an element's text: WCAG 2.2, definitions of contrast ratio and relative luminance."""


def wait_for(browser: webdriver.Chrome, condition: Callable[[], Any]) -> Any:
    """Wait for a truth of the page; a page just being replaced can't be read and is asked again."""
    waiting = WebDriverWait(browser, SECONDS, poll_frequency=0.05, ignored_exceptions=(WebDriverException,))
    return waiting.until(lambda _: condition())


def come_back(browser: webdriver.Chrome) -> None:
    """What a browser tells a page that is in front again: it looks at once instead of at its next turn."""
    browser.execute_script("document.dispatchEvent(new Event('visibilitychange'))")


def body(browser: webdriver.Chrome) -> str:
    return str(browser.find_element(By.TAG_NAME, "body").text)


def spoken_tree(browser: webdriver.Chrome) -> list[dict[str, Any]]:
    """What a screen reader is given."""
    nodes = browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    return [n for n in nodes if not n.get("ignored")]


def names(browser: webdriver.Chrome) -> str:
    return " ".join(str(n.get("name", {}).get("value", "")) for n in spoken_tree(browser))


def with_curve(status: Status) -> Status:
    """An hour and a half of readings behind it, with a gap."""
    end = utc_seconds(status.now)
    known = {p.place: p.c for p in status.probes}
    rows = tuple(
        (end - 60 * i, *(None if c is None else c - i / 12 for c in known.values()))
        for i in range(90, -1, -1)
        if not 30 < i < 45
    )
    return msgspec.structs.replace(status, recent=Recent(tuple(known), rows))


@pytest.mark.parametrize("state", samples.STATES)
def test_a_small_phone_reads_everything_without_scrolling_sideways(
    served: ServedPage, phone: webdriver.Chrome, state: str
) -> None:
    status = with_curve(samples.STATES[state]())
    served.show(status)
    phone.get(served.url)
    view = present_now(msgspec.structs.replace(status, age_s=0.0), "C")
    text = body(phone)
    facts = [said for fact in view.facts for said in fact]
    for said in (view.verdict, view.value, view.announced, view.readiness, *facts, view.next_action):
        assert said is None or said in text
    drawn = [t.text for t in phone.find_elements(By.CSS_SELECTOR, "svg.engine text")]
    for p in view.probes:
        assert p.name in drawn
        assert (p.value or "no value") in drawn
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    spoken = names(phone)
    for p in view.probes:
        assert f"{p.name}: {p.phrase}" in spoken
    assert phone.get_log("browser") == []


def test_the_plug_is_pressed_with_gloves_and_stays_within_reach_on_an_old_page(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(samples.plug_off())
    phone.get(served.url)
    assert phone.execute_script("return document.documentElement.scrollWidth") == 320
    for button in ("plug-off", "plug-lock", "plug-on"):
        box = phone.find_element(By.ID, button).rect
        assert box["height"] >= 56
        assert box["x"] + box["width"] <= 320
    served.show(samples.aged(samples.plug_off(), 300))
    phone.get(served.url)
    shown = {b: phone.find_element(By.ID, b).is_displayed() for b in ("plug-off", "plug-lock", "plug-on")}
    assert shown == {"plug-off": True, "plug-lock": True, "plug-on": False}
    phone.find_element(By.ID, "plug-lock").click()
    wait_for(phone, lambda: "Noted." in body(phone))
    assert [(c.kind, c.body) for c in served.daemon.asked] == [("switch-lock", {})]


@pytest.mark.parametrize("state", samples.STATES)
def test_the_first_screen_answers_from_the_verdict_to_what_comes_next(
    served: ServedPage, phone: webdriver.Chrome, state: str
) -> None:
    served.show(samples.STATES[state]())
    phone.get(served.url)
    for css in (".verdict", ".measured", ".value", ".announced", ".facts", ".next"):
        for found in phone.find_elements(By.CSS_SELECTOR, f"#part-verdict {css}"):
            assert found.rect["y"] + found.rect["height"] <= 568, css


@pytest.mark.parametrize("state", samples.STATES)
def test_the_first_screen_of_an_old_page_says_so_and_what_to_do(
    served: ServedPage, phone: webdriver.Chrome, state: str
) -> None:
    served.show(samples.aged(samples.STATES[state](), 300))
    phone.get(served.url)
    for css in ("#part-old .verdict", "#part-old .measured", "#part-old .next", ".value"):
        found = phone.find_element(By.CSS_SELECTOR, css)
        assert found.text
        assert found.rect["y"] + found.rect["height"] <= 568, css
    said = body(phone)
    assert "Last heard 5 min ago\nSat 06:50" in said
    for word in ("Ready to start", "Above target most likely", "above target until", "Next: Nothing"):
        assert word not in said


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("state", ["heating", "ready", "too-hot"])
def test_verdict_and_values_stand_out(
    served: ServedPage, phone: webdriver.Chrome, state: str, scheme: str
) -> None:
    phone.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    served.show(samples.STATES[state]())
    phone.get(served.url)
    for css in ("#part-verdict .verdict", ".value", ".facts dd", ".facts dt", ".next", ".measured", ".dim"):
        assert phone.execute_script(CONTRAST, css) >= 7, css


def test_what_is_pressed_is_large_enough_for_gloves(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.ready())
    phone.get(served.url)
    phone.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    pressed = phone.find_elements(By.CSS_SELECTOR, ".act, .unit, select, input:not([type=hidden]), .tick")
    small = [
        (e.get_attribute("outerHTML"), e.rect)
        for e in pressed
        if e.is_displayed() and e.get_attribute("type") not in ("checkbox", "radio") and e.rect["height"] < 56
    ]
    assert len(pressed) >= 10
    assert small == []


def test_an_alert_is_answered_once_however_often_it_is_pressed(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(samples.ready())
    phone.get(served.url)
    phone.execute_script(
        "const b = document.getElementById('answer-switch-off-1-it-is-off'); b.click(); b.click(); b.click();"
    )
    wait_for(phone, lambda: "Done." in body(phone))
    phone.refresh()
    assert [(c.kind, c.body["answer"]) for c in served.daemon.asked] == [("answer-alert", "it-is-off")]


def test_an_open_page_follows_the_daemon_without_moving_what_is_read(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(samples.heating())
    phone.get(served.url)
    phone.execute_script(
        "window.moved = 0; new PerformanceObserver(l => l.getEntries().forEach(e => window.moved += e.value))"
        ".observe({type: 'layout-shift', buffered: false});"
        "document.querySelector('#part-engine summary').focus({preventScroll: true});"
        "document.querySelector('#part-engine details').open = true;"
    )
    wait_for(
        phone, lambda: phone.execute_script("return document.querySelector('#part-engine details').open")
    )
    phone.execute_script("window.moved = 0")
    served.show(samples.sample(coldest_c=-5.0))
    come_back(phone)
    wait_for(phone, lambda: "−5 °C" in phone.find_element(By.CSS_SELECTOR, ".value").text)
    assert phone.execute_script("return window.moved") == 0
    assert phone.execute_script("return document.querySelector('#part-engine details').open")


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("cooling", "cold"),
        ("cold", "heating"),
        ("heating", "above-target"),
        ("above-target", "ready"),
        ("heating", "probe-missing"),
        ("cooling", "flown-cooling"),
        ("engine-runs", "flown-cooling"),
    ],
)
def test_another_state_moves_nothing_that_is_in_view(
    served: ServedPage, phone: webdriver.Chrome, before: str, after: str
) -> None:
    """Layout shift 0 on a change of state, on a screen of 320 × 568: all of it is the one block."""
    metrics = {"width": 320, "height": 568, "deviceScaleFactor": 1, "mobile": True}
    phone.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    served.show(samples.STATES[before]())
    phone.get(served.url)
    next_at = phone.find_element(By.CSS_SELECTOR, "#part-verdict .next").rect
    phone.execute_script(
        "window.moved = 0; window.add = es => es.forEach(e => window.moved += e.value);"
        "window.seen = new PerformanceObserver(l => add(l.getEntries()));"
        "seen.observe({type: 'layout-shift', buffered: false});"
    )
    said = "return document.querySelector('#part-verdict .verdict').textContent"
    verdict = phone.execute_script(said)
    served.show(samples.STATES[after]())
    come_back(phone)
    wait_for(phone, lambda: phone.execute_script(said) != verdict)
    phone.execute_async_script(
        "const done = () => { add(seen.takeRecords()); arguments[0](); };"
        "requestAnimationFrame(() => requestAnimationFrame(done));"
    )
    assert phone.execute_script("return window.moved") == 0
    box = phone.find_element(By.CSS_SELECTOR, "#part-verdict .next").rect
    assert abs(box["y"] + box["height"] - next_at["y"] - next_at["height"]) <= 20


def test_an_open_page_goes_on_telling_how_old_it_is(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.aged(samples.heating(), 28))
    phone.get(served.url)
    told = "#part-verdict [data-age-text]"
    assert phone.find_element(By.CSS_SELECTOR, told).text == "20 s ago"
    wait_for(phone, lambda: phone.find_element(By.CSS_SELECTOR, told).text == "30 s ago")


def test_the_live_region_speaks_only_when_the_sentence_changes(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(samples.heating())
    phone.get(served.url)
    phone.execute_script(
        "window.said = []; const live = document.getElementById('live');"
        "new MutationObserver(() => window.said.push(live.textContent))"
        ".observe(live, {childList: true, characterData: true, subtree: true});"
    )
    served.show(samples.sample(coldest_c=-5.0))
    come_back(phone)
    wait_for(phone, lambda: "−5 °C" in phone.find_element(By.CSS_SELECTOR, ".value").text)
    assert phone.execute_script("return window.said") == []
    served.show(samples.above_target())
    come_back(phone)
    wait_for(phone, lambda: phone.execute_script("return window.said.length"))
    assert phone.execute_script("return window.said") == ["Coldest point above target, not yet ready."]


def test_a_daemon_that_stops_is_shown_as_old_in_an_open_page(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    served.show(samples.aged(samples.ready(), 55))
    phone.get(served.url)
    assert "Ready to start" in body(phone)
    wait_for(phone, lambda: "Nothing heard from the aircraft since 06:50." in body(phone))
    assert "Ready to start" not in body(phone)
    assert "Count the engine as cold" in body(phone)
    assert (
        phone.find_element(By.ID, "live").get_attribute("textContent")
        == "Nothing heard from the aircraft since 06:50."
    )


def test_a_page_whose_server_is_gone_grows_old_too(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.aged(samples.ready(), 57))
    phone.get(served.url)
    wait_for(phone, lambda: phone.execute_script("return document.readyState") == "complete")
    served.stop()
    assert "Ready to start" in body(phone)
    wait_for(phone, lambda: "Nothing heard from the aircraft" in body(phone))
    assert "Ready to start" not in body(phone)


def test_a_daemon_that_comes_back_is_believed_again(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.aged(samples.heating(), 100))
    phone.get(served.url)
    assert "Nothing heard from the aircraft" in body(phone)
    served.show(samples.heating())
    wait_for(phone, lambda: "Warming." in body(phone))
    assert "Nothing heard from the aircraft" not in body(phone)


def test_a_page_opened_before_the_daemon_fills_itself(served: ServedPage, phone: webdriver.Chrome) -> None:
    phone.get(served.url)
    assert "No status yet." in body(phone)
    served.show(samples.heating())
    come_back(phone)
    wait_for(phone, lambda: "Warming." in body(phone))
    wait_for(phone, lambda: "Europe/Oslo" in body(phone))


def test_without_script_the_page_is_read_and_answered(served: ServedPage, phone: webdriver.Chrome) -> None:
    served.show(samples.ready())
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    phone.get(served.url)
    spoken = names(phone)
    assert "Ready to start." in spoken
    assert "Sat 06:50" in spoken
    again = next(n for n in spoken_tree(phone) if n["name"]["value"] == "Look again")
    box = phone.execute_cdp_cmd("DOM.getBoxModel", {"backendNodeId": again["backendDOMNodeId"]})["model"]
    assert box["height"] >= 56
    assert box["width"] >= 260
    button = next(
        n
        for n in spoken_tree(phone)
        if n["role"]["value"] == "button" and n["name"]["value"] == "Say it is off"
    )
    node = {"backendNodeId": button["backendDOMNodeId"]}
    phone.execute_cdp_cmd("DOM.scrollIntoViewIfNeeded", node)
    quad = phone.execute_cdp_cmd("DOM.getBoxModel", node)["model"]["content"]
    point = {"x": (quad[0] + quad[2]) / 2, "y": (quad[1] + quad[5]) / 2, "button": "left", "clickCount": 1}
    for kind in ("mousePressed", "mouseReleased"):
        phone.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": kind, **point})
    wait_for(phone, lambda: "Done." in names(phone))
    assert len(served.daemon.asked) == 1


def test_a_page_that_gets_no_answer_asks_ever_more_seldom_up_to_once_a_minute(
    served: ServedPage, phone: webdriver.Chrome
) -> None:
    hurried = (
        "window.waits = []; const later = window.setTimeout.bind(window);"
        "window.setTimeout = (f, ms, ...r) => {"
        " if (f.name !== 'look') return later(f, ms, ...r);"
        " window.waits.push(ms); return later(f, ms / 100, ...r); };"
    )
    added = phone.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": hurried})
    try:
        served.show(samples.heating())
        phone.get(served.url)
        served.stop()
        wait_for(
            phone, lambda: phone.execute_script("return window.waits.filter(w => w === 60000).length > 1")
        )
        waits = phone.execute_script("return window.waits")
    finally:
        phone.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)
    assert waits[0] == 5000
    assert max(waits) == 60_000
    assert [w for w in waits if w != 5000][:4] == [10_000, 20_000, 40_000, 60_000]
