"""The status document: small, replaced in one step, its age told in real seconds."""

from __future__ import annotations

import gzip
import json
import threading
import time
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.readings import State
from probe_agent.status import (
    AlertNow,
    Curve,
    FanNow,
    Recent,
    Status,
    StatusError,
    core_of,
    decode_status,
    encode_status,
    is_stale,
    read_status,
    stale_after_s,
    utc_seconds,
    utc_text,
    with_age,
    write_status,
)


@pytest.mark.parametrize("state", samples.STATES)
def test_a_document_comes_back_as_it_was(state: str) -> None:
    status = samples.STATES[state]()
    assert decode_status(encode_status(status)) == status


def test_the_document_has_the_promised_keys() -> None:
    told = json.loads(encode_status(samples.heating()))
    promised = (
        "v now age_s state verdict coldest coldest_c target_c above_p10 above_p50 above_p90 p_reach core_c"
    )
    assert set(f"{promised} ready_at probes heater alerts clock_ok".split()) <= set(told)
    assert told["v"] == 1
    assert told["now"].endswith("Z")
    assert len(told["core_c"]) == 3
    assert {"place", "c", "status", "trend_c_per_h"} <= set(told["probes"][0])
    assert told["state"] in {s.value for s in State}


def test_keys_of_later_versions_are_passed_over() -> None:
    status = samples.heating()
    told = json.loads(encode_status(status))
    told["wind"] = {"m_per_s": 3}
    told["probes"][0]["battery"] = 3.1
    told["run"]["host"] = "x"
    assert decode_status(json.dumps(told).encode()) == status


def full() -> Status:
    """Eight probes, three alerts, the widest fan and longest words the daemon writes."""
    fan = tuple(round(9.6 * i, 1) for i in range(25))
    temperatures = tuple(round(-12.3 + 1.7 * i, 1) for i in range(25))
    return msgspec.structs.replace(
        samples.above_target(),
        aircraft="Magpie of the long valley behind the hill"[:40],
        setup="winter-with-pads-and-bands-under-a-cover",
        state_reason="required, without a value: cyl-1, cyl-2, cyl-3, cyl-4, case-top, case-nose",
        verdict="Not measured: cylinder 1, cylinder 2, cylinder 3, cylinder 4 and crankcase nose.",
        fan=FanNow(fan, temperatures, temperatures, temperatures),
        alerts=tuple(
            AlertNow(
                f"{k}:accessory-case:12-345", k, samples.NOW, True, "accessory-case", ("it-is-off", "seen")
            )
            for k in ("probe-missing", "heater-stopped", "switch-off")
        ),
        above_until=(samples.NOW, samples.NOW, samples.NOW),
        unmeasured_far=("case-top", "case-nose", "accessory-case"),
        missing=samples.CYLINDERS,
        plug=samples.plugged().plug,
        notes=("The record can't be written (disk I/O error). Readings are kept in memory meanwhile.",) * 2,
    )


def test_the_core_is_small() -> None:
    data = encode_status(core_of(full()))
    assert len(full().probes) == 8
    assert len(data) <= 6000
    assert len(gzip.compress(data, 6)) <= 1500


def test_the_core_leaves_the_optional_members_out() -> None:
    plain = samples.heating()
    whole = msgspec.structs.replace(
        plain, recent=Recent(("sump",), ((1.0, 2.0),)), curve=Curve(("sump",), ((1.0, None, 0.5),))
    )
    assert decode_status(encode_status(whole)) == whole
    assert core_of(whole) == plain


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"null", b'{"v": 1}', b"\xff\xfe", b'{"v": "one"}'])
def test_what_is_no_document_is_refused(data: bytes) -> None:
    with pytest.raises(StatusError, match="not a status document"):
        decode_status(data)


@given(st.binary(max_size=100), st.integers(0, 3000))
def test_a_damaged_document_is_refused_or_read(noise: bytes, at: int) -> None:
    data = encode_status(samples.heating())
    damaged = data[:at] + noise + data[at + len(noise) :]
    try:
        decode_status(damaged)
    except StatusError:
        return


# -- the file


def test_a_reader_never_meets_half_a_document(tmp_path: Path) -> None:
    file = tmp_path / "status.json"
    short = samples.heating()
    long = msgspec.structs.replace(full(), notes=("x" * 20_000,))
    write_status(file, short)
    done = threading.Event()
    seen: set[int] = set()
    troubles: list[StatusError] = []

    def read() -> None:
        while not done.is_set():
            try:
                seen.add(len(read_status(file).notes))
            except StatusError as err:
                troubles.append(err)

    reader = threading.Thread(target=read)
    reader.start()
    deadline = time.monotonic() + 20
    written = 0
    while (written < 400 or len(seen) < 2) and time.monotonic() < deadline:
        write_status(file, long if written % 2 else short)
        written += 1
    done.set()
    reader.join(20)
    assert troubles == []
    assert seen == {0, 1}
    assert [f.name for f in tmp_path.iterdir()] == ["status.json"]


def test_no_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(StatusError, match=r"status\.json: No such file"):
        read_status(tmp_path / "status.json")


def test_a_written_document_gets_its_age_on_reading(tmp_path: Path) -> None:
    file = tmp_path / "status.json"
    write_status(file, samples.aged(samples.heating(), 42.0))
    age_s = read_status(file).age_s
    assert age_s is not None
    assert 42.0 <= age_s < 50.0


# -- age


def at_age(age_s: float | None, interval_s: float = 15.0, rate: float = 1.0) -> Status:
    base = samples.heating()
    run = msgspec.structs.replace(base.run, interval_s=interval_s, rate=rate)
    return msgspec.structs.replace(base, age_s=age_s, run=run)


@pytest.mark.parametrize(
    ("interval_s", "rate", "limit_s"),
    [
        (15.0, 1.0, 60.0),
        (5.0, 1.0, 60.0),
        (60.0, 1.0, 180.0),
        (600.0, 1.0, 1800.0),
        (60.0, 60.0, 60.0),  # real seconds: a hurried run's intervals are short
        (600.0, 2.0, 900.0),
        (30.0, 0.0, 90.0),  # a run that jumps tells no rate
    ],
)
def test_the_daemon_is_silent_after_a_minute_or_three_intervals(
    interval_s: float, rate: float, limit_s: float
) -> None:
    assert stale_after_s(at_age(0.0, interval_s, rate)) == limit_s
    assert not is_stale(at_age(limit_s, interval_s, rate))
    assert is_stale(at_age(limit_s + 0.1, interval_s, rate))


def test_an_unknown_age_is_silence() -> None:
    assert is_stale(at_age(None))


def test_another_boot_or_a_later_instant_has_no_age() -> None:
    base = samples.heating()
    other = msgspec.structs.replace(base, run=msgspec.structs.replace(base.run, boot="another"))
    assert with_age(other).age_s is None
    assert with_age(samples.aged(base, -100.0)).age_s is None
    fresh = with_age(samples.aged(base, 0.0)).age_s
    assert fresh is not None
    assert fresh < 5.0


def test_the_age_does_not_follow_the_rate_of_a_hurried_run() -> None:
    hurried = with_age(samples.aged(samples.demo(rate=600.0), 30.0))
    assert hurried.age_s == pytest.approx(30.0, abs=5.0)
    assert not is_stale(hurried)


# -- instants


@given(st.integers(0, 4_000_000_000))
def test_an_instant_comes_back(at: int) -> None:
    assert utc_seconds(utc_text(at)) == at


def test_instants_are_whole_seconds_in_utc() -> None:
    assert utc_text(1_800_000_000.49) == "2027-01-15T08:00:00Z"
    with pytest.raises(ValueError, match="yesterday"):
        utc_seconds("yesterday")
