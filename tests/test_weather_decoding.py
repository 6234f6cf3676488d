"""What sources say, decoded: JSON pointers, units, METAR; everything else refused in a sentence."""

from __future__ import annotations

import json
import math
from contextlib import suppress
from datetime import UTC, datetime

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.config import Fields
from probe_agent.readings import Weather
from probe_agent.weather.decoding import (
    COLDEST_C,
    HOTTEST_C,
    WeatherError,
    hourly_weather,
    metar_hour,
    metar_weather,
    pointed,
    seen_hours,
)

NOW_AT = datetime(2026, 1, 3, 5, 0, tzinfo=UTC).timestamp()
HOUR = 3600.0
COLUMNS = Fields(time="/hours/at", air="/hours/air", wind="/hours/wind", cloud="/hours/cloud")
LIST = Fields(entries="/hours", time="/at", air="/now/air", dew_point="/now/dew", issued="/made")


def decoded(document: object, fields: Fields = COLUMNS) -> Weather:
    return hourly_weather(json.dumps(document).encode(), fields, "hourly", NOW_AT)


def refusal(document: object, fields: Fields = COLUMNS) -> str:
    body = document if isinstance(document, bytes) else json.dumps(document).encode()
    with pytest.raises(WeatherError) as caught:
        hourly_weather(body, fields, "hourly", NOW_AT)
    said = str(caught.value)
    assert "\n" not in said
    assert len(said) < 250
    return said


# -- pointers


def test_pointers_lead_where_the_standard_says() -> None:
    """RFC 6901, section 5: the document and values given there."""
    document = {
        "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7,
        "m~n": 8,
    }  # fmt: skip
    assert pointed(document, "") == document
    expected = {
        "/foo": ["bar", "baz"], "/foo/0": "bar", "/": 0, "/a~1b": 1, "/c%d": 2, "/e^f": 3, "/g|h": 4,
        "/i\\j": 5, '/k"l': 6, "/ ": 7, "/m~0n": 8,
    }  # fmt: skip
    for pointer, value in expected.items():
        assert pointed(document, pointer) == value
    for pointer in ("/bar", "/foo/2", "/foo/-", "/foo/00", "/foo/-1", "/foo/0/x", "/~1"):
        with pytest.raises(KeyError):
            pointed(document, pointer)


# -- hourly JSON


def test_lists_of_columns() -> None:
    weather = decoded(
        {
            "hours": {
                "at": ["2026-01-03T05:00Z", "2026-01-03T07:00+01:00", NOW_AT + 2 * HOUR],
                "air": [-4, -5.5, 0.0],
                "wind": [0, 3.5, None],
                "cloud": [0, 50, 100],
            }
        }
    )
    assert [h.at - NOW_AT for h in weather.hours] == [0, HOUR, 2 * HOUR]
    assert [h.air_c for h in weather.hours] == [-4.0, -5.5, 0.0]
    assert [h.wind_m_s for h in weather.hours] == [0.0, 3.5, None]
    assert [h.cloud for h in weather.hours] == [0.0, 0.5, 1.0]
    assert weather.issued_at == weather.taken_at == NOW_AT
    assert weather.reaches_at == NOW_AT + 2 * HOUR


def test_a_list_of_objects_in_any_order_with_gaps() -> None:
    rows = [
        {"at": "2026-01-03T06:00Z", "now": {"air": -5, "dew": -7}},
        {"at": "2026-01-03T05:00Z", "now": {"air": -4}},
        {"at": "2026-01-03T07:00Z", "now": {"air": None}},
        {"at": "2026-01-03T08:00Z"},
        {"at": "2026-01-03T06:00Z", "now": {"air": -6}},
        {"at": "1999-01-03T06:00Z", "now": {"air": 6}},
    ]
    weather = decoded({"made": "2026-01-03T04:10:00Z", "hours": rows}, LIST)
    assert [(h.at - NOW_AT, h.air_c, h.dew_c) for h in weather.hours] == [(0, -4, None), (HOUR, -6, None)]
    assert weather.issued_at == NOW_AT - 3000


def test_what_was_made_after_it_was_heard_counts_as_made_then() -> None:
    rows = [{"at": "2026-01-03T06:00Z", "now": {"air": -5}}]
    assert decoded({"made": "2026-01-04T04:10:00Z", "hours": rows}, LIST).issued_at == NOW_AT


def test_units_become_celsius_and_metres_a_second() -> None:
    document = {"hours": {"at": [NOW_AT], "air": [14.0], "wind": [10.0], "cloud": [0.25]}}
    found = {
        (air, wind): decoded(
            document, msgspec.structs.replace(COLUMNS, air_unit=air, wind_unit=wind, cloud_unit="share")
        ).hours[0]
        for air, wind in (("F", "km/h"), ("C", "kt"))
    }
    assert found["F", "km/h"].air_c == pytest.approx(-10.0)
    assert found["F", "km/h"].wind_m_s == pytest.approx(2.77778, abs=1e-5)
    assert found["C", "kt"].wind_m_s == pytest.approx(5.14444, abs=1e-5)  # 1 kt is 1852 m an hour, exact
    assert found["C", "kt"].cloud == 0.25
    kelvin = msgspec.structs.replace(COLUMNS, air_unit="K")
    document["hours"]["air"] = [263.15]
    assert decoded(document, kelvin).hours[0].air_c == pytest.approx(-10.0)


def test_times_without_an_offset_are_of_the_zone_named() -> None:
    document = {"hours": {"at": ["2026-01-03T06:00"], "air": [1], "wind": [1], "cloud": [1]}}
    assert decoded(document).hours[0].at == NOW_AT + HOUR
    there = msgspec.structs.replace(COLUMNS, time_zone="Europe/Oslo")
    assert decoded(document, there).hours[0].at == NOW_AT


def test_a_single_value_without_a_time_is_the_air_now() -> None:
    weather = decoded({"air": -7.5}, Fields(air="/air"))
    assert [(h.at, h.air_c) for h in weather.hours] == [(NOW_AT, -7.5)]


def one(**changed: object) -> dict[str, object]:
    return {"hours": {"at": [NOW_AT], "air": [1], "wind": [1], "cloud": [1]} | changed}


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ({}, "time = '/hours/at' leads nowhere: there is no 'hours'"),
        ({"hours": {"at": [1]}}, "air = '/hours/air' leads nowhere: there is no 'air'"),
        (one(air=[1, 2]), "they don't belong together"),
        (one(air=["cold"]), "'cold' at air = '/hours/air' is no number"),
        (one(air=[True]), "True at air = '/hours/air' is no number"),
        (one(air=[263.15]), "would be 263 °C: look at air_unit (now C)"),
        (one(air=[None]), "no hour of it has an air temperature"),
        (one(at=["soon"]), "'soon' at time = '/hours/at' is no time"),
        (one(at=["2020-01-01T00:00Z"]), "near today"),
        (one(at=[1e300]), "is no time"),
        (one(wind=[-1]), "a wind of -1 m/s"),
        (one(wind=[500]), "a wind of 500 m/s"),
        (one(cloud=[101]), "a cloud cover of 101"),
        (one(at=list(range(2000)), air=[1] * 2000, wind=[1] * 2000, cloud=[1] * 2000), "more than 1000"),
        (b"<html>Sign in</html>", "is not JSON"),
        (b'{"hours": {"at": [0], "air": [NaN]}}', "is not JSON"),
        (b"\xff\xfe", "is not JSON"),
        (b"[" * 100_000, "is not JSON"),
        (b"", "is not JSON"),
    ],
)
def test_what_can_not_be_used_says_why(document: object, said: str) -> None:
    assert said in refusal(document)


def test_a_list_of_objects_that_is_none_or_lacks_all_says_so() -> None:
    assert "leads to no list" in refusal({"hours": {}, "made": 1}, LIST)
    assert "there is no 'now'" in refusal({"made": 1, "hours": [{"at": "2026-01-03T06:00Z"}]}, LIST)
    assert "issued = '/made' leads nowhere" in refusal(
        {"hours": [{"at": "2026-01-03T06:00Z", "now": {"air": 1}}]}, LIST
    )


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.integers() | st.text(max_size=12),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["hours", "at", "air", "now", "wind", "made", "0"]), inner, max_size=4
        )
    ),
    max_leaves=20,
)


AT = st.floats(NOW_AT - 3 * 3600, NOW_AT + 2 * 86_400)
AIR = st.floats(-80, 60)
WIND = st.none() | st.floats(0, 90)
SHAPED: list[tuple[Fields, st.SearchStrategy[object]]] = [
    (
        COLUMNS,
        st.fixed_dictionaries(
            {"hours": st.fixed_dictionaries({"at": AT, "air": AIR | JSON, "wind": WIND, "cloud": WIND})}
        ),
    ),
    (
        LIST,
        st.fixed_dictionaries(
            {
                "made": AT,
                "hours": st.lists(
                    st.fixed_dictionaries({"at": AT | JSON, "now": st.fixed_dictionaries({"air": AIR})})
                ),
            }
        ),
    ),
    (Fields(air="/air"), st.fixed_dictionaries({"air": AIR | JSON})),
    (
        Fields(entries="", time="/at", air="/air"),
        st.lists(st.fixed_dictionaries({"at": AT, "air": AIR | JSON})),
    ),
]
"""Documents that nearly fit: what is drawn blindly is never weather."""


@pytest.mark.parametrize(("fields", "shaped"), SHAPED)
def test_any_document_is_weather_or_a_refusal(fields: Fields, shaped: st.SearchStrategy[object]) -> None:
    taken = []

    @given(JSON | shaped)
    def look(document: object) -> None:
        with suppress(WeatherError):
            weather = decoded(document, fields)
            taken.append(weather)
            assert_believable(weather)

    look()
    assert any(weather.hours for weather in taken), "some of them are weather"


@given(
    st.lists(
        st.tuples(
            st.floats(NOW_AT - 9 * 86_400, NOW_AT + 20 * 86_400),
            st.none() | st.floats(-95, 65),
            st.none() | st.floats(-1, 125),
            st.none() | st.floats(-1, 101),
        ),
        max_size=30,
    )
)
def test_any_hours_are_believable_or_refused(rows: list[tuple[float | None, ...]]) -> None:
    columns = dict(zip(("at", "air", "wind", "cloud"), zip(*rows, strict=True), strict=True)) if rows else {}
    with suppress(WeatherError):
        assert_believable(decoded({"hours": columns}))


@given(st.binary(max_size=200))
def test_any_bytes_are_weather_or_a_refusal(body: bytes) -> None:
    with pytest.raises(WeatherError):
        hourly_weather(body, COLUMNS, "hourly", NOW_AT)


def assert_believable(weather: Weather) -> None:
    times = [h.at for h in weather.hours]
    assert times == sorted(set(times))
    assert weather.issued_at <= weather.taken_at
    for hour in weather.hours:
        assert COLDEST_C <= hour.air_c <= HOTTEST_C
        assert math.copysign(1, hour.air_c) == 1 or hour.air_c < 0
        assert hour.wind_m_s is None or 0 <= hour.wind_m_s <= 120
        assert hour.cloud is None or 0 <= hour.cloud <= 1


# -- METAR


@pytest.mark.parametrize(
    ("groups", "air_c", "dew_c"),
    [
        # Body in whole degrees, M below zero: WMO-No. 306, FM 15, T'T'/T'dT'd.
        ("M05/M12 Q1010", -5.0, -12.0),
        ("03/M01 Q1010", 3.0, -1.0),
        # M00 lies between −0.5 and 0 (the same); the library gives 0.
        ("M00/M01 Q1010", 0.0, -1.0),
        # No dew point: "05/" in US practice, "05///" elsewhere (from memory). The air temperature stays.
        ("M05/ A2992", -5.0, None),
        ("M05/// Q1010", -5.0, None),
        # Tenths of the remarks: AFMAN 15-111, 12 March 2019, TsTTTsDDD; the body above it rounded.
        ("M05/M12 A2992 RMK AO2 T10521117", -5.2, -11.7),
        ("03/M01 A2992 RMK AO2 T00261015", 2.6, -1.5),
        # Six-hour maximum and minimum beside it (the same, 1sTTT and 2sTTT) are not the air now.
        ("03/M01 A2992 RMK AO2 T00261015 10142 21001", 2.6, -1.5),
    ],
)
def test_metar_temperatures(groups: str, air_c: float, dew_c: float | None) -> None:
    hour = metar_hour(f"METAR KXXX 030451Z 24008KT 10SM FEW020 {groups}", NOW_AT)
    assert hour.air_c == pytest.approx(air_c, abs=1e-9)
    assert hour.dew_c == (None if dew_c is None else pytest.approx(dew_c, abs=1e-9))
    assert math.copysign(1, hour.air_c) == 1 or hour.air_c < 0
    assert hour.at == NOW_AT - 540
    assert hour.wind_m_s == pytest.approx(8 * 1852 / 3600, abs=0.01)


@pytest.mark.parametrize("groups", ["///// Q1010", "Q1010"])
def test_a_metar_without_a_temperature_is_refused(groups: str) -> None:
    with pytest.raises(WeatherError, match="has no temperature"):
        metar_hour(f"METAR KXXX 030451Z 24008KT 9999 FEW020 {groups}", NOW_AT)


def test_several_reports_are_put_in_order_and_bad_ones_passed_over() -> None:
    text = (
        "METAR KXXX 030451Z 24008KT CAVOK M05/M12 Q1010=\r\n"
        "SPECI KXXX 030420Z VRB02KT 9999 OVC010 M04/M06 Q1010\n"
        "KXXX 030351Z AUTO\n   nonsense\nMETAR KXXX 030351Z 24008KT ///// Q1010\n"
    )
    weather = metar_weather(text, "metar", NOW_AT)
    assert [(h.at - NOW_AT, h.air_c, h.cloud) for h in weather.hours] == [(-2400, -4, 1.0), (-540, -5, None)]
    assert weather.issued_at == weather.reaches_at == NOW_AT - 540
    assert seen_hours(weather) == list(weather.hours)


@pytest.mark.parametrize(
    ("day", "now", "expected"),
    [
        ("312350", (2026, 1, 1, 0, 5), (2025, 12, 31, 23, 50)),  # the year before
        ("010005", (2026, 1, 31, 23, 58), (2026, 2, 1, 0, 5)),  # a board's clock a little behind
        ("280600", (2026, 3, 2, 6, 0), (2026, 2, 28, 6, 0)),
    ],
)
def test_the_day_of_a_report_is_the_last_such_day(
    day: str, now: tuple[int, ...], expected: tuple[int, ...]
) -> None:
    hour = metar_hour(f"METAR KXXX {day}Z 24008KT CAVOK 05/01 Q1010", datetime(*now, tzinfo=UTC).timestamp())  # type: ignore[arg-type,misc]
    assert datetime.fromtimestamp(hour.at, UTC) == datetime(*expected, tzinfo=UTC)  # type: ignore[arg-type,misc]


@pytest.mark.parametrize("group", ["200451", "992561", "000000"])
def test_a_report_of_other_days_is_refused(group: str) -> None:
    with pytest.raises(WeatherError, match="not of these days"):
        metar_hour(f"METAR KXXX {group}Z 24008KT CAVOK 05/01 Q1010", NOW_AT)


def test_what_is_no_metar_says_so() -> None:
    with pytest.raises(WeatherError, match="there is no METAR in what comes"):
        metar_weather("<html>Sign in</html>", "metar", NOW_AT)


GROUP = st.sampled_from(
    ["AUTO", "24008KT", "VRB02G99KT", "/////KT", "CAVOK", "9999", "M1/4SM", "R04/P6000FT", "+TSRA", "//",
     "OVC///", "M05/M12", "05/", "///M01", "99/99", "M99/M99", "Q////", "A2992", "RMK", "T10521117", "T1",
     "21001", "NOSIG", "TEMPO", "$", "="]
)  # fmt: skip


@given(st.lists(GROUP | st.text("ABKMTZ0123456789/ ", max_size=8), max_size=12))
def test_any_report_is_weather_or_a_refusal(groups: list[str]) -> None:
    with suppress(WeatherError):
        assert_believable(metar_weather("METAR KXXX 030451Z " + " ".join(groups), "metar", NOW_AT))


@given(st.text(max_size=100))
def test_any_text_is_weather_or_a_refusal(text: str) -> None:
    with pytest.raises(WeatherError):
        metar_weather(text, "metar", NOW_AT)
