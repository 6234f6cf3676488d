"""The departures somebody has planned: taken by command, kept in the record, planned by a worker.

The plan itself is `planning`'s. Here it is asked for when it is due, kept, shown and told.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec

from probe_agent import planning, store, words
from probe_agent.by_hand import Answer
from probe_agent.config import CERTAINTIES, Settings
from probe_agent.document import plan_now
from probe_agent.planning import Departure, PlanRules, Snapshot, Word
from probe_agent.status import PlanNow
from probe_agent.store import Batch, Store
from probe_agent.supervisor import Announcement

log = logging.getLogger(__name__)

KEPT_S = 3 * 86_400.0
"""So long after its start a departure is still known by its number."""


class Kept(msgspec.Struct, frozen=True):
    """A departure as the record has it: all of it, and as viewers are shown it."""

    departure: Departure
    shown: PlanNow


def kept_departures(file: Path, now_at: float) -> list[PlanNow]:
    """The open departures of a store as viewers see them, the next one first. Raises StoreError."""
    reader = store.Reader(file)
    try:
        texts = reader.departures(now_at - KEPT_S)
    finally:
        reader.close()
    kept = [msgspec.json.decode(text, type=Kept) for text in texts]
    return [k.shown for k in kept if k.departure.is_open]


class Departures:
    """The departures of this aircraft, by number."""

    def __init__(self, record: Store, settings: Settings, zone: str, setup: int | None) -> None:
        self._record, self._setup, self._zone = record, setup, zone
        self.go_by(settings)
        self._all: dict[int, Departure] = {}
        self.plug_acts = False
        """Whether our plug switches on what is planned for it."""
        self.earlier: dict[int, Departure] = {}
        """Departures whose heat goes on earlier than planned, for others on the same circuit."""

    def go_by(self, settings: Settings) -> None:
        """These settings hold from now on."""
        self._settings = settings
        self.rules: PlanRules = planning.plan_rules(settings, self._zone)

    def recall(self, now_at: float) -> None:
        """Take up what an earlier run kept."""
        for text in self._record.departures(now_at - KEPT_S):
            try:
                kept = msgspec.json.decode(text, type=Kept)
            except msgspec.MsgspecError:
                log.warning("a departure of another version is passed over")
                continue
            self._all[kept.departure.number] = kept.departure

    # -- seeing

    @property
    def coming(self) -> tuple[Departure, ...]:
        """The open departures, the next one first."""
        return tuple(sorted((d for d in self._all.values() if d.is_open), key=lambda d: d.start_at))

    def shown(self, now_at: float, number: int | None = None) -> PlanNow | None:
        """A departure as viewers see it: that one, or the next."""
        coming = self.coming
        found = self._all.get(number) if number is not None else (coming[0] if coming else None)
        return None if found is None else self._show(found, now_at)

    def unsettled(self, since_at: float) -> Departure | None:
        """The earliest departure, its start not before since_at [UTC s], that nobody has settled."""
        found = (d for d in self._all.values() if d.is_open or d.state == "passed")
        return min((d for d in found if d.start_at >= since_at), key=lambda d: d.start_at, default=None)

    def nearest(self, from_at: float, until_at: float, to_at: float) -> Departure | None:
        """The departure whose start is nearest to an instant, between two others [UTC s], also where it has
        passed or started; none that was cancelled."""
        found = (
            d for d in self._all.values() if d.state != "not-flying" and from_at <= d.start_at <= until_at
        )
        return min(found, key=lambda d: abs(d.start_at - to_at), default=None)

    def expected_at(self, departure: Departure) -> float | None:
        """When its engine is to start as things stand; of one spoken of after its start, as its plan says."""
        if (departure.changed_at or 0.0) < departure.start_at or not departure.is_open:
            return departure.start_at
        return None if departure.plan is None else departure.plan.start_at

    def still_wants(self, word: Announcement, at: float, now_at: float) -> bool:
        """Whether a word of `at` [UTC s] that had to wait is still of use: one of a departure only while that
        is open, and not past its own time."""
        if word.departure is None:
            return True
        found = self._all.get(word.departure)
        return found is not None and found.is_open and now_at < at + word.valid_s

    def _show(self, departure: Departure, now_at: float) -> PlanNow:
        more = sum(d.number != departure.number for d in self.coming)
        moved = self.earlier.get(departure.number)
        if moved is not None and moved.plan is not None and departure.plan is not None and departure.is_open:
            made = replace(departure.plan, switch_on_at=moved.plan.switch_on_at)
            departure = replace(departure, plan=made)
        return plan_now(departure, self.rules, now_at, self._contact, more, self.plug_acts)

    @property
    def _contact(self) -> str | None:
        """Who is at the field, and how they are reached."""
        found = (r for r in self._settings.recipients if r.name == self._settings.planning.person)
        return next((f"{r.name}, {r.contact}" for r in found if r.contact is not None), None)

    def due(self, now_at: float, coldest_c: float | None, basis: str) -> tuple[int, ...]:
        """Which plans are to be worked out."""
        return tuple(d.number for d in self.coming if planning.is_due(d, now_at, coldest_c, basis))

    # -- living on

    def follow(self, now_at: float, heating: bool | None, heated: bool, batch: Batch) -> tuple[Word, ...]:
        """One tick: what becomes of each departure, and what is to be said. heated: there is a heat-up."""
        out: list[Word] = []
        following = planning.next_of(self._all.values())
        for before in self.coming:
            after = planning.followed(before, now_at, heating, heated, before is following)
            if before is following:  # a later one is spoken of when its turn has come
                after, said = planning.words_due(after, now_at, self.rules)
                out += said
            if after != before:
                self._keep(after, now_at, batch)
        return tuple(out)

    def work_out(self, numbers: tuple[int, ...], snapshot: Snapshot) -> list[tuple[Departure, planning.Plan]]:
        """The plans of these departures from a frozen tick. Changes nothing; some 0.1 s each."""
        made: dict[int, Departure] = {}
        for d in self.coming:
            if d.number in numbers:
                earlier = [made.get(e.number, e) for e in self._before(d)]
                made[d.number] = replace(d, plan=planning.plan(d, snapshot, self.rules, earlier))
        return [(self._all[n], d.plan) for n, d in made.items() if d.plan is not None]

    def _before(self, departure: Departure) -> list[Departure]:
        """What comes before a departure: the open ones, and one that has started."""
        found = (d for d in self._all.values() if d.is_open or d.state == "started")
        before = (d for d in found if d.number != departure.number and d.start_at < departure.start_at)
        return sorted(before, key=lambda d: d.start_at)

    def take(self, made: Iterable[tuple[Departure, planning.Plan]], now_at: float, batch: Batch) -> None:
        """Go on with what was worked out, unless somebody has changed the departure meanwhile."""
        for asked, plan in made:
            found = self._all.get(asked.number)
            if found is not None and found.is_open and found.changed_at == asked.changed_at:
                self._keep(replace(found, plan=plan), now_at, batch)

    def _keep(self, departure: Departure, now_at: float, batch: Batch) -> None:
        changed = {departure.number: departure, **self._made_stale(departure)}
        self._all = {**self._all, **changed}  # the worker may be reading the other one
        kept = Kept(departure, self._show(departure, now_at))
        made = departure.plan
        batch.statements.append(
            store.keep_departure(
                departure.number,
                self._setup,
                departure.start_at,
                msgspec.json.encode(kept).decode(),
                departure.state,
                departure.made_at,
                departure.changed_at or departure.made_at,
                made.switch_on_at if made is not None else None,
                made.made_at if made is not None else None,
            )
        )
        if not departure.is_open:
            batch.statements.append(store.end_departure(departure.number, departure.state, now_at))

    def _made_stale(self, departure: Departure) -> dict[int, Departure]:
        """Later departures whose plans rest on this one, which is no longer what it was."""
        known = self._all.get(departure.number)
        if known is not None and _in_short(known) == _in_short(departure):
            return {}
        later = (d for d in self.coming if d.start_at > departure.start_at and d.number != departure.number)
        return {d.number: replace(d, plan=replace(d.plan, basis="")) for d in later if d.plan is not None}

    # -- commands. Each raises KeyError, TypeError, ValueError where the body is not complete.

    def asked(self, body: Mapping[str, Any], now_at: float) -> tuple[Departure, str]:
        """The departure a body describes, number 0, and what was assumed. A body without start is one as
        soon as may be. Raises planning.NoSuchTime."""
        wishes, setup = self._settings.planning, self._settings.setup
        uncovered_s = _minutes(body.get("uncovered_min", wishes.uncovered_min), 180)
        said = body.get("start")
        soon = planning.Instant(now_at + uncovered_s + 60.0)
        instant = soon if said is None else planning.field_instant(str(said), self.rules.zone)
        attended = setup is not None and setup.heater == "combustion"
        by = setup.switched_by if setup is not None else "person"
        if attended and by in ("timer", "our-plug"):
            by = "pilot"
        departure = Departure(
            0,
            instant.at,
            now_at,
            CERTAINTIES[body.get("certainty", wishes.certainty)],
            uncovered_s,
            _minutes(body.get("travel_min", wishes.travel_min), 600),
            by,
            attended,
        )
        return departure, instant.note

    def what_if(self, body: Mapping[str, Any], snapshot: Snapshot) -> Answer:
        """What would be planned; keeps nothing."""
        departure, note = self.asked(body, snapshot.now_at)
        if (refusal := planning.wished(departure, snapshot.now_at)) is not None:
            return False, refusal
        planned = self._planned(departure, snapshot)
        if "start" not in body:
            shown = self._show(planned, snapshot.now_at)
            unit = self._settings.messages.unit
            return True, words.soonest_answer(shown, self.rules.zone, snapshot.now_at, unit)
        return True, self._said(planned, snapshot.now_at, note)

    def plan(self, body: Mapping[str, Any], snapshot: Snapshot) -> tuple[Departure | None, Answer]:
        """A new departure with its plan, not yet kept, or why not."""
        departure, note = self.asked(body, snapshot.now_at)
        refusal = planning.wished(departure, snapshot.now_at)
        same = next((d for d in self.coming if abs(d.start_at - departure.start_at) < 600), None)
        if refusal is None and same is not None:
            clock = words.moment(same.start_at, self.rules.zone, snapshot.now_at)
            refusal = f"A departure at {clock} is planned already (number {same.number}). Move or cancel it."
        if refusal is not None:
            return None, (False, refusal)
        planned = self._planned(departure, snapshot)
        return planned, (True, self._said(planned, snapshot.now_at, note))

    def move(self, body: Mapping[str, Any], snapshot: Snapshot) -> tuple[Departure | None, Answer]:
        """A departure with another start and its plan, not yet kept, or why not."""
        found = self._open(body)
        if found is None:
            return None, _GONE
        instant = planning.field_instant(str(body["start"]), self.rules.zone)
        departure = planning.moved(found, instant.at, snapshot.now_at)
        if (refusal := planning.wished(departure, snapshot.now_at)) is not None:
            return None, (False, refusal)
        planned = self._planned(departure, snapshot)
        return planned, (True, self._said(planned, snapshot.now_at, instant.note))

    def enter(self, departure: Departure, now_at: float, batch: Batch) -> bool:
        """Keep a new or moved departure; False where the one it was made from is no longer open."""
        if departure.number == 0:
            departure = replace(departure, number=self._record.next_departure_number())
        elif (before := self._all.get(departure.number)) is None or not before.is_open:
            return False
        else:
            told = replace(before.told, switch_word_at=None)
            departure = replace(departure, told=told, timer_at=before.timer_at)
        batch.withdrawn.append((f"plan-{departure.number}", None))
        self._keep(departure, now_at, batch)
        return True

    def _planned(self, departure: Departure, snapshot: Snapshot) -> Departure:
        earlier = self._before(departure)
        return replace(departure, plan=planning.plan(departure, snapshot, self.rules, earlier))

    def _said(self, departure: Departure, now_at: float, note: str) -> str:
        shown = self._show(departure, now_at)
        said = words.plan_answer(shown, self.rules.zone, now_at, self._settings.messages.unit)
        return f"{note} {said}" if note else said

    def cancel(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """Nobody flies: the plan ends, and nothing heats for it."""
        found = self._open(body)
        if found is None:
            return _GONE
        self._end(found, "not-flying", batch, now_at)
        if found.state == "heating" and found.by == "our-plug" and self.plug_acts:
            return True, "Noted: not flying. The plug is switched off with the next reading."
        if found.state == "heating" or found.timer_at is not None:
            return True, "Noted: not flying. Switch the heater off, or its timer; nothing here does it."
        return True, "Noted: not flying. Nothing heats for it, and no more word comes of it."

    def started(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """The engine runs."""
        found = self._open(body)
        if found is None:
            return _GONE
        self._end(found, "started", batch, now_at)
        return True, "Noted: started. This plan is done; the next flight needs a plan of its own."

    def did_not_start(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """It did not start: heat again, the start as soon as may be."""
        found = self._open(body)
        if found is None:
            return _GONE
        told = replace(found.told, switch_word_at=None, switch_on_at=None)
        again = replace(found, state="did-not-start", changed_at=now_at, timer_at=None, plan=None, told=told)
        self._keep(again, now_at, batch)
        return True, "Noted: did not start. Heat again; the earliest start is being worked out."

    def timer_set(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """The pilot has set the timer and leaves: its switch-on is final."""
        found = self._open(body)
        if found is None:
            return _GONE
        if found.attended:
            return False, "A combustion heater is never left to a timer. Be with it while it heats."
        said = body.get("at")
        instant = None if said is None else planning.field_instant(str(said), self.rules.zone)
        at = instant.at if instant is not None else found.plan.switch_on_at if found.plan else None
        if at is None:
            return False, "No switch-on is planned. Say what the timer is set to."
        if not now_at - 60 <= at < found.start_at:
            return False, "A timer is set to an instant between now and the start. Look at it again."
        kept = replace(found, timer_at=at, plan=None, by="timer", changed_at=now_at)
        self._keep(kept, now_at, batch)
        clock = words.moment(at, self.rules.zone, now_at)
        return True, f"Noted: the timer is set for {clock}. Later changes move the start, not the switch-on."

    def start_of(self, body: Mapping[str, Any]) -> float | None:
        """The start [UTC s] of the open departure a body names, or of the next one."""
        found = self._open(body)
        return None if found is None else found.start_at

    def _open(self, body: Mapping[str, Any]) -> Departure | None:
        """The open departure a body names; the next one where it names none."""
        number = body.get("departure")
        if number is None:
            return planning.next_of(self._all.values())
        found = self._all.get(int(number))
        return found if found is not None and found.is_open else None

    def _end(self, departure: Departure, state: planning.State, batch: Batch, now_at: float) -> None:
        batch.withdrawn.append((f"plan-{departure.number}", None))
        self._keep(replace(departure, state=state, changed_at=now_at), now_at, batch)


def _in_short(departure: Departure) -> tuple[str, float, float | None]:
    return departure.state, departure.start_at, departure.timer_at


_GONE: Answer = (False, "That departure isn't planned any more. The page shows which are.")


def _minutes(value: Any, most: float) -> float:
    """Minutes of a body as seconds. Raises ValueError."""
    number = float(value)
    if not 0 <= number <= most:
        raise ValueError(f"minutes must be 0 to {most:g}")
    return number * 60
