"""Random histories of daemon, broker, plug and people: the plug's own relay is never on where it must not be.

The world and what is judged: tests/switch_world.py.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator

import pytest
import switch_world
from switch_world import Violation, World, live

from probe_agent import switch, switching
from probe_agent.switch import Line
from probe_agent.switchman import Switchman

HISTORIES, MANY = 1000, 12_000
BROKEN_SEEN_IN = 300


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """Thousands of histories say thousands of warnings."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def live_through(seeds: range) -> float:
    """Live through histories; the share of their time that the plug was on. Raises Violation."""
    on = seconds = 0.0
    for seed in seeds:
        world = live(seed)
        on, seconds = on + world.seconds_on, seconds + world.t_s - 1000
    return on / seconds


def test_the_plug_is_never_on_without_a_licence() -> None:
    assert live_through(range(HISTORIES)) > 0.1  # a plug that never heats would keep every rule


@pytest.mark.long
def test_the_plug_is_never_on_without_a_licence_in_many_histories() -> None:
    assert live_through(range(HISTORIES, HISTORIES + MANY)) > 0.1


def _lease_never_ends(patch: pytest.MonkeyPatch) -> None:
    """A hung tick keeps heat on: neither the lease runs out nor is the connection cut."""
    patch.setattr(Line, "holds", lambda line, now_s: line._order != "off")
    patch.setattr(Line, "is_late", lambda line, now_s: False)


def _lost_places_do_not_matter(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(switching, "LOST_S", 1e9)


def _no_will(patch: pytest.MonkeyPatch) -> None:
    end = switch_world.Broker.end_wire
    patch.setattr(switch_world.Broker, "end_wire", lambda self, now_s, will=True: end(self, now_s, False))


def _late_presses_count(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Switchman, "_is_old", lambda man, command: False)


def _off_is_said_once(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(switch, "OFF_AGAIN_S", 1e9)
    patch.setattr(switch, "CONTRADICTED_S", 1e9)


def _an_end_is_forgotten(patch: pytest.MonkeyPatch) -> None:
    """Off at the plug's own button is overridden by the next renewal."""
    patch.setattr(switching, "_plug_says_no", lambda *_: None)


def _the_lock_is_open(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Switchman, "_lock", lambda man, body, batch, moment: (True, ""))


@pytest.mark.parametrize(
    "break_rule",
    [
        _lease_never_ends,
        _lost_places_do_not_matter,
        _no_will,
        _late_presses_count,
        _off_is_said_once,
        _an_end_is_forgotten,
        _the_lock_is_open,
    ],
)
def test_a_broken_rule_is_seen(
    break_rule: Callable[[pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    break_rule(monkeypatch)
    with pytest.raises(Violation):
        live_through(range(BROKEN_SEEN_IN))


def test_a_history_is_always_the_same() -> None:
    first, second = live(7), live(7)
    assert first.events == second.events
    assert first.seconds_on == second.seconds_on
    assert isinstance(first, World)
