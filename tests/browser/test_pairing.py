"""Phones paired at the console, in a real Chromium at 320 px: a real daemon, the page's own process, and a
proxy that makes it HTTPS."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner
from real_daemon import Process, status_in, write_settings
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from tls_proxy import TlsProxy

from probe_agent.cli import main
from probe_agent.pairing import ALPHABET
from probe_agent.store import Reader

from .test_page_on_a_phone import body, wait_for

SEND = """
const [action, values, done] = arguments;
const form = document.querySelector('#phone form');
const data = new URLSearchParams(new FormData(form));
for (const [name, value] of Object.entries(values)) data.set(name, value);
fetch(action, {method: 'POST', body: data}).then(a => done(a.status), () => done(0));
"""
"""What a form of the page would send to another act, with the token the page was given."""


@dataclass
class Hangar:
    """An aircraft's board at work: settings, daemon and page behind HTTPS."""

    folder: Path
    settings: Path
    url: str
    restart_page: Callable[[], None]

    def console(self, command: str, *arguments: str) -> str:
        """What the owner reads after a command. Raises AssertionError where it fails."""
        done = CliRunner().invoke(main, [command, "--settings", str(self.settings), *arguments])
        assert done.exit_code == 0, done.output
        return done.output

    def code(self, *arguments: str) -> str:
        return re.findall("[A-Z]{4}-[A-Z]{4}", self.console("pair", *arguments))[0]

    def taken(self) -> list[tuple[str, float]]:
        """Readings by hand that the daemon has kept."""
        reader = Reader(self.folder / "probe-agent.db")
        try:
            return [(h["place"], h["c"]) for h in reader.hand_readings()]
        finally:
            reader.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def hangar(tmp_path: Path) -> Iterator[Hangar]:
    port = free_port()
    settings = write_settings(tmp_path)
    text = re.sub(
        r"^port = 8088$", f'port = {port}\nproxy = "127.0.0.1"', settings.read_text("utf-8"), flags=re.M
    )
    settings.write_text(text, "utf-8")
    log = tmp_path / "log"
    pages: list[Process] = []

    def restart_page() -> None:
        for old in pages:
            old.end()
        page = Process("web.serve", "--settings", str(settings), log=log)
        pages.append(page)
        page.wait_for(lambda: listens(port))

    try:
        with (
            Process("probe_agent.cli", "try", "--settings", str(settings), "--speed", "1", log=log) as daemon,
            TlsProxy(tmp_path, port) as proxy,
        ):
            restart_page()
            daemon.wait_for(lambda: status_in(tmp_path) is not None)
            yield Hangar(tmp_path, settings, f"https://localhost:{proxy.port}/?unit=C", restart_page)
    finally:
        for page in pages:
            page.end()


def listens(port: int) -> bool:
    with socket.socket() as look:
        return look.connect_ex(("127.0.0.1", port)) == 0


def try_code(phone: webdriver.Chrome, code: str, whose: str = "") -> None:
    """Type a code as a person does, and wait for the answer."""
    before = phone.find_element(By.TAG_NAME, "html").id
    phone.find_element(By.ID, "code").send_keys(code)
    phone.find_element(By.ID, "phone-label").send_keys(whose)
    phone.find_element(By.ID, "pair").click()
    wait_for(phone, lambda: phone.find_element(By.TAG_NAME, "html").id != before)
    wait_for(phone, lambda: phone.find_elements(By.ID, "said"))


def enter_reading(phone: webdriver.Chrome) -> None:
    phone.find_element(By.CSS_SELECTOR, "#by-hand a").click()
    wait_for(phone, lambda: phone.find_elements(By.ID, "h-enter"))
    phone.find_element(By.CSS_SELECTOR, "[name=place][value=cyl-1]").click()
    phone.find_element(By.ID, "hand-value").send_keys("4.5")
    phone.find_element(By.ID, "h-enter").click()
    wait_for(phone, lambda: phone.find_elements(By.CSS_SELECTOR, "#h-ask button"))  # it stands in the cold
    phone.find_elements(By.CSS_SELECTOR, "#h-ask button")[-1].click()


def unlocked(phone: webdriver.Chrome) -> bool:
    """Whether readings can be entered; where not, its place says so."""
    look = "fetch('/hand').then(a => a.text()).then(t => arguments[0](t.includes('id=\"hand-enter\"')))"
    return bool(phone.execute_async_script(look))


def said(phone: webdriver.Chrome) -> str:
    return str(phone.find_element(By.ID, "said").text)


def other_than(code: str) -> str:
    return code[:-1] + next(letter for letter in ALPHABET if letter != code[-1])


def fits(phone: webdriver.Chrome) -> bool:
    return bool(phone.execute_script("return document.documentElement.scrollWidth") == 320)


def new_phone(phone: webdriver.Chrome, url: str) -> None:
    phone.execute_cdp_cmd("Network.clearBrowserCookies", {})
    phone.get(url)


def test_phones_are_paired_act_look_and_are_locked_out(hangar: Hangar, phone: webdriver.Chrome) -> None:
    new_phone(phone, hangar.url)
    assert not unlocked(phone)
    assert "Only a paired phone can do this." in body(phone)
    assert fits(phone)

    code = hangar.code()
    try_code(phone, "AEIO-UAEI")
    assert "can't be a code" in said(phone)
    try_code(phone, other_than(code))
    assert "Four tries are left." in said(phone)
    try_code(phone, code.lower().replace("-", " "), "Pilot's")
    assert said(phone).startswith("Done. This phone may act, until")
    assert fits(phone)
    assert phone.execute_script("return document.cookie") == ""

    hangar.restart_page()
    enter_reading(phone)
    wait_for(phone, lambda: "Kept: cylinder 1 4.5 °C, by hand." in body(phone))
    assert hangar.taken() == [("cyl-1", 4.5)]
    assert re.search(r"1 +Pilot's +may act", hangar.console("sessions"))
    owner = phone.get_cookie("__Host-session")
    assert (owner["secure"], owner["httpOnly"], owner["sameSite"]) == (True, True, "Lax")

    new_phone(phone, hangar.url)
    try_code(phone, code)
    assert "No code is open" in said(phone)

    try_code(phone, hangar.code("--viewer"), "Guest's")
    assert said(phone).startswith("Done. This phone may look, not act, until")
    assert not unlocked(phone)
    assert "This phone is paired to look, not to act." in body(phone)
    reading = {"place": "cyl-2", "value": "9", "unit": "C", "method": "contact", "minutes": "0"}
    assert phone.execute_async_script(SEND, "/act/hand-reading", reading) == 403
    assert hangar.taken() == [("cyl-1", 4.5)]
    assert fits(phone)

    new_phone(phone, hangar.url)
    code = hangar.code()
    for _ in range(5):
        try_code(phone, other_than(code))
    assert "it has ended" in said(phone)
    try_code(phone, code)
    assert "No code is open" in said(phone)

    hangar.console("unpair", "1")
    new_phone(phone, hangar.url)
    kept = {"name": "__Host-session", "value": owner["value"], "path": "/", "secure": True, "httpOnly": True}
    assert phone.execute_cdp_cmd("Network.setCookie", {**kept, "url": hangar.url})["success"]
    phone.get(hangar.url)
    assert not unlocked(phone)
    assert "This phone's pairing has ended." in body(phone)
    assert "Guest's" in hangar.console("sessions")
    log = (hangar.folder / "log").read_text("utf-8")
    assert code not in log
    assert str(owner["value"]) not in log


def test_a_link_is_opened_many_times_and_pairs_by_one_press_of_a_key(
    hangar: Hangar, phone: webdriver.Chrome
) -> None:
    printed = hangar.console("pair", "--viewer")
    code, at = re.findall(r"^Link: https://\S+/pair#(\S+)$", printed, re.M)[0], hangar.url.partition("?")[0]
    for _ in range(5):
        new_phone(phone, "about:blank")
        phone.get(f"{at}pair#{code}")
        wait_for(phone, lambda: field(phone) == code)
        assert fits(phone)
    assert "wrong tries: 0" in hangar.console("sessions"), "it is open as before"
    press_by_keys(phone, "pair")
    wait_for(phone, lambda: phone.find_elements(By.ID, "said"))
    assert said(phone).startswith("Done. This phone may look, not act, until")
    assert code not in phone.current_url
    assert len(re.findall("may look, not act", hangar.console("sessions"))) == 1

    new_phone(phone, "about:blank")
    phone.get(f"{at}pair#{code}")
    wait_for(phone, lambda: field(phone) == code)
    press_by_keys(phone, "pair")
    wait_for(phone, lambda: phone.find_elements(By.ID, "said"))
    assert "No code is open" in said(phone)
    assert code not in (hangar.folder / "log").read_text("utf-8")


def test_a_link_pairs_without_script_by_typing_its_letters(hangar: Hangar, phone: webdriver.Chrome) -> None:
    code = hangar.code()
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    new_phone(phone, f"{hangar.url.partition('?')[0]}pair#{code}")
    assert field(phone) == ""
    assert "type the eight letters that stand behind #" in body(phone)
    try_code(phone, code)
    assert said(phone).startswith("Done. This phone may act, until")


def field(phone: webdriver.Chrome) -> str:
    """What stands in the field for the code."""
    return str(phone.find_element(By.ID, "code").get_property("value"))


def press_by_keys(phone: webdriver.Chrome, button: str) -> None:
    """Go to a button by Tab alone and press it by the space bar."""
    for _ in range(20):
        ActionChains(phone).send_keys(Keys.TAB).perform()
        if phone.switch_to.active_element.get_attribute("id") == button:
            phone.switch_to.active_element.send_keys(Keys.SPACE)
            return
    raise AssertionError(f"#{button} isn't reached by Tab")


def test_what_is_pressed_to_pair_is_large_enough_for_gloves(hangar: Hangar, phone: webdriver.Chrome) -> None:
    new_phone(phone, hangar.url)
    for element in phone.find_elements(
        By.CSS_SELECTOR, "#phone input:not([type=hidden]), #pair, .not-here a"
    ):
        assert element.rect["height"] >= 56, element.get_attribute("outerHTML")
    try_code(phone, hangar.code())
    assert phone.find_element(By.ID, "unpair").rect["height"] >= 56
    phone.find_element(By.ID, "unpair").click()
    wait_for(phone, lambda: "Session 1 has ended" in said(phone))
    assert phone.get_cookie("__Host-session") is None
    assert phone.find_elements(By.ID, "code")
