"""What heat-ups taught of one aircraft, carried to another of the same kind in a file: what stands in it,
whether it fits, and which one a setup rests on. Nothing in it tells whose aircraft it is, or when and where
she flies."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from probe_agent import words
from probe_agent.config import Settings, Setup
from probe_agent.thermal.described import physics_places, prior_of
from probe_agent.thermal.memory import Memory
from probe_agent.thermal.prior import MODEL_VERSION, Prior
from probe_agent.thermal.sister import believing, doubt

KEPT = "sisters"
"""The name under which it is kept which sister each setup rests on."""
FORMAT = 1
LONGEST = 200_000
"""Characters of a file."""
MOST_KEPT = 20
LEAST_IN_COMMON = 0.75
"""So much of the places of both has to be the same: the rest is unlike what the shared parameters mean."""
POWER_APART = 1.25
"""Watts may differ by this factor; the rate of warming is believed to differ as they do."""
CALLED = re.compile(r"[^\W_][\w .'-]{0,29}")
_DIGITS = 6


class Refused(ValueError):
    """The file can't be taken; the text says why and what to do."""


class Kind(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What aircraft, heater and cover have to be the same in."""

    layout: str
    cooling: str
    heater: str
    cover: bool
    cowl_plugs: bool
    stands: str


class SetupFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What one aircraft's heat-ups taught. called: the word under which she wants to be known, "": none;
    heat_ups: so many taught it; made_on: day of the export, UTC; places: place → whether it reads
    near the heater; names, mean, covariance: of the parameters that places and setup have, the covariance's
    lower triangle row by row."""

    called: str
    made_on: str
    model_version: int
    heat_ups: int
    kind: Kind
    watts: float
    places: dict[str, bool]
    names: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[float, ...]


class Taken(msgspec.Struct, frozen=True):
    """One sister a setup was to rest on: since when [UTC s], the setup's name, the file's checksum;
    undone_at; text: the file, "" once it is undone."""

    at: float
    setup: str
    checksum: str
    text: str
    undone_at: float | None = None


@dataclass(frozen=True, slots=True)
class Sister:
    """The sister a setup rests on. lacks: places here that she doesn't tell of."""

    called: str
    heat_ups: int
    checksum: str
    prior: Prior
    lacks: tuple[str, ...] = ()


# -- the file


def written(settings: Settings, memory: Memory, called: str, made_on: str) -> str:
    """What a setup's memory is as a file. Raises Refused where the word for the aircraft can't be one, or no
    setup is described."""
    setup = settings.setup
    if setup is None:
        raise Refused("The settings describe no setup. Add a table [[setups]].")
    if called and not CALLED.fullmatch(called):
        raise Refused("Call her by one short word or two: letters, digits, spaces, up to 30.")
    near = {p.name: p.near_heater for p in settings.places}
    rows = (row[: i + 1] for i, row in enumerate(memory.covariance))
    whole = SetupFile(
        called,
        made_on,
        memory.model_version,
        memory.heat_ups,
        kind_of(settings, setup),
        setup.watts,
        {p: near.get(p, False) for p in sorted({n.partition(":")[2] for n in memory.names} - {""})},
        memory.names,
        tuple(map(_short, memory.mean)),
        tuple(_short(x) for row in rows for x in row),
    )
    body = msgspec.to_builtins(whole)
    envelope = {"probe-agent-setup": FORMAT, "sha256": _sum(body), "setup": body}
    return json.dumps(envelope, ensure_ascii=False, separators=(",", ":")) + "\n"


def _short(x: float) -> float:
    return float(f"{x:.{_DIGITS}g}")


def _sum(body: Any) -> str:
    """SHA-256 of a content, whatever its spaces and order."""
    plain = json.dumps(body, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(plain.encode()).hexdigest()


def kind_of(settings: Settings, setup: Setup) -> Kind:
    aircraft = settings.aircraft
    return Kind(aircraft.layout, aircraft.cooling, setup.heater, setup.cover, setup.cowl_plugs, setup.stands)


def read(text: str) -> tuple[SetupFile, str]:
    """A file and its checksum. Raises Refused where it is none, damaged, of another version, or holds values
    that nobody can have measured."""
    if len(text) > LONGEST:
        raise Refused("That is no setup of probe-agent: it is far too long.")
    try:
        envelope = json.loads(text)
        made, told, body = (envelope[key] for key in ("probe-agent-setup", "sha256", "setup"))
    except (ValueError, TypeError, KeyError, RecursionError):
        raise Refused(
            "That is no setup of probe-agent. Take the file that `probe-agent setups export` wrote."
        ) from None
    if made != FORMAT:
        raise Refused(
            f"That file has format {made!s:.9}; this version reads format {FORMAT}. Update the older one."
        )
    if told != _sum(body):
        raise Refused(
            "The file is not as it was exported: its checksum doesn't fit. Copy or export it again."
        )
    try:
        found = msgspec.convert(body, SetupFile)
    except msgspec.ValidationError as err:
        raise Refused(f"The file is not complete ({err}). Export it again.") from None
    _judge(found)
    return found, str(told)


def _judge(found: SetupFile) -> None:
    """Raises Refused for what no memory can be."""
    n = len(found.names)
    if found.model_version != MODEL_VERSION:
        raise Refused(
            f"The file is of another version of the physics ({found.model_version}, here {MODEL_VERSION}), "
            "whose figures mean something else. Bring both boards to the same version, then export it again."
        )
    numbers = (*found.mean, *found.covariance, found.watts)
    fits = len(set(found.names)) == n == len(found.mean) and len(found.covariance) == n * (n + 1) // 2
    if not fits or not all(map(math.isfinite, numbers)) or not 1 <= found.heat_ups <= 100_000:
        raise Refused("The file's figures don't belong together. Export it again.")
    if found.called and not CALLED.fullmatch(found.called):
        raise Refused("The file's word for the aircraft is none. Export it again with another --as.")
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", found.made_on) or found.watts <= 0:
        raise Refused("The file's figures can't be. Export it again.")


def memory_of(found: SetupFile) -> Memory:
    """The memory a file holds."""
    n, triangle = len(found.names), found.covariance
    rows = [list(triangle[i * (i + 1) // 2 : (i + 1) * (i + 2) // 2]) for i in range(n)]
    whole = tuple(tuple(rows[max(i, j)][min(i, j)] for j in range(n)) for i in range(n))
    return Memory(found.names, found.mean, whole, found.heat_ups)


# -- whether it fits


def fitted(found: SetupFile, checksum: str, settings: Settings, places: Sequence[str]) -> Sister:
    """The sister as a setup here can rest on her. Raises Refused with what doesn't fit."""
    setup = settings.setup
    if setup is None:
        raise Refused(
            "The settings describe no setup, so nothing can rest on a sister. Add a table [[setups]]."
        )
    here = kind_of(settings, setup)
    unlike = [key for key in Kind.__struct_fields__ if getattr(here, key) != getattr(found.kind, key)]
    if unlike:
        raise Refused(words.sister_unlike([(k, getattr(found.kind, k), getattr(here, k)) for k in unlike]))
    power = setup.watts / found.watts
    if not 1 / POWER_APART <= power <= POWER_APART:
        raise Refused(words.sister_watts(found.watts, setup.watts))
    alike, lacks = _alike(found, settings, places)
    prior = prior_of(settings, places)
    memory = memory_of(found)
    if why := doubt(prior, memory, alike):
        raise Refused(f"The file holds figures that no such engine can have ({why}). Export it again.")
    return Sister(found.called, found.heat_ups, checksum, believing(prior, memory, alike, power), lacks)


def _alike(
    found: SetupFile, settings: Settings, places: Sequence[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Places that mean the same in both, and those here of which the sister tells nothing."""
    near = {p.name: p.near_heater for p in settings.places}
    here = physics_places(places)
    alike = tuple(sorted(p for p in here if found.places.get(p) == near.get(p, False)))
    every = {*here, *found.places}
    if len(alike) < LEAST_IN_COMMON * len(every):
        raise Refused(words.sister_places(sorted(found.places), sorted(here)))
    return alike, tuple(sorted(set(here) - set(alike)))


# -- which one is in use


def read_taken(text: str | None) -> tuple[Taken, ...]:
    """What is kept, oldest first; none where it is of another version."""
    try:
        return msgspec.json.decode(text or "[]", type=tuple[Taken, ...])
    except msgspec.MsgspecError:
        return ()


def keep_text(taken: Iterable[Taken]) -> str:
    """What is kept of them: the last ones, and of each setup the one that holds; it alone keeps its file."""
    every = tuple(taken)
    held = {id(in_force(every, name)) for name in {t.setup for t in every}}
    kept = [
        t if id(t) in held else msgspec.structs.replace(t, text="")
        for i, t in enumerate(every)
        if i >= len(every) - MOST_KEPT or id(t) in held
    ]
    return msgspec.json.encode(kept).decode()


def in_force(taken: Iterable[Taken], setup: str) -> Taken | None:
    """The one a setup is to rest on: the last, where it isn't undone."""
    last = [t for t in taken if t.setup == setup][-1:]
    return last[0] if last and last[0].undone_at is None else None


def sister_of(settings: Settings, places: Sequence[str], kept: str | None) -> tuple[Sister | None, str]:
    """The sister the setup in use rests on, by what is kept; None where there is none, and why one that was
    taken doesn't count any more."""
    setup = settings.setup
    held = None if setup is None else in_force(read_taken(kept), setup.name)
    if held is None:
        return None, ""
    try:
        return fitted(*read(held.text), settings, places), ""
    except Refused as err:
        return None, str(err)
