"""Boards that press within one reading: claims over a network of brokers, in memory and in any order.

Of the product: `Sharing` as it is. Simulated: ticks, presses, brokers that keep the order of what reaches
them, and what all of that takes.
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scripted import SETTINGS

from probe_agent import circuit, sharing
from probe_agent.circuit import Heat
from probe_agent.config import parse_settings
from probe_agent.sharing import Sharing

UTC = 1_800_000_000.0
INTERVAL_S = 15.0
LIMIT_W = 1000.0
TEXT = SETTINGS.replace("[[setups]]", "[broker]\nhost = '127.0.0.1'\n[[setups]]")
SHARED = TEXT + '[circuit]\nname = "hangar-2"\nlimit_w = {limit_w}\npower_w = {power_w}\n'


@dataclass
class Message:
    """What a broker brings."""

    topic: str
    payload: bytes


class Network:
    """One broker for all, or one for each board with bridges between them. What a way takes is drawn anew
    each time, and nothing on a way overtakes: to a broker, between brokers, and from a broker to a board.

    to_s, between_s, from_s: the longest that such a way takes.
    """

    def __init__(
        self, rng: random.Random, to_s: float, from_s: float, between_s: float | None = None
    ) -> None:
        self.now_s = 0.0
        self.cut_until_s = -1.0
        """Until then nothing crosses between brokers: it is late."""
        self.boards: dict[str, Board] = {}
        self.most_w = 0.0
        self._rng, self._to_s, self._from_s, self._between_s = rng, to_s, from_s, between_s
        self._coming: list[tuple[float, int, Callable[[], None]]] = []
        self._numbers = itertools.count()
        self._free_s: dict[tuple[str, str], float] = {}

    def at(self, s: float, do: Callable[[], None]) -> None:
        heapq.heappush(self._coming, (s, next(self._numbers), do))

    def run(self, until_s: float) -> None:
        while self._coming and self._coming[0][0] <= until_s:
            self.now_s, _, do = heapq.heappop(self._coming)
            do()
            self.most_w = max(self.most_w, sum(b.power_w for b in self.boards.values() if b.is_on))
        self.now_s = until_s

    def _send(self, way: tuple[str, str], most_s: float, from_s: float, do: Callable[[], None]) -> None:
        at_s = max(max(self.now_s, from_s) + self._rng.uniform(0, most_s), self._free_s.get(way, 0.0))
        self._free_s[way] = at_s
        self.at(at_s, do)

    def publish(self, device: str, payload: bytes) -> None:
        home = device if self._between_s is not None else "all"
        self._send((device, "to"), self._to_s, 0.0, lambda: self._arrive(home, device, payload, True))

    def _arrive(self, broker: str, device: str, payload: bytes, from_board: bool) -> None:
        """A message has reached a broker, which brings it to its boards, and to the other brokers."""
        for name, board in self.boards.items():
            if broker in ("all", name):
                message = Message(f"probe-agent/{device}/circuit", payload)
                self._send((broker, name), self._from_s, 0.0, lambda b=board, m=message: b.sharing._hear(m))  # type: ignore[misc]
            elif from_board and self._between_s is not None:
                arrive = lambda n=name: self._arrive(n, device, payload, False)  # noqa: E731
                self._send((f"{broker}>", name), self._between_s, self.cut_until_s, arrive)


@dataclass
class Board:
    """A board: its presses and ticks, as the daemon has them."""

    network: Network
    device: str
    power_w: float = 650.0
    phase_s: float = 0.0
    limit_w: float = LIMIT_W
    is_on: bool = False
    claims: bool = False
    on_s: float | None = None
    pressed_s: float | None = None
    became: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        text = SHARED.format(limit_w=self.limit_w, power_w=self.power_w)
        self.sharing = Sharing(
            parse_settings(text.encode(), "test.toml"),
            self.device,
            None,
            "UTC",
            self._tell,
            lambda: self.network.now_s,
        )
        self._told = b""
        self.network.boards[self.device] = self
        self.network.at(self.phase_s, self.tick)

    def _tell(self, payload: bytes, expiry_s: int) -> None:
        if payload != self._told:
            self._told = payload
            self.network.publish(self.device, payload)

    def _heat(self) -> Heat:
        if not self.is_on and not self.claims:
            return Heat()
        since_at = None if self.on_s is None else UTC + self.on_s
        return Heat(True, UTC + 6 * 3600.0, since_at, self.claims)

    def press(self) -> None:
        self.pressed_s = self.network.now_s
        if self.sharing.is_full(UTC + self.network.now_s):
            self.became.append("refused")
            return
        self.claims = True
        self.sharing.follow(self._heat(), UTC + self.network.now_s)

    def tick(self) -> None:
        now_at = UTC + self.network.now_s
        shared = self.sharing.look(now_at, (), self._heat(), True)
        if self.claims and shared.claim != "waits":
            self.claims, self.is_on = False, shared.claim == "free"
            self.on_s = self.network.now_s if self.is_on else None
            self.became.append("on" if self.is_on else "taken")
        elif self.is_on and shared.beyond:
            self.is_on, self.on_s = False, None
            self.became.append("beyond")
        self.sharing.follow(self._heat(), now_at)
        self.network.at(self.network.now_s + INTERVAL_S, self.tick)


def pressed(
    rng: random.Random, network: Network, presses: list[tuple[str, float, float]], limit_w: float = LIMIT_W
) -> list[Board]:
    """Boards that lived for three minutes, each pressed once: its name, power, and when."""
    boards = []
    for device, power_w, press_s in presses:
        board = Board(network, device, power_w, rng.uniform(0, INTERVAL_S), limit_w)
        network.at(60.0 + press_s, board.press)
        boards.append(board)
    network.run(240.0)
    return boards


PRESSES = st.lists(
    st.tuples(st.sampled_from("abcd"), st.sampled_from([300.0, 650.0, 900.0]), st.floats(0, 20)),
    min_size=2,
    max_size=4,
    unique_by=lambda one: one[0],
)
FAST = st.lists(
    st.tuples(st.sampled_from("abcd"), st.just(650.0), st.floats(0, 3)),
    min_size=2,
    max_size=4,
    unique_by=lambda one: one[0],
)


@settings(max_examples=60, deadline=None)
@given(PRESSES, st.integers(0, 2**32), st.sampled_from([0.1, 1.0, 4.0]))
def test_at_one_broker_no_delay_has_two_on_beyond_the_limit(
    presses: list[tuple[str, float, float]], seed: int, slow_s: float
) -> None:
    rng = random.Random(seed)
    network = Network(rng, slow_s, slow_s)
    boards = pressed(rng, network, presses)
    assert network.most_w <= LIMIT_W + 1e-6
    assert all(b.became in (["on"], ["taken"], ["refused"]) for b in boards), "each press is answered, once"


@settings(max_examples=60, deadline=None)
@given(PRESSES, st.integers(0, 2**32))
def test_over_bridges_it_holds_while_a_way_takes_less_than_half_the_wait(
    presses: list[tuple[str, float, float]], seed: int
) -> None:
    rng = random.Random(seed)
    network = Network(rng, 0.5, 0.1, 0.8)
    boards = pressed(rng, network, presses)
    assert network.most_w <= LIMIT_W + 1e-6
    assert all(b.became in (["on"], ["taken"], ["refused"]) for b in boards)


@settings(max_examples=60, deadline=None)
@given(FAST, st.integers(0, 2**32), st.booleans())
def test_one_of_those_that_press_together_is_on_and_soon(
    presses: list[tuple[str, float, float]], seed: int, bridged: bool
) -> None:
    """As quick as a hangar's network: a board's broker thread looks twice a second."""
    rng = random.Random(seed)
    network = Network(rng, 0.6, 0.1, 0.2 if bridged else None)
    boards = pressed(rng, network, presses)
    on = [b for b in boards if b.is_on]
    assert len(on) == 1, [(b.device, b.became) for b in boards]
    assert on[0].on_s is not None
    assert on[0].pressed_s is not None
    assert on[0].on_s - on[0].pressed_s <= INTERVAL_S + sharing.WAITS_S + 0.8


def test_boards_that_could_not_hear_one_another_yield_as_soon_as_they_do() -> None:
    """Two brokers whose bridge is down: both presses are taken. The later one is off with its first tick
    after the bridge is up again."""
    rng = random.Random(1)
    network = Network(rng, 0.5, 0.1, 0.3)
    network.cut_until_s = 120.0
    kestrel, magpie = Board(network, "kestrel", phase_s=3.0), Board(network, "magpie", phase_s=11.0)
    network.at(60.0, magpie.press)
    network.at(70.0, kestrel.press)
    network.run(119.0)
    assert (magpie.became, kestrel.became) == (["on"], ["on"])
    network.run(120.0 + INTERVAL_S + 0.5)
    assert (magpie.became, kestrel.became) == (["on"], ["on", "beyond"])


def test_a_board_whose_claim_reaches_nobody_stands_alone() -> None:
    network = Network(random.Random(1), 0.1, 1e6)
    board = Board(network, "magpie", phase_s=1.0)
    network.at(60.0, board.press)
    network.run(60.0 + sharing.RETURNS_S + INTERVAL_S)
    assert board.became == ["on"]


@pytest.mark.parametrize("broken", ["by name alone", "by order alone", "not at all"])
def test_a_broken_rule_is_seen(broken: str, monkeypatch: pytest.MonkeyPatch) -> None:
    right = circuit.gives_way

    def wrong(asks: list[circuit.Ask], device: str, earlier: frozenset[str]) -> tuple[str, ...]:
        if broken == "by name alone":
            return right(asks, device, frozenset())
        if broken == "not at all":
            return ()
        return right(
            [a for a in asks if a.claim is None or a.claim in earlier or a.device == device], device, earlier
        )

    monkeypatch.setattr(circuit, "gives_way", wrong)
    assert any(
        most_of_two(seed, 0.8 if broken == "by order alone" else None) > LIMIT_W for seed in range(300)
    )


def most_of_two(seed: int, between_s: float | None) -> float:
    """The most that two drew which were pressed within nine seconds, each way quick or slow."""
    rng = random.Random(seed)
    network = Network(Extreme(seed), 4.0, 4.0, between_s)
    pressed(rng, network, [("a", 650.0, rng.uniform(0, 9)), ("b", 650.0, rng.uniform(0, 9))])
    return network.most_w


class Extreme(random.Random):
    """The least or the most."""

    def uniform(self, a: float, b: float) -> float:
        return self.choice((a, b))
