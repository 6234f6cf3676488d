"""What an open page is sent: only what it hasn't, and together with what it has the same page."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from flask.testing import FlaskClient

from probe_agent.config import parse_settings
from probe_agent.status import Status, write_status
from web.app import create_app
from web.parts import Parts, changes, split
from web.source import FileStatusSource

EXAMPLE = Path(__file__).parent.parent / "deploy" / "example.toml"
LOCAL = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost"}


class Open:
    """An open page that asks what is new."""

    def __init__(self, folder: Path) -> None:
        settings = parse_settings(EXAMPLE.read_bytes(), EXAMPLE.name)
        self.file = folder / "status.json"
        app = create_app(FileStatusSource(self.file), folder / "store.db", settings, 5.0)
        self.client: FlaskClient = app.test_client()
        self.client.environ_base.update(LOCAL)
        self.tag = ""

    def show(self, status: Status) -> None:
        write_status(self.file, status)

    def load(self) -> str:
        html = self.client.get("/?unit=C").get_data(as_text=True)
        self.tag = re.findall(r'data-print="(\w+)"', html)[0]
        return html

    def ask(self, **headers: str) -> tuple[int, str, int]:
        """Code, markup, and bytes as sent."""
        known = {"If-None-Match": f'"{self.tag}"', "Accept-Encoding": "gzip", **headers}
        answer = self.client.get("/now", headers=known)
        plain = self.client.get("/now", headers={"If-None-Match": f'"{self.tag}"'})
        return answer.status_code, plain.get_data(as_text=True), len(answer.get_data())


@pytest.fixture
def page(tmp_path: Path) -> Open:
    with AnsweringDaemon(tmp_path / "store.db"):
        pass
    return Open(tmp_path)


def changed_in(html: str) -> dict[str, list[list[object]]]:
    told: dict[str, list[list[object]]] = json.loads(unescape(re.findall('data-changes="([^"]*)"', html)[0]))
    return told


def applied(html: str, told: list[list[object]]) -> str:
    """The markup with such changes made, by other means than the page's script has."""
    tags = list(re.finditer(r"<[a-zA-Z][^>]*>", html))
    for index, name, value in sorted(told, key=lambda c: -int(str(c[0]))):
        tag = tags[int(str(index))]
        if name:
            fresh = re.sub(rf'{name}="[^"]*"', lambda _, n=name, v=value: f'{n}="{v}"', tag[0])
            html = html[: tag.start()] + fresh + html[tag.end() :]
        else:
            end = html.index("<", tag.end())
            html = html[: tag.end()] + str(value) + html[end:]
    return html


def test_nothing_new_is_told_without_a_word(page: Open) -> None:
    page.show(samples.heating())
    page.load()
    assert page.ask()[:2] == (304, "")


def test_a_tick_in_which_every_value_changes_is_short(page: Open) -> None:
    page.show(samples.heating())
    page.load()
    page.show(msgspec.structs.replace(samples.sample(coldest_c=-5.0), now=samples.minutes_after(1)))
    code, html, size = page.ask()
    assert code == 200
    assert size <= 1500
    assert 'id="part-' not in html
    assert {"part-verdict", "part-engine", "part-old"} <= set(changed_in(html))


def test_another_state_is_short_too(page: Open) -> None:
    page.show(samples.heating())
    page.load()
    page.show(samples.above_target())
    code, html, size = page.ask()
    assert code == 200
    assert size <= 1500
    assert 'id="part-verdict"' in html


@pytest.mark.parametrize("before", ["heating", "ready"])
@pytest.mark.parametrize("after", samples.STATES)
def test_what_is_kept_and_what_is_sent_make_the_same_page(page: Open, before: str, after: str) -> None:
    page.show(samples.STATES[before]())
    had = dict(split(page.load())[1])
    page.show(samples.STATES[after]())
    html = page.ask()[1]
    told = changed_in(html)
    sent = dict(split(html + "<!--/now-->")[1])
    names = re.findall('data-parts="([^"]*)"', html)[0].split() or list(had)
    whole = dict(split(page.load())[1])
    assert list(whole) == names
    for name in names:
        if name == "part-curve":
            continue
        mine = sent[name] if name in sent else applied(had[name], told.get(name, []))
        assert numberless(mine).strip() == numberless(whole[name]).strip(), name


def numberless(html: str) -> str:
    return unescape(re.sub(r'(name="(?:once|token)" value=)"[^"]*"', r"\1", html))


def test_a_page_nobody_remembers_is_sent_everything(page: Open) -> None:
    page.show(samples.heating())
    page.tag = "unknown"
    _, html, _ = page.ask()
    assert len(split(html + "<!--/now-->")[1]) == len(re.findall('data-parts="([^"]*)"', html)[0].split())


def test_other_units_another_clock_or_another_permit_are_another_page(page: Open) -> None:
    page.show(samples.heating())
    tags = set()
    for query in ("unit=C&clock=24", "unit=F&clock=24", "unit=C&clock=12"):
        html = page.client.get(f"/?{query}").get_data(as_text=True)
        tags |= set(re.findall(r'data-print="(\w+)"', html))
    far = page.client.get("/?unit=C&clock=24", environ_base={"REMOTE_ADDR": "10.0.0.7"})
    tags |= set(re.findall(r'data-print="(\w+)"', far.get_data(as_text=True)))
    assert len(tags) == 4


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("<p>a</p>", "<p>b &lt; c</p>", [(0, "", "b < c")]),
        ('<p><b x="1">a</b></p>', '<p><b x="2">a</b></p>', [(1, "x", "2")]),
        ('<p><i d="1"/><b>a</b></p>', '<p><i d="2"/><b>c</b></p>', [(1, "d", "2"), (2, "", "c")]),
        ("<p>a<b>b</b></p>", "<p>c<b>b</b></p>", None),
        ("<p>a</p>", "<p></p>", None),
        ("<p>a</p>", "<b>a</b>", None),
        ('<p x="1">a</p>', '<p y="1">a</p>', None),
        ("<p>a</p>", "<p>a</p><p>b</p>", None),
    ],
)
def test_changes_are_texts_of_leaves_and_attributes(
    old: str, new: str, told: list[tuple[int, str, str]] | None
) -> None:
    assert changes(old, new) == told


def test_only_so_many_pages_are_remembered() -> None:
    parts = Parts()
    html = '<div id="now" class="now">\n<p id="part-a">{}</p>\n</div>\n<!--/now-->'
    for i in range(40):
        parts.remember(str(i), html.format(i))
    assert 'id="part-a"' in parts.news(html.format("x"), "0")
    assert 'id="part-a"' not in parts.news(html.format("x"), "39")
