"""Recordings: what a row means, what is refused and how, and that reading is a stream."""

from __future__ import annotations

import itertools
import os
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.probes.recording import RecordingError, RecordingSource, Row, read_rows, stream_lines
from probe_agent.readings import Fault, ProbeFault, Reading


def rows_of(text: str, ignore: tuple[str, ...] = ()) -> list[Row]:
    return list(read_rows(text.splitlines(keepends=True), "night.csv", ignore))


def recording(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "night.csv"
    path.write_bytes(text.encode())
    return path


def test_a_row_in_seconds() -> None:
    rows = rows_of("time,sump,cyl-1,ambient,heater\n5,-12.25,,-13,0\n20.5,-12,-11.5,,500\n")
    assert rows[0] == Row(0.0, "5", False, 5.0, None, {"sump": -12.25, "cyl-1": None}, -13.0, 0.0)
    assert rows[1] == Row(15.5, "20.5", False, 20.5, None, {"sump": -12.0, "cyl-1": -11.5}, None, 1.0)


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-01-31T06:15:00Z",
        "2026-01-31T06:15Z",
        "2026-01-31 06:15:00",
        "2026-01-31T07:15:00+01:00",
        "20260131T061500Z",
    ],
)
def test_a_time_in_iso_8601_is_utc_unless_it_names_a_zone(stamp: str) -> None:
    (row,) = rows_of(f"time,sump\n{stamp},1\n")
    # 2026-01-31T06:15Z: 56 years with 14 leap days and 30 days after 1970-01-01
    assert row.utc == (56 * 365 + 14 + 30) * 86400 + 6 * 3600 + 15 * 60
    assert (row.is_iso, row.time_text, row.t_s) == (True, stamp, 0.0)


def test_the_heater_is_a_share_of_the_largest_value_so_far() -> None:
    rows = rows_of("time,sump,heater\n0,1,0\n1,1,250\n2,1,500\n3,1,250\n4,1,-3\n5,1,\n")
    assert [r.heater for r in rows] == [0.0, 1.0, 1.0, 0.5, 0.0, None]


def test_without_a_heater_or_ambient_column_both_are_unknown() -> None:
    rows = read_rows(["time,sump\n", "0,1\n"], "night.csv")
    assert (rows.has_ambient, rows.has_heater, rows.places) == (False, False, ("sump",))
    row = next(rows)
    assert (row.ambient, row.heater) == (None, None)


def test_ignored_columns_are_not_looked_at() -> None:
    (row,) = rows_of("time,utc,sump,heater2,heater\n0,midnight,4,???,1\n", ignore=("utc", "heater2", "rpm"))
    assert row.values == {"sump": 4.0}


@pytest.mark.parametrize(
    "text",
    [
        '\ufefftime,sump\r\n"0","1.5"\r\n\r\n1,2\r\n',
        "time, sump \n 0 , 1.5 \n\n1,2",
        "time,sump\n0,1.5,\n1,2,\n",
        "time,sump,\n0,1.5,\n1,2,\n",
        "sump,time\n+1.5,0e0\n2.,1\n",
    ],
)
def test_quotes_blanks_line_ends_and_a_comma_at_the_end_of_rows_change_nothing(text: str) -> None:
    assert [(r.t_s, r.values["sump"]) for r in rows_of(text)] == [(0.0, 1.5), (1.0, 2.0)]


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("", 1, "empty"),
        ("time,sump\n", 1, "no rows"),
        ("t,sump\n0,1\n", 1, "no column named time"),
        ("time;sump\n0;1\n", 1, "separated by commas"),
        ("time,sump,sump\n0,1,2\n", 1, "column sump is there twice"),
        ("time,,sump\n0,1,2\n", 1, "column 2 has no name"),
        ("time,ambient,heater\n0,1,2\n", 1, "no column with temperatures"),
        ("time,sump\n0,1\n1\n", 3, "1 cells for 2 columns"),
        ("time,sump\n0,1,2\n", 2, "3 cells for 2 columns"),
        ("time,sump\n0,1,,\n", 2, "4 cells for 2 columns"),
        ("time,sump,\n0,1,7\n", 2, "column 3 has a value and no name"),
        ("time,sump\n0,warm\n", 2, "column sump: 'warm' is not a number"),
        ("time,sump\n0,nan\n", 2, "column sump: 'nan' is not a number"),
        ("time,sump\n0,1\n\n1,-inf\n", 4, "column sump: '-inf' is not a number"),
        ("time,sump\n0,1e999\n", 2, "column sump"),
        ("time,sump\n0,1_0\n", 2, "column sump"),
        ("time,sump\n0,١\n", 2, "column sump"),
        ('time,sump\n0,"1,5"\n', 2, "decimal point"),
        ("time,sump,ambient\n0,1,x\n", 2, "column ambient"),
        ("time,sump,heater\n0,1,on\n", 2, "column heater"),
        ("time,sump\n,1\n", 2, "column time"),
        ("time,sump\nnan,1\n", 2, "column time"),
        ("time,sump\nmidnight,1\n", 2, "ISO 8601"),
        ("time,sump\n5,1\n4,1\n", 3, "4 is not later than the row before (5)"),
        ("time,sump\n5,1\n5.0,1\n", 3, "not later"),
        ("time,sump\n2026-01-31T06:15Z,1\n2026-01-31T06:16+01:00,1\n", 3, "not later"),
        ("time,sump\n5,1\n2026-01-31T06:15Z,1\n", 3, "all through"),
        ('time,sump\n0,"1\n1,2\n', 2, "quotes"),
        ("time,sump\r0,1\r", 1, "line ends"),
    ],
)
def test_what_cannot_be_read_is_refused_with_file_line_and_remedy(text: str, line: int, says: str) -> None:
    lines = iter(text.splitlines(keepends=True) if "\r" not in text else [text])
    with pytest.raises(RecordingError, match=r"^night\.csv: line \d+: .+\. .+\.$") as refusal:
        list(read_rows(lines, "night.csv"))
    assert f"line {line}:" in str(refusal.value)
    assert says in str(refusal.value)


def test_the_time_column_cannot_be_ignored() -> None:
    with pytest.raises(RecordingError, match="time column can't be ignored"):
        rows_of("time,sump\n0,1\n", ignore=("time",))


def test_rows_before_a_bad_one_are_given() -> None:
    rows = read_rows(["time,sump\n", "0,1\n", "1,2\n", "2,x\n"], "night.csv")
    assert [next(rows).values["sump"], next(rows).values["sump"]] == [1.0, 2.0]
    with pytest.raises(RecordingError, match="line 4"):
        next(rows)


def test_any_text_is_read_or_refused() -> None:
    lengths = set()

    @given(
        st.text(max_size=60)
        | st.lists(st.tuples(st.integers(-2, 9), st.integers(-90, 90) | st.just(""))).map(
            lambda cells: "".join(f"{t},{c}\n" for t, c in cells)
        )
    )
    def look(text: str) -> None:
        for lines in (text, "time,sump\n0,1\n" + text, "time,sump\n0," + text):
            try:
                rows = rows_of(lines)
            except RecordingError:
                continue
            lengths.add(len(rows))
            assert all(a.t_s < b.t_s for a, b in itertools.pairwise(rows))

    look()
    assert max(lengths) > 1, "some had an order to keep"


@given(st.lists(st.tuples(st.floats(-60, 300), st.floats(0, 5000)), min_size=1, max_size=12), st.data())
def test_cutting_a_recording_short_changes_no_earlier_row(
    values: list[tuple[float, float]], data: st.DataObject
) -> None:
    lines = ["time,sump,heater\n", *(f"{i},{c!r},{h!r}\n" for i, (c, h) in enumerate(values))]
    keep = data.draw(st.integers(1, len(values)))
    whole = list(read_rows(lines, "night.csv"))
    assert list(read_rows(lines[: keep + 1], "night.csv")) == whole[:keep]


def test_a_line_is_given_as_soon_as_its_end_is_there() -> None:
    read_fd, write_fd = os.pipe()
    lines = stream_lines(read_fd)
    os.write(write_fd, b"time,sump\n0,1\n1,")
    assert [next(lines), next(lines)] == ["time,sump", "0,1"]
    os.write(write_fd, "2 °\n3".encode())
    assert next(lines) == "1,2 °"
    os.close(write_fd)
    assert list(lines) == ["3"]
    os.close(read_fd)


def test_text_that_is_not_utf_8_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(b"time,sump\n0,1\n1,\xff\n")
    source = RecordingSource(path)
    assert source.next_at(0.0) == 0.0
    source.read(0.0)
    with pytest.raises(RecordingError, match="line 3: the text is not UTF-8"):
        source.next_at(0.0)
    assert source.next_at(0.0) is None


def test_a_file_without_line_ends_is_refused_before_it_fills_memory() -> None:
    with open("/dev/zero", "rb") as zeros, pytest.raises(RecordingError):
        read_rows(stream_lines(zeros.fileno()), "/dev/zero")


def test_each_row_is_a_scan_in_run_seconds(tmp_path: Path) -> None:
    source = RecordingSource(
        recording(tmp_path, "time,sump,cyl-1,ambient,heater\n7,1,,-3,0\n22,2,3,,9\n"), start_s=100.0
    )
    assert source.addresses == ("sump", "cyl-1", "ambient")
    assert source.next_at(0.0) == 100.0
    scan = source.read(100.0)
    assert (scan.t_s, scan.heater) == (100.0, 0.0)
    assert scan.samples == (
        Reading("sump", 100.0, 1.0, 1.0),
        ProbeFault("cyl-1", 100.0, Fault.MISSING, "empty cell"),
        Reading("ambient", 100.0, -3.0, -3.0),
    )
    assert source.next_at(100.0) == 115.0
    early = source.read(101.0)
    assert [s.fault for s in early.samples if isinstance(s, ProbeFault)] == [Fault.STALE] * 3
    late = source.read(200.0)
    assert (late.t_s, late.heater) == (115.0, 1.0)
    assert source.next_at(200.0) is None
    ended = source.read(200.0)
    assert [s.fault for s in ended.samples if isinstance(s, ProbeFault)] == [Fault.MISSING] * 3
    source.close()


def test_a_recording_knows_its_first_instant_in_utc(tmp_path: Path) -> None:
    source = RecordingSource(recording(tmp_path, "time,sump\n1970-01-02T00:00Z,1\n"))
    assert source.start_utc == 86400.0
    source.close()
    assert source.start_utc is None


def test_a_file_that_is_not_there_or_is_a_folder_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(RecordingError, match=str(path)):
            RecordingSource(path)


def test_no_descriptor_is_left_open(tmp_path: Path) -> None:
    path = recording(tmp_path, "time,sump\n0,1\n1,2\n")
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(5):
        source = RecordingSource(path)
        source.read(0.0)
        source.close()
        source.close()
        ended = RecordingSource(path)
        while ended.next_at(0.0) is not None:
            ended.read(10.0)
        with pytest.raises(RecordingError):
            RecordingSource(tmp_path / "none.csv")
    assert len(os.listdir("/proc/self/fd")) == before


def test_closing_ends_the_wait_for_a_silent_pipe(tmp_path: Path) -> None:
    fifo = tmp_path / "live.csv"
    os.mkfifo(fifo)
    writer = os.open(fifo, os.O_RDWR)
    os.write(writer, b"time,sump\n0,1\n")
    source = RecordingSource(fifo)
    source.read(0.0)
    answers: list[float | None] = []
    waiting = threading.Thread(target=lambda: answers.append(source.next_at(0.0)))
    waiting.start()
    source.close()
    waiting.join(10.0)
    os.close(writer)
    assert answers == [None]
