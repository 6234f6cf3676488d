"""The pages of heat-ups over their WSGI door, on a real store of twelve."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from html import unescape
from pathlib import Path

import many_heatups
import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from flask.testing import FlaskClient
from word_rules import NOBODY_SAYS

from probe_agent import words
from probe_agent.status import Recent, Status, utc_text, write_status
from probe_agent.store import PREVIEW, Batch, Preview, Reader, exclude_heatup, keep_value, note_heatup
from web.app import create_app
from web.source import FileStatusSource

LOCAL = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost"}
SETTINGS = many_heatups.settings()


@dataclass
class Page:
    folder: Path
    client: FlaskClient
    daemon: AnsweringDaemon

    def get(self, path: str, code: int = 200) -> str:
        answer = self.client.get(path)
        assert answer.status_code == code, plain(answer.get_data(as_text=True))
        return answer.get_data(as_text=True)

    def text(self, path: str, code: int = 200) -> str:
        return plain(self.get(path, code))

    def press(self, path: str, action: str, **values: str) -> tuple[int, str]:
        """Submit the form of that action on a page, its hidden fields with it."""
        form = next(f for f in re.findall(r"<form.*?</form>", self.get(path), re.S) if f'"{action}' in f)
        hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))
        answer = self.client.post(action, data={**hidden, **values}, follow_redirects=True)
        return answer.status_code, plain(answer.get_data(as_text=True))

    def keep(self, preview: Preview) -> None:
        text = msgspec.json.encode(preview).decode()
        self.daemon.store.commit(Batch(statements=[keep_value(PREVIEW, text)]))


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of twelve heat-ups, the last of them not over. Copy it, don't write to it."""
    file = tmp_path_factory.mktemp("drawn") / "store.db"
    found = list(many_heatups.mornings(12))
    found[-1] = replace(found[-1], lasts_s=5400.0, is_open=True)
    many_heatups.write(file, found)
    return file


def served(folder: Path, status: Status | None) -> Iterator[Page]:
    with AnsweringDaemon(folder / "store.db") as daemon:
        if status is not None:
            write_status(folder / "status.json", status)
        app = create_app(FileStatusSource(folder / "status.json"), folder / "store.db", SETTINGS, 5.0)
        client = app.test_client()
        client.environ_base.update(LOCAL)
        yield Page(folder, client, daemon)


@pytest.fixture
def page(drawn: Path, tmp_path: Path) -> Iterator[Page]:
    (tmp_path / "store.db").write_bytes(drawn.read_bytes())
    yield from served(tmp_path, samples.heating())


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Page]:
    yield from served(tmp_path, None)


# -- the list


def test_each_heat_up_has_a_row_with_a_curve_newest_first(page: Page) -> None:
    html = page.get("/curves?unit=C")
    assert re.findall(r'name="h" value="(\d+)"', html) == [str(n) for n in range(12, 0, -1)]
    assert html.count('class="k-small-line"') == 12
    text = plain(html)
    assert "Sat 7 Feb 2026, 05:00 running now" in text
    assert "measured up to Sat 06:30" in text
    assert "above target after" in text
    assert "outside" in text


def test_one_that_is_not_over_is_not_called_running_by_a_silent_daemon(page: Page) -> None:
    write_status(page.folder / "status.json", samples.aged(samples.heating(), 500))
    html = page.get("/curves")
    assert "running now" not in html
    assert "not over when last heard of" in html
    assert ">now<" not in page.get("/curves/over?near=12")


def test_nothing_is_said_that_nobody_says(page: Page) -> None:
    for path in ("/curves", "/curves/over?near=12", "/curves/11", "/curves/12", "/curves/over"):
        text = plain(page.client.get(path).get_data(as_text=True))
        assert not NOBODY_SAYS.search(text), path


def test_a_record_without_heat_ups_says_the_next_step(empty: Page) -> None:
    text = empty.text("/curves")
    assert "No heat-up is kept yet." in text
    assert "switch the heater on when the engine is cold" in text
    assert "There is no heat-up 3." in empty.text("/curves/3", 404)


def test_without_a_record_the_page_says_so(tmp_path: Path) -> None:
    app = create_app(FileStatusSource(tmp_path / "s.json"), tmp_path / "none.db", SETTINGS, 1.0)
    client = app.test_client()
    client.environ_base.update(LOCAL)
    for path in ("/curves", "/curves/over?h=1", "/curves/1", "/curves/csv?h=1"):
        answer = client.get(path)
        assert answer.status_code == 503
        assert "Start the daemon" in plain(answer.get_data(as_text=True))


def test_earlier_ones_are_a_link_away(tmp_path: Path) -> None:
    many_heatups.write(tmp_path / "store.db", list(many_heatups.mornings(152)), 600.0)
    for page in served(tmp_path, samples.cold()):
        first = page.get("/curves")
        assert re.findall(r'name="h" value="(\d+)"', first)[-1] == "3"
        link = next(x for x in re.findall(r'href="(/curves\?before=\d+)"', first))
        assert re.findall(r'name="h" value="(\d+)"', page.get(link)) == ["2", "1"]
        assert "There is none before heat-up 1." in page.text("/curves?before=1")


def test_no_style_or_script_stands_in_the_markup(page: Page) -> None:
    for path in ("/curves", "/curves/over?h=11&h=10", "/curves/11", "/curves/over?near=12"):
        html = page.get(path)
        assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*src=)", html), path
        assert "None" not in plain(html), path


# -- over one another


def test_the_choice_is_refused_in_a_sentence_and_kept(page: Page) -> None:
    assert "Choose at least one heat-up by its box" in page.text("/curves/over", 422)
    query = "&".join(f"h={n}" for n in range(1, 8))
    html = page.get(f"/curves/over?{query}", 422)
    assert "Choose at most six; these are 7, too many to be told apart." in plain(html)
    assert html.count(" checked") == 7


def test_lines_are_named_at_their_ends_and_told_in_a_sentence_and_a_table(page: Page) -> None:
    html = page.get("/curves/over?h=11&h=9&unit=C")
    labels = re.findall(r'class="k-label k-\d"[^>]*>([^<]+)<', html)
    assert sorted(labels) == ["1 Feb", "5 Feb"]
    (label,) = re.findall(r'<svg class="k-chart"[^>]*aria-label="([^"]+)"', html)
    assert label.startswith("Two heat-ups, coldest point, from heater-on on. Thu 5 Feb 2026, 05:00: above")
    assert "As a table" in html
    assert plain(html).count("0:15") >= 1


def test_they_lie_where_each_passes_a_temperature(page: Page) -> None:
    html = page.get("/curves/over?h=11&h=9&align=temp&c=2,5&at=0&unit=C")
    values = re.findall(r"<strong data-value>([^<]+)<", html)
    assert [v for v in values if not 2.4 <= float(v.split()[0]) <= 3.1] == []
    assert len(values) == 2
    assert "at passing 2 °C" in plain(html) or "at passing 3 °C" in plain(html)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("abc", "Write the temperature as a number"),
        ("", "Write the temperature as a number"),
        ("500", "No engine metal has that."),
    ],
)
def test_a_temperature_that_is_none_is_refused_at_its_field(page: Page, typed: str, said: str) -> None:
    html = page.get(f"/curves/over?h=11&h=9&align=temp&c={typed}&unit=C", 422)
    assert said in plain(html)
    assert f'value="{typed}"' in html
    assert 'aria-describedby="bad-c"' in html
    assert html.count("k-line k-") >= 2, "the curves stay"


def test_one_that_does_not_pass_is_said_not_drawn(page: Page) -> None:
    text = page.text("/curves/over?h=11&h=9&align=temp&c=60&unit=C")
    assert "Thu 5 Feb 2026, 05:00 isn't drawn: it doesn't reach 60 °C." in text
    text = page.text("/curves/over?h=11&h=9&align=temp&c=-30&unit=C")
    assert "isn't drawn: it began warmer than −30 °C." in text


def shown_over(html: str) -> list[int]:
    """The heat-ups under "Which they are"."""
    return [int(n) for n in re.findall(r'<li><svg class="k-swatch".*?href="/curves/(\d+)"', html)]


def test_the_nearest_are_those_of_the_same_setup_by_outside_cold(page: Page) -> None:
    airs = {m.number: round(4 * m.air_c) / 4 for m in many_heatups.mornings(12)}
    shown = shown_over(page.get("/curves/over?near=12"))
    expected = sorted((n for n in airs if n != 12), key=lambda n: (abs(airs[n] - airs[12]), -n))[:3]
    assert shown == [12, *expected]
    other = page.daemon.store.keep_setup("summer", "{}", 1.0)
    page.daemon.store.commit(
        Batch(statements=[("UPDATE heatups SET setup = ? WHERE heatup = ?", (other, expected[0]))])
    )
    assert expected[0] not in shown_over(page.get("/curves/over?near=12"))


def test_what_is_not_committed_yet_is_drawn_of_the_one_that_runs(page: Page) -> None:
    with_reader = Reader(page.folder / "store.db")
    last = with_reader.heatups(None, 1)[0]
    with_reader.close()
    places = (*many_heatups.SHARES, "ambient")
    rows = tuple((last.last_at + 60.0 * i, *(19.0 for _ in places), 1.0) for i in range(1, 5))
    status = msgspec.structs.replace(
        samples.heating(), now=utc_text(last.last_at + 240), recent=Recent(places, rows)
    )
    write_status(page.folder / "status.json", status)
    minutes = round((last.last_at + 240 - last.on_at) / 60)
    html = page.get(f"/curves/12?at={minutes}&unit=C")
    assert re.findall(r"<strong data-value>([^<]+)<", html)[0] == "19.0 °C"


def test_a_window_stays_inside_what_there_is(page: Page) -> None:
    for query in ("from=-500&to=9999", "from=170&to=20", "from=90&to=90", "from=x&to=y", "at=99999"):
        html = page.get(f"/curves/11?{query}")
        found = re.search(r"&#34;from&#34;:([\d.]+),&#34;to&#34;:([\d.]+)", html)
        assert found is not None
        low, high = float(found[1]), float(found[2])
        assert 0 <= low < high <= many_heatups.LASTS_S
        assert high - low >= 300


# -- one


def test_one_heat_up_tells_what_was_said_and_what_came(page: Page) -> None:
    text = page.text("/curves/11?unit=C")
    assert "What was said, and what came" in text
    assert "Halfway the word of" in text
    assert re.search(r"(late|early|on the minute)", text)
    html = page.get("/curves/11")
    assert html.count('class="k-range"') == html.count('class="k-middle"') > 0
    assert 'class="k-truth"' in html


def test_a_note_is_kept_by_the_daemon(page: Page) -> None:
    code, text = page.press("/curves/11", "/act/note", note=" Cowl opened. ")
    assert (code, "Done." in text) == (200, True)
    assert [(c.kind, c.body) for c in page.daemon.asked] == [
        ("note-heatup", {"heatup": 11, "note": "Cowl opened."})
    ]


def test_a_note_too_long_is_refused_at_its_field_and_kept(page: Page) -> None:
    code, text = page.press("/curves/11", "/act/note", note="y" * 501)
    assert code == 422
    assert "Write at most 500 letters; these are 501." in text
    assert "y" * 501 in text
    assert page.daemon.asked == []


def test_a_refusal_of_the_daemon_stands_on_the_page(page: Page) -> None:
    page.daemon.answers["exclude-heatup"] = (False, "There is no heat-up 11.")
    code, text = page.press("/curves/11", "/act/exclude", excluded="yes")
    assert code == 409
    assert "Not done. There is no heat-up 11." in text


@pytest.mark.parametrize("action", ["/act/note", "/act/preview", "/act/exclude"])
def test_who_may_not_act_is_refused_and_shown_no_button(page: Page, action: str) -> None:
    page.client.environ_base.update({"REMOTE_ADDR": "192.168.1.9", "HTTP_HOST": "board.local"})
    html = page.get("/curves/11")
    assert action not in html
    assert "Not possible here" in plain(html)
    answer = page.client.post(action, data={"heatup": "11", "excluded": "yes", "note": "x"})
    assert answer.status_code == 403
    assert page.daemon.asked == []


def test_a_form_from_another_page_is_refused(page: Page) -> None:
    answer = page.client.post(
        "/act/exclude",
        data={"heatup": "11", "excluded": "yes", "once": "1", "token": "x"},
        headers={"Origin": "http://elsewhere"},
    )
    assert answer.status_code == 403
    assert page.daemon.asked == []


# -- leaving out


DONE = Preview(
    11, True, 1.0, "done", judged=10, shift_s=250.0, least_s=-65.0, most_s=540.0, off_now_s=360.0,
    off_then_s=290.0, heat_ups_now=10, heat_ups_then=9,
)  # fmt: skip


def test_a_preview_is_asked_worked_out_and_told(page: Page) -> None:
    code, _ = page.press("/curves/11", "/act/preview", excluded="yes")
    assert code == 200
    assert page.daemon.asked[-1].body == {"heatup": 11, "excluded": True}
    page.keep(Preview(11, True, 1.0, done=3, of=20))
    assert "is being worked out: 3 of 20 steps. Nothing is changed by it." in page.text("/curves/11")
    basis = page.daemon.store.newest_lesson()
    page.keep(msgspec.structs.replace(DONE, basis=basis))
    text = page.text("/curves/11?part=preview")
    assert (
        "Without it the last ten would have been above target 4 min later, from 1 min earlier to 9 min later,"
        " by the forecast a quarter of the way." in text
    )
    assert "The range would rest on nine heat-ups instead of ten." in text
    assert "would have been" not in page.text("/curves/10"), "of another heat-up"


def test_a_preview_that_no_longer_holds_is_not_shown(page: Page) -> None:
    page.keep(DONE)
    assert "would have been" not in page.text("/curves/11")
    assert "What would change without it?" in page.text("/curves/11")


def test_a_heat_up_left_out_says_so_and_can_be_counted_again(page: Page) -> None:
    page.daemon.store.commit(
        Batch(statements=[exclude_heatup(11, True, None), note_heatup(11, "<b>Mouse</b> nest")])
    )
    listed = page.get("/curves")
    assert "left out of what is learned" in listed
    assert "&lt;b&gt;Mouse" in listed
    text = page.text("/curves/11")
    assert "Left out of what is learned." in text
    assert "Count it again" in text
    assert "What would change with it again?" in text


# -- a file of it


def test_csv_has_both_times_and_every_committed_reading(page: Page) -> None:
    answer = page.client.get("/curves/csv?h=11&h=9&h=11")
    assert answer.mimetype == "text/csv"
    assert answer.headers["Content-Disposition"] == 'attachment; filename="magpie-heat-up-11-9.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.get_data(as_text=True))))
    assert len(rows) == 2 * 181
    assert [r["heatup"] for r in rows] == ["11"] * 181 + ["9"] * 181
    for row in rows[:5]:
        assert datetime.fromisoformat(row["time_utc"]) == datetime.fromisoformat(row["time_field"])
        assert row["time_utc"].endswith("Z")
        assert row["time_field"].endswith("+01:00")
    m = list(many_heatups.mornings(11))[-1]
    assert float(rows[30]["minutes_after_heater_on"]) == 30
    assert float(rows[30]["case-nose_c"]) == pytest.approx(m.c(1800, many_heatups.COLDEST), abs=0.13)
    assert float(rows[30]["ambient_c"]) == pytest.approx(m.air_c, abs=0.13)
    assert "Choose at least one" in page.text("/curves/csv", 422)


def test_previews_read_aloud() -> None:
    alike = msgspec.structs.replace(DONE, heat_ups_then=10)
    assert words.preview_sentences(alike) == ("It taught nothing, so the forecasts stay as they are.",)
    one = msgspec.structs.replace(DONE, judged=1, shift_s=10.0, excluded=False, unsaid=2)
    assert words.preview_sentences(one)[:2] == (
        "With it the last one would have been above target at the same minute,"
        " by the forecast a quarter of the way.",
        "That forecast was 6 min off; it would have been 5 min.",
    )
    assert "Two more can't be compared: no time was said there." in words.preview_sentences(one)
