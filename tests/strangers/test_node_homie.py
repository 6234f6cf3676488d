"""npm's node-homie 5.0.0, a library of strangers to us, on our descriptions and on a club's boards.

Its JSON schema is stricter than the convention in places (no unknown key of a device, no hyphen at the end of
an ID) and laxer in others (an enum without its list): tests/homie_rules.py has the convention's rules.
"""

from __future__ import annotations

import copy
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import boards
import pytest
import status_samples as samples
from boards import FLEET, board_of_its_own, club, on_port, tree_of, without
from node_homie import MISSING, NODE, NPM, Listening, complaints
from real_broker import MOSQUITTO, RealBroker

from probe_agent import broker as courier
from probe_agent.broker import Tree
from probe_agent.status import Status

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not (NODE and NPM), reason=MISSING),
    pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto"),
]


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(courier, "ROUND_EVERY_S", 0.05)
    monkeypatch.setattr(courier, "_PUMP_S", 0.05)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    with RealBroker(tmp_path) as started:
        yield started


def described(status: Status) -> dict[str, Any]:
    return {**tree_of(status).description, "version": 3}


# -- its schema


def test_its_schema_has_nothing_against_any_description_of_ours() -> None:
    statuses = [
        *(make() for make in samples.STATES.values()),
        *(make() for make in FLEET.values()),
        samples.demo(),
        samples.with_weather(),
        samples.sample(probes=()),
        samples.sample(aircraft=""),
    ]
    assert complaints([described(s) for s in statuses]) == [[]] * len(statuses)


def spoilt() -> dict[str, dict[str, Any]]:
    """One description of ours, wrong in one way each."""
    out: dict[str, dict[str, Any]] = {}
    for name, path, value in (
        ("datatype", ("nodes", "cyl-3", "properties", "temperature", "datatype"), "number"),
        ("no datatype", ("nodes", "cyl-3", "properties", "temperature", "datatype"), None),
        ("unit", ("nodes", "cyl-3", "properties", "temperature", "unit"), 7),
        ("settable", ("nodes", "plug", "properties", "wanted", "settable"), "false"),
        ("node ID", ("nodes", "Cyl_3"), {"name": "x"}),
        ("hyphen", ("nodes", "-cyl-3"), {"name": "x"}),
        ("property ID", ("nodes", "cyl-3", "properties", "°c"), {"datatype": "float"}),
        ("no homie", ("homie",), None),
        ("patch level", ("homie",), "5.0.0"),
        ("version", ("version",), "3"),
        ("unknown key", ("made-by",), "us"),
        ("unknown key of a property", ("nodes", "cyl-3", "properties", "temperature", "ts"), "now"),
    ):
        whole = at = copy.deepcopy(described(samples.plugged()))
        for key in path[:-1]:
            at = at[key]
        if value is None:
            del at[path[-1]]
        else:
            at[path[-1]] = value
        out[name] = whole
    return out


def test_its_schema_refuses_what_is_wrong() -> None:
    wrong = spoilt()
    for name, said in zip(wrong, complaints(list(wrong.values())), strict=True):
        assert said, name


# -- its discovery


def agrees(known: dict[str, Any], device: str, tree: Tree) -> bool:
    """Whether it holds this device ready, with every value and alert as we meant them and no other."""
    if device not in known or known[device]["state"] != "ready":
        return False
    values = {
        f"{node}/{key}": p["value"].replace("\0", "")
        for node, of in known[device]["nodes"].items()
        for key, p in of["properties"].items()
        if p.get("value")
    }
    alerts = {f"$alert/{key}": text for key, text in known[device]["alerts"].items()}
    meant = {topic: payload.decode().replace("\0", "") for topic, payload in tree.values.items()}
    said = {topic: text for topic, text in values.items() if text}
    return said == {t: v for t, v in meant.items() if v} and alerts == {
        topic: payload.decode() for topic, payload in tree.alerts.items()
    }


@pytest.mark.parametrize("first", ["boards", "stranger"])
def test_it_lists_every_board_and_reads_every_value_unit_and_alert(broker: RealBroker, first: str) -> None:
    if first == "boards":
        with club(lambda _: on_port(broker.port)), Listening(broker.port) as stranger:
            hold_against_ours(stranger)
    else:
        with Listening(broker.port) as stranger, club(lambda _: on_port(broker.port)):
            hold_against_ours(stranger)


def hold_against_ours(stranger: Listening) -> None:
    for device, status in FLEET.items():
        tree = tree_of(status())
        stranger.wait_for(lambda known, d=device, t=tree: agrees(known, d, t))  # type: ignore[misc]
        seen = stranger.known[device]
        assert seen["name"] == tree.description["name"]
        for node, of in tree.description["nodes"].items():
            assert seen["nodes"][node]["name"] == of["name"]
            for key, p in of["properties"].items():
                there = seen["nodes"][node]["properties"][key]
                assert {k: there[k] for k in p} == p
                assert there["settable"] is False
                assert there["valid"], (device, node, key, there)
    assert set(stranger.known) == set(FLEET)
    look_by_hand(stranger.known)


def look_by_hand(known: dict[str, Any]) -> None:
    """A few things as a person would read them, written out: nothing here is worked out by our code."""
    cylinder = known["magpie"]["nodes"]["cyl-3"]["properties"]
    assert (cylinder["temperature"]["typed"], cylinder["temperature"]["unit"]) == (-6.0, "°C")
    assert cylinder["required"]["typed"] is True
    assert cylinder["sampled-at"]["typed"] == "2027-01-16T05:49:56.000Z"
    assert not known["kestrel"]["nodes"]["cyl-1"]["properties"]["temperature"].get("value")
    assert known["kestrel"]["nodes"]["cyl-1"]["properties"]["status"]["value"] == "open"
    assert "not measured" in known["kestrel"]["alerts"]["probe-cyl-1"]
    assert known["heron"]["nodes"]["plug"]["properties"]["power"]["typed"] == 480
    assert known["dunlin"]["nodes"]["plug"]["properties"]["locked"]["typed"] is True
    assert known["stork"]["name"] == boards.ODD_NAME
    assert "cylinder 2" in known["lapwing"]["alerts"]["too-hot-1"]


def test_what_changes_reaches_it_and_no_old_value_stays(broker: RealBroker) -> None:
    with club(lambda _: on_port(broker.port), "magpie") as couriers, Listening(broker.port) as stranger:
        for status in (samples.heating(), without("cyl-3"), samples.ready(), samples.heating()):
            couriers["magpie"].publish(status)
            tree = tree_of(status)
            stranger.wait_for(lambda known, t=tree: agrees(known, "magpie", t))  # type: ignore[misc]


def test_a_board_killed_is_lost_to_who_was_there_and_who_comes_later(broker: RealBroker) -> None:
    heating = tree_of(samples.heating())
    with club(lambda _: on_port(broker.port), "kestrel"), Listening(broker.port) as stranger:
        with board_of_its_own(broker.port) as process:
            stranger.wait_for(lambda known: agrees(known, "magpie", heating))
            process.send_signal(signal.SIGKILL)
            stranger.wait_for(lambda known: known["magpie"]["state"] == "lost")
        assert stranger.known["kestrel"]["state"] == "ready"
        with Listening(broker.port) as later:
            later.wait_for(lambda known: known.get("magpie", {}).get("state") == "lost")
        with board_of_its_own(broker.port):
            stranger.wait_for(lambda known: agrees(known, "magpie", heating))


def test_a_board_that_is_stopped_says_so_and_is_not_lost(broker: RealBroker) -> None:
    with Listening(broker.port) as stranger:
        with club(lambda _: on_port(broker.port), "magpie"):
            stranger.wait_for(lambda known: known.get("magpie", {}).get("state") == "ready")
        stranger.wait_for(lambda known: known["magpie"]["state"] == "disconnected")
        assert ("magpie", "lost") not in stranger.states
