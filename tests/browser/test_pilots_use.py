"""What a pilot does with Now before driving, in a real Chromium at a name that isn't this machine's own: over
plain HTTP, and over HTTPS with an authority the browser trusts as a phone trusts its owner's."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path

import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from real_https import Authority
from scripted import SETTINGS, ScriptedSource, open_agent, tick_until
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.by import By

from probe_agent.agent import Agent
from probe_agent.readings import Fault

from .at_a_name import SERVED, Field, Way, reached
from .conftest import ServedPage
from .test_by_hand_on_a_phone import touch
from .test_calibrate import answering
from .test_page_on_a_phone import body, come_back, wait_for


@pytest.fixture(params=["http", "https"])
def field(
    request: pytest.FixtureRequest, tmp_path: Path, authority: Authority, trusting: webdriver.Chrome
) -> Iterator[Field]:
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        page = ServedPage(tmp_path, daemon, **SERVED[request.param])
        try:
            with reached(page, request.param, trusting, authority) as field:
                yield field
        finally:
            page.stop()


def later(minutes: float) -> dict[str, str]:
    return {
        "above_p10": samples.minutes_after(minutes - 14),
        "above_p50": samples.minutes_after(minutes),
        "above_p90": samples.minutes_after(minutes + 20),
    }


def test_heating_then_delayed_then_failed(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    first = body(field.phone)
    assert "Warming." in first
    assert "Above target most likely about 08:35." in first
    assert "1 in 10 later than 08:55." in first
    field.page.show(samples.sample(now=samples.minutes_after(15), **later(165)))
    wait_for(field.phone, lambda: "most likely about 09:35" in body(field.phone))
    assert "08:35" not in body(field.phone)
    field.page.show(samples.heater_stopped())
    wait_for(field.phone, lambda: "Heat has stopped." in body(field.phone))
    assert "Have someone look at the heater's plug, its cable and the breaker." in body(field.phone)


def test_an_old_state_is_shown_as_old_and_the_fresh_one_is_believed(field: Field) -> None:
    field.page.show(samples.aged(samples.ready(), 400))
    field.open()
    assert "Nothing heard from the aircraft since 06:50." in body(field.phone)
    assert "Ready" not in body(field.phone)
    field.page.show(samples.ready())
    wait_for(field.phone, lambda: "Ready to start" in body(field.phone))


def test_back_in_front_nothing_is_called_by_its_name_until_an_answer_came(field: Field) -> None:
    field.page.show(samples.ready())
    field.open()
    assert field.seen("#part-verdict .verdict")
    field.hide()
    field.page.open.clear()
    field.show_again()
    assert not field.seen("#part-verdict .verdict")
    assert not field.seen("#part-old .verdict")
    wait_for(field.phone, lambda: field.seen("#part-old .verdict"))
    assert not field.seen("#part-verdict .verdict")
    assert "Nothing heard from the aircraft since 06:50." in body(field.phone)
    field.page.open.set()
    wait_for(field.phone, lambda: field.seen("#part-verdict .verdict"))
    assert "Ready to start" in body(field.phone)


def test_a_hidden_page_asks_nothing_and_asks_at_once_when_it_is_back(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    wait_for(field.phone, lambda: "/now" in field.page.asked)
    field.hide()
    field.page.asked.clear()
    field.phone.execute_async_script("setTimeout(arguments[0], 7000)")  # longer than between two askings
    assert field.page.asked == []
    field.show_again()
    wait_for(field.phone, lambda: "/now" in field.page.asked)


def test_a_tab_taken_from_the_back_forward_store_asks_first(field: Field) -> None:
    field.page.show(samples.ready())
    field.open()
    field.page.open.clear()
    field.phone.execute_script("dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))")
    assert not field.seen("#part-verdict .verdict")
    field.page.open.set()
    wait_for(field.phone, lambda: field.seen("#part-verdict .verdict"))


def test_back_from_another_page_without_contact_nothing_is_called_ready(field: Field) -> None:
    """A tab that was left, or that the phone had thrown away, is asked for anew, not taken from a store."""
    field.page.show(samples.ready())
    keep_page(field) if field.secure else field.open()
    touch(field.phone, "a[href='/plan']")
    wait_for(field.phone, lambda: field.phone.current_url.endswith("/plan"))
    field.page.stop()
    with suppress(WebDriverException):  # over plain HTTP the browser's own page of errors
        field.phone.back()
    wait_for(field.phone, lambda: "No contact since 06:50." in body(field.phone) or not field.secure)
    assert field.phone.current_url.startswith(field.url)
    assert "Ready" not in body(field.phone)
    assert "above target until" not in body(field.phone)


SOON = SETTINGS.replace("target_c = 7.0", "target_c = 7.0\nsoak_min = 10\nswitch_off_after_ready_min = 10")
ASKED_S, DENIED_S = 54 * 60.0, 75 * 60.0


def left_on(t_s: float) -> Mapping[str, float | Fault]:
    """Warming from the eleventh minute on, and nobody ever switches it off."""
    rise = max(t_s - 600.0, 0.0) / 180.0
    return {"cyl-1": rise + 1.0, "cyl-2": rise, "case-nose": 0.95 * rise, "ambient": -2.0}


@pytest.fixture
def agent(tmp_path: Path) -> Iterator[Agent]:
    """The daemon's heart where heat that is still on has just been asked about."""
    agent = open_agent(tmp_path, ScriptedSource(left_on), text=SOON)
    tick_until(agent, ASKED_S, 60.0)
    try:
        with answering(agent):
            yield agent
    finally:
        agent.store.close()


@pytest.mark.parametrize("way", ["https", "plain"])
def test_an_alert_is_answered_contradicted_by_the_curve_and_asked_anew(
    way: Way, agent: Agent, tmp_path: Path, authority: Authority, trusting: webdriver.Chrome
) -> None:
    page = ServedPage(tmp_path, None, 20.0, **SERVED[way], settings=agent.settings)
    try:
        with reached(page, way, trusting, authority) as field:
            answer_and_be_asked_anew(field, agent)
    finally:
        page.stop()


def answer_and_be_asked_anew(field: Field, agent: Agent) -> None:
    phone, off = field.phone, "#part-alerts button[value='it-is-off']"
    field.open()
    assert "Heat was still on at 08:54" in body(phone)
    assert not field.seen(off), "an unpaired phone only looks"
    assert "Only a paired phone can do this." in body(phone)
    field.pair(agent.store)
    field.open()
    touch(phone, off)
    wait_for(phone, lambda: "Noted: It is off. If the curve contradicts it, I ask again." in body(phone))
    tick_until(agent, ASKED_S + 60.0, 60.0)
    come_back(phone)
    wait_for(phone, lambda: not field.seen("#part-alerts .alert"))
    tick_until(agent, DENIED_S, 60.0)
    come_back(phone)
    wait_for(phone, lambda: field.seen(off))
    assert '"It is off" was said at 08:54, but it still warms.' in body(phone)
    assert agent.status is not None
    assert [a.denied_at for a in agent.status.alerts] == ["2027-01-15T08:54:00Z"]
    touch(phone, off)
    wait_for(phone, lambda: "Noted: It is off." in body(phone))
    if not field.secure:  # of the heater, nothing but off over plain HTTP
        field.open("/calibrate")
        assert "Not over plain HTTP, where only answers and readings by hand are taken." in body(phone)


def test_a_phone_in_another_zone_is_told_whose_time_it_is(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    assert "at field" not in body(field.phone)
    field.phone.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": "America/Boise"})
    try:
        field.open()
        assert "Sat 06:50\nat field, 22:50 here" in body(field.phone)
    finally:
        field.phone.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": "Europe/Oslo"})


def test_a_home_screen_finds_an_icon_and_a_window_of_its_own(field: Field) -> None:
    field.page.show(samples.heating())
    field.open()
    wait_for(field.phone, lambda: field.phone.find_elements(By.CSS_SELECTOR, "link[rel=manifest]"))
    found = field.phone.execute_async_script(
        "const done = arguments[0]; fetch(document.querySelector('link[rel=manifest]').href)"
        ".then(a => a.json()).then(async m => {"
        " const icons = await Promise.all(m.icons.map(i => fetch(i.src)));"
        " done([m.name, m.display, icons.map(i => i.status)]); }, e => done(String(e)));"
    )
    assert found == ["Magpie", "standalone", [200, 200]]
    errors = field.phone.execute_cdp_cmd("Page.getAppManifest", {})["errors"]
    assert errors == []


def keep_page(field: Field) -> None:
    """Load it, and wait until its worker has it."""
    field.open()
    wait_for(field.phone, lambda: field.phone.execute_script("return !!navigator.serviceWorker.controller"))
    wait_for(
        field.phone,
        lambda: field.phone.execute_async_script(
            "const done = arguments[0];"
            "caches.open('now-1').then(c => c.keys()).then(k => done(k.length >= 3), () => done(false));"
        ),
    )


def test_over_plain_http_there_is_no_worker_and_nothing_is_promised(field: Field) -> None:
    if field.secure:
        pytest.skip("of plain HTTP")
    field.page.show(samples.heating())
    field.open()
    assert field.phone.execute_script("return [isSecureContext, 'serviceWorker' in navigator]") == [
        False,
        False,
    ]
    assert "offline" not in body(field.phone)


def test_over_https_the_last_state_is_kept_and_never_calls_it_ready(field: Field) -> None:
    if not field.secure:
        pytest.skip("of HTTPS")
    field.page.show(samples.ready())
    keep_page(field)
    field.open()
    assert "Ready to start" in body(field.phone)
    field.page.stop()
    field.open()
    said = body(field.phone)
    assert "No contact since 06:50." in said
    assert "14 °C" in said
    for word in ("Ready", "ready to", "above target until"):
        assert word not in said
    assert field.phone.execute_script("return getComputedStyle(document.body).fontSize") == "17px"
    age_kept_page(field.phone, 31)
    field.open()
    said = body(field.phone)
    assert "No contact since 06:50." in said
    assert "count the engine as cold" in said
    assert "°C" not in said


def age_kept_page(phone: webdriver.Chrome, minutes: float) -> None:
    """Make what the worker keeps that much older."""
    phone.execute_async_script(
        "const [minutes, done] = arguments; caches.open('now-1').then(async c => {"
        " const kept = await c.match('/'), headers = new Headers(kept.headers);"
        " headers.set('X-Kept-At', String(Number(headers.get('X-Kept-At')) - minutes * 60000));"
        " await c.put('/', new Response(await kept.text(), {headers})); done(); });",
        minutes,
    )


def test_a_worker_asks_first(field: Field) -> None:
    if not field.secure:
        pytest.skip("of HTTPS")
    field.page.show(samples.heating())
    keep_page(field)
    field.page.show(samples.above_target())
    field.open()
    assert "Coldest point above target" in body(field.phone)


def test_a_kept_page_is_followed_as_soon_as_the_board_answers(field: Field) -> None:
    if not field.secure:
        pytest.skip("of HTTPS")
    field.page.show(samples.ready())
    keep_page(field)
    field.page.open.clear()
    field.open()  # the worker gives up asking after eight seconds
    assert "No contact since 06:50." in body(field.phone)
    field.page.open.set()
    wait_for(field.phone, lambda: "Ready to start" in body(field.phone))
