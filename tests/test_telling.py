"""Who gets which message and when: order, harm only, quiet hours, what waits, and the weekly test."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent import telling
from probe_agent.config import Messages, Recipient
from probe_agent.supervisor import Announcement

ZONE = "Europe/Oslo"
PILOT = Recipient(name="pilot", address="x://a", contact="555 0101")
OWNER = Recipient(name="owner", address="x://b", order=2)
FIELD = Recipient(name="field", address="x://c", order=3, harm_only=True, contact="555 0103")
ALL = (FIELD, PILOT, OWNER)
READY = Announcement("ready", "ready:0-1", 5400.0)
QUIET = Messages(quiet="22:00-05:30")


def at(text: str) -> float:
    """UTC seconds of a local time in the zone."""
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(ZONE)).timestamp()


def harm(asked: int) -> Announcement:
    return Announcement(
        "switch-off", f"switch-off:all:0-1:{asked}", 7200.0, None, "switch-off:all:0-1", True, asked
    )


def names(delivery: telling.Delivery) -> list[tuple[str, str]]:
    return [(r.name, word.key) for r, word in delivery.now]


def test_harm_reaches_one_more_with_each_asking_and_ordinary_words_all_but_harm_only() -> None:
    reached = [{r.name for r in telling.addressed(ALL, harm(n))} for n in range(5)]
    assert reached == [{"pilot"}, {"pilot", "owner"}, *[{"pilot", "owner", "field"}] * 3]
    assert {r.name for r in telling.addressed(ALL, READY)} == {"pilot", "owner"}


def test_harm_alone_reaches_somebody_where_all_are_there_for_harm_only() -> None:
    only = (FIELD,)
    assert telling.addressed(only, READY) == ()
    assert telling.addressed(only, harm(0)) == only


def test_a_word_in_quiet_hours_waits_for_their_end_and_harm_does_not() -> None:
    first = telling.deliver(ALL, QUIET, [READY, harm(0)], {}, [], at("2027-01-16T23:00"), ZONE)
    assert names(first) == [("pilot", harm(0).key)]
    assert set(first.owed) == {"pilot", "owner"}
    still = telling.deliver(ALL, QUIET, [], first.owed, [READY.key], at("2027-01-17T05:29"), ZONE)
    assert names(still) == []
    assert still.owed == first.owed
    out = telling.deliver(ALL, QUIET, [], still.owed, [READY.key], at("2027-01-17T05:30"), ZONE)
    assert names(out) == [("pilot", READY.key), ("owner", READY.key)]
    assert out.owed == {}


def test_what_is_no_longer_true_at_the_end_of_quiet_hours_is_not_told() -> None:
    first = telling.deliver(ALL, QUIET, [READY], {}, [], at("2027-01-16T23:00"), ZONE)
    gone = telling.deliver(ALL, QUIET, [], first.owed, [], at("2027-01-17T02:00"), ZONE)
    assert gone.owed == {}
    assert names(telling.deliver(ALL, QUIET, [], gone.owed, [READY.key], at("2027-01-17T05:30"), ZONE)) == []


def test_a_newer_word_overtakes_one_that_waits() -> None:
    first = telling.deliver(ALL, QUIET, [READY], {}, [], at("2027-01-16T23:00"), ZONE)
    cooling = Announcement("cooling", "cooling:0-2", 5400.0, overtakes=("ready",))
    both = [READY.key, cooling.key]
    then = telling.deliver(ALL, QUIET, [cooling], first.owed, both, at("2027-01-17T01:00"), ZONE)
    assert [word.kind for _, word in then.owed["pilot"]] == ["cooling"]


def test_a_word_to_one_alone_overtakes_nobody_elses() -> None:
    evening = Announcement("evening", "plan-1:evening:0", 9e4, overtakes=("plan-1",), departure=1)
    waits = {name: ((at("2027-01-15T22:30"), evening),) for name in ("pilot", "owner")}
    alone = Announcement(
        "switch-on",
        "plan-1:switch-on:1",
        9e3,
        overtakes=("plan-1",),
        to=("owner",),
        departure=1,
        at_once=True,
    )
    found = telling.deliver(ALL, QUIET, [alone], waits, ["plan-1:evening:0"], at("2027-01-16T04:00"), ZONE)
    assert names(found) == [("owner", "plan-1:switch-on:1")]
    assert set(found.owed) == {"pilot"}


def test_own_quiet_hours_rule_over_the_common_ones() -> None:
    late = Recipient(name="late", address="x://d", quiet="00:00-10:00")
    sent = telling.deliver((PILOT, late), QUIET, [READY], {}, [], at("2027-01-16T23:00"), ZONE)
    assert names(sent) == [("late", READY.key)]
    sent = telling.deliver((PILOT, late), QUIET, [READY], {}, [], at("2027-01-17T08:00"), ZONE)
    assert names(sent) == [("pilot", READY.key)]


@pytest.mark.parametrize(
    ("span", "time", "quiet"),
    [
        (None, "23:00", False),
        ("22:00-05:30", "22:00", True),
        ("22:00-05:30", "21:59", False),
        ("22:00-05:30", "05:29", True),
        ("22:00-05:30", "05:30", False),
        ("09:00-11:00", "10:00", True),
        ("09:00-11:00", "08:59", False),
        ("09:00-09:00", "09:00", False),
    ],
)
def test_quiet_hours_end_where_they_say(span: str | None, time: str, quiet: bool) -> None:
    assert telling.is_quiet(span, datetime.fromisoformat(f"2027-01-16T{time}")) is quiet


def test_whom_to_call_is_the_next_in_order_with_a_contact() -> None:
    assert telling.who_to_call(ALL, PILOT) == "field, 555 0103"
    assert telling.who_to_call(ALL, FIELD) == "pilot, 555 0101"
    assert telling.who_to_call((PILOT,), PILOT) == ""


def test_the_morning_look_is_at_its_hour_on_the_fields_clock_where_the_clocks_change() -> None:
    for day, utc in (("2027-03-27", "04:50"), ("2027-03-28", "03:50"), ("2027-10-31", "04:50")):
        due = datetime.fromisoformat(f"{day}T{utc}").replace(tzinfo=UTC).timestamp()
        assert telling.last_look_at("05:50", due + 60, ZONE) == due
        assert telling.last_look_at("05:50", due - 60, ZONE) < due - 80_000


@given(now_at=st.integers(1_800_000_000, 1_830_000_000))
def test_the_next_weekly_test_is_within_a_week_and_on_its_day(now_at: int) -> None:
    found = telling.next_test_at("Sun 18:00", now_at, ZONE)
    assert found is not None
    assert 0 < found - now_at <= 7 * 86_400 + 3600
    assert f"{datetime.fromtimestamp(found, ZoneInfo(ZONE)):%a %H:%M}" == "Sun 18:00"
    assert telling.next_test_at("never", now_at, ZONE) is None


@given(now_at=st.integers(1_800_000_000, 1_830_000_000))
def test_a_daily_test_is_within_a_day_at_its_time(now_at: int) -> None:
    found = telling.next_test_at("daily 18:00", now_at, ZONE)
    assert found is not None
    assert 0 < found - now_at <= 86_400 + 3600
    assert f"{datetime.fromtimestamp(found, ZoneInfo(ZONE)):%H:%M}" == "18:00"
    assert (telling.tests_apart_days("daily 18:00"), telling.tests_apart_days("Sun 18:00")) == (1, 7)
