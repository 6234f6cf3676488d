"""Orders of people: a reading by hand, an answer, a word on heater, oil, weather, departure or flight, a
pairing, a heat-up left out. Each is carried out at once; what takes longer is `beside`'s."""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import msgspec

from probe_agent import chosen, pairing, planning, sisters, store, supervisor, words
from probe_agent.by_hand import Answer, ByHand, last_time_at
from probe_agent.checking import Asked, Bench
from probe_agent.chosen import Change, Choice
from probe_agent.config import ONE_WIRE_ADDRESS, Settings
from probe_agent.corrections import CHECKS, HIGHEST_HPA, LOWEST_HPA
from probe_agent.departures import Departures
from probe_agent.finding import Finding
from probe_agent.harness import Harness
from probe_agent.letters import Letters
from probe_agent.logbook import Logbook
from probe_agent.pairing import Pairings
from probe_agent.physics import Physics
from probe_agent.previews import Previews
from probe_agent.store import Batch, Command, Moved, Store
from probe_agent.supervisor import Watch
from probe_agent.switching import Why
from probe_agent.switchman import ORDERS, Moment, Switchman
from probe_agent.take_along import TakeAlongs
from probe_agent.weather.heard import Heard

log = logging.getLogger(__name__)

CHECK_HOLDS_S = 86_400.0
"""So long a check's corrections may be accepted."""
_AFTER_S = 0.002
"""Stored instants are whole milliseconds: so much after the last tick, what it measured was before."""
FAILED = (
    "That failed inside the daemon; nothing of it is kept. Look at the page before giving it again; the log "
    "on the board says more."
)
TOO_LATE: Answer = (False, "That came too late and was not carried out. Please give it again.", "late")


@dataclass(slots=True)
class Standing:
    """How things stand as an order is carried out: the watch, which it may change; now in run seconds and in
    UTC seconds; whether the wall clock is known."""

    watch: Watch
    now_s: float
    now_at: float
    clock_ok: bool


@dataclass(frozen=True, slots=True)
class Orders:
    """The parts of the daemon that orders are for."""

    record: Store
    hand: ByHand
    pairings: Pairings
    heard: Heard
    logbook: Logbook
    departures: Departures
    letters: Letters
    physics: Physics
    previews: Previews
    harness: Harness
    finding: Finding
    bench: Callable[[], Bench]
    take_alongs: TakeAlongs
    file: Settings
    choose: Callable[[], None]
    switchman: Switchman | None = None

    def carry_out(self, command: Command, batch: Batch, at: Standing) -> Answer:
        """Do what a command says and tell what was done, or why not; the batch takes what is to be kept."""
        if time.time() > command.expires_at:
            return TOO_LATE
        try:
            return self._act(command, batch, at)
        except planning.NoSuchTime as err:
            return False, str(err)
        except (KeyError, TypeError, ValueError, ArithmeticError) as err:
            return False, f"The command is not complete ({err}). Nothing was changed."
        except sqlite3.Error:
            raise
        except Exception:  # whoever listens for commands must go on listening: "off" may be the next
            log.exception("command %s failed", command.kind)
            batch.statements.clear()
            batch.after.clear()
            return False, FAILED

    def _act(self, command: Command, batch: Batch, at: Standing) -> Answer:
        if command.kind in ORDERS:
            return self._switch(command, batch, at)
        act = {
            "hand-reading": self._take_hand_reading,
            "undo-hand-reading": self._undo_hand_reading,
            "answer-alert": self._take_answer,
            "heater-said": self._take_heater_word,
            "oil-out": self._take_oil_out,
            "oil-back": self._take_oil_back,
            "exclude-heatup": self._exclude_heatup,
            "preview-heatup": self._preview_heatup,
            "note-heatup": self._note_heatup,
            "check-probes": self._check_probes,
            "accept-correction": self._accept_correction,
            "undo-correction": self._undo_correction,
            "choose-setting": self._choose_setting,
            "undo-choice": self._undo_choice,
            "take-sister": self._take_sister,
            "undo-sister": self._undo_sister,
            "bind-probes": self._bind_probes,
            "undo-binding": self._undo_binding,
            "identify": self._identify,
            "cancel-departure": self._told(Departures.cancel, "not-flying"),
            "started": self._told(Departures.started, "started"),
            "did-not-start": self._told(Departures.did_not_start, "did-not-start"),
            "timer-set": self._told(Departures.timer_set),
            "answer-link": self._take_link,
            pairing.OFFER: self._offer_code,
            pairing.TRY: self._try_code,
            pairing.END: self._end_session,
            "weather-said": self._take_weather_word,
            "flew": self._take_flew_word,
            "mail-take-along": self._mail_table,
            "test-recipient": self._test_recipient,
        }.get(command.kind)
        if act is None:
            return False, f"This version knows no command {command.kind}."
        return act(command.body, batch, at)

    def _switch(self, command: Command, batch: Batch, at: Standing) -> Answer:
        """What is said to the plug. Off by it is off for the supervisor too."""
        if self.switchman is None:
            return False, "No plug is set up: there is no [switch] in the settings."
        moment = Moment(at.now_s, at.now_at)
        was_on = self.switchman.is_on
        answer = self.switchman.carry_out(command, batch, moment)
        if was_on and not self.switchman.is_on:
            at.watch = supervisor.say_heater(at.watch, False, at.now_s)
        return answer

    def _plug_off(self, why: Why, at: Standing) -> None:
        """Somebody's word ends the plug's heat too."""
        if self.switchman is not None:
            self.switchman.off(why, Moment(at.now_s, at.now_at))

    def _told(
        self, act: Callable[[Departures, Mapping[str, Any], Batch, float], Answer], said: str | None = None
    ) -> Callable[[Mapping[str, Any], Batch, Standing], Answer]:
        """What is told of a departure, carried out at this instant; the outing at hand hears of it too."""

        def carry_out(body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
            start_at = self.departures.start_of(body)
            answer = act(self.departures, body, batch, at.now_at)
            if answer[0] and start_at is not None and said is not None:
                batch.statements += self.logbook.hear_departure(said, start_at, at.now_s)
            if answer[0] and said == "started" and at.watch.heating is not False:
                at.watch = supervisor.say_heater(at.watch, False, at.now_s)  # it comes off before a start
            return answer

        return carry_out

    def _take_hand_reading(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        expected = self.physics.estimator.places_now
        return self.hand.take(body, batch, at.now_s, at.now_at - at.now_s, expected)

    def _undo_hand_reading(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        return self.hand.undo(body, batch, at.now_at)

    def _offer_code(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        done, text = self.pairings.offer(body, batch, time.time())
        if done and not at.clock_ok:
            text += " The board's clock is not set: a pairing made before it is may then have run out."
        return done, text

    def _try_code(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        return self.pairings.try_code(body, batch, time.time())

    def _end_session(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        return self.pairings.end(body, batch, time.time())

    def _take_weather_word(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        done, text, statements = self.heard.take_word(body, at.now_at)
        batch.statements += statements
        return done, text

    def _take_flew_word(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        done, text, statements = self.logbook.take_word(body, at.now_s)
        batch.statements += statements
        return done, text

    def _mail_table(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Send the table to take along to one recipient, as it is kept."""
        table = self.take_alongs.finished()
        if table is None:
            return False, words.NO_TABLE
        return self.letters.table(str(body["to"]), table, batch, at.now_at)

    def _test_recipient(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        return self.letters.ask_test(str(body["to"]))

    def _exclude_heatup(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """A heat-up teaches nothing any more, or teaches again; nothing of it is forgotten."""
        heatup, excluded, note = int(body["heatup"]), body["excluded"], body.get("note")
        if not isinstance(excluded, bool):
            return False, "Say whether it is to be left out."
        was = self.record.is_excluded(heatup)
        if was is None:
            return False, f"There is no heat-up {heatup}. probe-agent score shows their numbers."
        batch.statements.append(store.exclude_heatup(heatup, excluded, None if note is None else str(note)))
        if was != excluded:
            self.physics.teach_again()
        return True, words.exclusion(heatup, excluded, was)

    def _preview_heatup(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """What leaving a heat-up out would change, or counting it again; begun here, worked out beside."""
        heatup, excluded = int(body["heatup"]), body["excluded"]
        if not isinstance(excluded, bool):
            return False, "Say whether it would be left out."
        was = self.record.is_excluded(heatup)
        if was is None:
            return False, f"There is no heat-up {heatup}."
        if was == excluded:
            return False, words.exclusion(heatup, excluded, was)
        return self.previews.ask(heatup, excluded)

    def _note_heatup(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """What the owner writes of a heat-up; an empty note takes the old one away."""
        heatup, note = int(body["heatup"]), _readable(str(body["note"]))
        if len(note) > words.NOTE_LENGTH:
            return False, f"A note has at most {words.NOTE_LENGTH} letters; this one has {len(note)}."
        if self.record.is_excluded(heatup) is None:
            return False, f"There is no heat-up {heatup}."
        batch.statements.append(store.note_heatup(heatup, note))
        return True, "The note is kept." if note else "The note is taken away."

    def _check_probes(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """What probes should have read, and what correcting them would change; worked out beside."""
        asked = msgspec.convert(dict(body), Asked)
        bench = self.bench()
        if asked.kind not in CHECKS:
            return False, f"There is no check {asked.kind}."
        wrong = {asked.place, *asked.spots_c} - {*bench.places, "ambient", ""}
        if wrong or (asked.kind in ("ice", "boiling", "contact") and not asked.place):
            return False, "Say which probe. The page names those there are."
        if asked.kind in ("contact", "flange") and asked.c is None:
            return False, "Say what the thermometer read."
        if asked.kind == "boiling" and not LOWEST_HPA <= asked.field_hpa <= HIGHEST_HPA:
            said = f"No field has that pressure. Give {LOWEST_HPA:g} to {HIGHEST_HPA:g} hPa, or inches."
            return False, said, "pressure"
        return self.previews.check(asked, bench, at.now_at)

    def _accept_correction(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Correct probes as the last check proposes; readings already kept stay as they are."""
        found = store.read_check(self.record.kept(store.CHECK))
        if found is None or found.asked_at != float(body["asked_at"]) or found.state != "done":
            return False, "That check is no longer the last one. Look at the page and check again."
        if found.taken or not found.changing:
            return found.taken, "Accepted already." if found.taken else "It proposes nothing to correct."
        if found.basis != self.record.corrections_basis() or at.now_at - found.asked_at > CHECK_HOLDS_S:
            return False, "That check is too old, or probes were corrected since. Check again."
        reason = words.correction_reason(found.kind)
        if found.pressure_hpa is not None:
            reason += f" at {found.pressure_hpa:.0f} hPa"
        batch.statements += [
            store.keep_correction(c.address, c.wanted_c, at.now_at, reason) for c in found.changing
        ]
        taken = msgspec.structs.replace(found, taken=True)
        batch.statements.append(store.keep_value(store.CHECK, msgspec.json.encode(taken).decode()))
        batch.after.append(self._correct)
        return True, words.corrected([c.place for c in found.changing])

    def _undo_correction(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Undo a correction and those accepted together with it."""
        kept = self.record.corrections()
        one = next((c for c in kept if c.number == int(body["correction"])), None)
        if one is None:
            return False, "There is no such correction."
        if one.undone_at is not None:
            return True, "Undone already."
        together = [c for c in kept if c.from_at == one.from_at and c.reason == one.reason]
        batch.statements.append(store.undo_corrections([c.number for c in together], at.now_at))
        batch.after.append(self._correct)
        return True, words.uncorrected([c.place or c.address for c in reversed(together)])

    def _correct(self) -> None:
        self.harness.correct()
        self.physics.correct()

    def _bind_probes(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Have probes sit where the body says: places, address → place, "" for none; seen, the same as it was
        when that was chosen."""
        bound = self.record.bound()
        wanted = {str(a): str(p) or None for a, p in dict(body["places"]).items()}
        if {a: p for a, (p, _) in bound.items()} != {str(a): str(p) for a, p in dict(body["seen"]).items()}:
            return False, "Somebody has moved a probe since you looked. Look again, then choose."
        sources = {sample.address: source for source, sample in self.harness.unplaced}
        unseen = sorted(set(wanted) - set(bound) - set(sources))
        if no_address := next((a for a in unseen if not ONE_WIRE_ADDRESS.match(a)), None):
            said = "neither a probe that is known nor an address as the kernel writes it, such as"
            return False, f"{no_address} is {said} 28-00000a0b0c0d."
        sources |= dict.fromkeys(unseen, "one-wire")  # it may be plugged in later
        if strange := sorted({p for p in wanted.values() if p is not None} - set(self.harness.places)):
            there = ", ".join(self.harness.places)
            return False, f"{strange[0]} is not a place of this aircraft. There are: {there}."
        after = {a: p for a, (p, _) in bound.items()} | wanted
        used = sorted(p for p in after.values() if p is not None)
        if twice := next((p for p, q in pairwise(used) if p == q), None):
            return False, words.bound_twice(twice), twice
        return self._move(store.moves(bound, wanted, sources), batch, at)

    def _identify(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Begin a round of finding out which probe is warmed by hand, or end it. Nothing is bound by it."""
        do = str(body["do"])
        if do == "end":
            self.finding.end()
            return True, words.ROUND_ENDED
        if do != "begin":
            return False, "Say begin or end."
        if self.switchman is not None and self.switchman.is_on:
            return False, words.NOT_WHILE_ON
        bound = self.record.bound()
        if not bound and not self.harness.unplaced:
            return False, "No probe answers, so none can be found by warming it. probe-agent check says why."
        self.finding.begin(at.now_s, bound)
        return True, words.ROUND_BEGUN

    def _undo_binding(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Take the last change of bindings back."""
        changes = self.record.binding_changes()
        if not changes or changes[0].at != float(body["at"]):
            return False, "That is no longer the last change. Look again."
        if all(m.before is None for m in changes[0].moved):
            return False, "Before that no probe sat anywhere. Choose where each sits instead."
        return self._move(tuple(store.undone(changes[0])), batch, at)

    def _move(self, moved: Sequence[Moved], batch: Batch, at: Standing) -> Answer:
        """Probes sit elsewhere from this instant on. A heat-up during which one moved teaches nothing."""
        if not moved:
            return True, "Every probe sits there already."
        if self.switchman is not None and self.switchman.is_on:
            return False, words.NOT_WHILE_ON
        batch.statements += store.rebind(moved, at.now_at + _AFTER_S)
        batch.after.append(self._rebind)
        said = [words.probes_moved(moved)]
        bare = {m.before for m in moved if m.before is not None} - {m.after for m in moved}
        said.append(words.left_without(sorted(bare), self.harness.required))
        heatup = self.record.open_heatup() if at.watch.heatup is not None else None
        if heatup is not None:
            batch.statements.append(store.exclude_heatup(heatup, True, "A probe was moved during it."))
            said.append(words.HEATUP_LEFT_OUT)
        return True, " ".join(s for s in said if s)

    def _rebind(self) -> None:
        self.harness.rebind()
        self.physics.look_again()
        self.choose()

    def _choose_setting(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Have a setting be another: name, text as typed in unit; or as_file = true, what the file says."""
        name, unit = str(body["name"]), _unit(body)
        choice = chosen.choice_of(name)
        if choice is None:
            known = ", ".join(c.name for c in chosen.CHOICES)
            return False, f"{name} is changed in the settings file alone. Here: {known}."
        try:
            text = str(body.get("text", ""))
            value = None if body.get("as_file") is True else chosen.judged(choice, text, unit, self.file)
        except chosen.Refused as err:
            return False, str(err), name
        changes = chosen.read_changes(self.record.kept(chosen.KEPT))
        return self._chosen(choice, (*changes, chosen.Change(at.now_at, name, value)), unit, batch, at)

    def _undo_choice(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Take the change made at that instant back; the one before it holds again."""
        changes, made_at = chosen.read_changes(self.record.kept(chosen.KEPT)), float(body["at"])
        last = next((c for c in chosen.in_force(changes).values() if c.at == made_at), None)
        choice = None if last is None else chosen.choice_of(last.name)
        if last is None or choice is None:
            return False, "That change no longer holds. Look again."
        taken_back = msgspec.structs.replace(last, undone_at=at.now_at)
        without = tuple(taken_back if c is last else c for c in changes)
        return self._chosen(choice, without, _unit(body), batch, at)

    def _chosen(
        self, choice: Choice, changes: Sequence[Change], unit: words.Unit, batch: Batch, at: Standing
    ) -> Answer:
        """These changes hold from now on."""
        now = chosen.with_kept(self.file, self.record.kept(chosen.KEPT))
        then = chosen.with_chosen(self.file, changes)
        if choice.name == "target_c" and now != then and at.watch.heatup is not None:
            return False, "A heat-up is at hand, and it keeps its target. Change it afterwards.", choice.name
        batch.statements.append(store.keep_value(chosen.KEPT, chosen.keep_text(changes)))
        batch.after.append(self.choose)
        value, file = (chosen.shown(choice, chosen.value_of(s, choice), unit) for s in (then, self.file))
        said = "as the settings file says" if value == file else f"the settings file says {file}"
        return True, f"{choice.what}: {value} from now on, {said}."

    def _take_sister(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Have the setup in use rest on a sister: file, as exported."""
        try:
            found, checksum = sisters.read(str(body["file"]))
            sisters.fitted(found, checksum, self.file, self.harness.places)
        except sisters.Refused as err:
            return False, str(err), "file"
        assert self.file.setup is not None
        kept = sisters.read_taken(self.record.kept(sisters.KEPT))
        held = sisters.in_force(kept, self.file.setup.name)
        if held is not None and held.checksum == checksum:
            return True, "It rests on that file already."
        one = sisters.Taken(at.now_at, self.file.setup.name, checksum, str(body["file"]))
        self._keep_sisters((*kept, one), batch)
        return True, words.sister_taken(found.heat_ups, found.called)

    def _undo_sister(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Have the setup in use rest on no sister any more."""
        kept = sisters.read_taken(self.record.kept(sisters.KEPT))
        setup = self.file.setup
        held = None if setup is None else sisters.in_force(kept, setup.name)
        if held is None:
            return False, words.NO_SISTER
        ended = msgspec.structs.replace(held, undone_at=at.now_at, text="")
        self._keep_sisters(tuple(ended if t is held else t for t in kept), batch)
        return True, words.SISTER_UNDONE

    def _keep_sisters(self, taken: Sequence[sisters.Taken], batch: Batch) -> None:
        batch.statements.append(store.keep_value(sisters.KEPT, sisters.keep_text(taken)))
        batch.after.append(self.physics.rest_on_sister)

    def _take_answer(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        alert, answer = str(body["alert"]), str(body["answer"])
        watch = supervisor.answer_alert(at.watch, alert, answer, at.now_s)
        if watch is None:
            return False, "That alert is no longer open."
        at.watch = watch
        if answer == "it-is-off":
            self._plug_off("said-off", at)
        batch.statements.append(store.answer_alert(alert, answer, at.now_at))
        return True, f"Noted: {words.answer_words(answer)}. If the curve contradicts it, I ask again."

    def _take_link(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """An answer by a link, or by the code of a test message: each works once."""
        token, now_at = bytes.fromhex(str(body["hash"])), at.now_at
        link = self.record.link(token)
        if link is None:
            return False, "Nothing was done: no message of ours had that in it."
        if link.used_at is not None:
            return True, "Noted already."
        if now_at > link.expires_at:
            return False, "Nothing was done: this is over, or too old. The page says how things stand."
        name = link.alert.removeprefix(f"{store.TEST}:")
        if name != link.alert:
            batch.statements += [store.mark_proven(name, now_at), store.use_link(token, now_at)]
            self.letters.prove(name, now_at)
            return True, f"Noted: messages reach {name}."
        answer = words.link_answer(link.alert.partition(":")[0], link.harm)
        given = self._take_answer({"alert": link.alert, "answer": answer}, batch, at)
        if given[0]:
            batch.statements.append(store.use_link(token, now_at))
        return given

    def _take_heater_word(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        on = body["on"]
        if not isinstance(on, bool):
            return False, "Say on or off."
        if body.get("clock") is not None:
            return self._take_heater_since(body, batch, at)
        at.watch = supervisor.say_heater(at.watch, on, at.now_s)
        if not on:
            self._plug_off("said-off", at)
        return True, f"Noted: the heater is {'on' if on else 'off'}."

    def _take_heater_since(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """On since a time of day at the field: clock, HH:MM. What was seen since is seen anew with that."""
        zone = self.departures.rules.zone
        if body["on"] is not True:
            return False, "A time goes with on alone; off holds from now.", "since"
        try:
            since_at = last_time_at(str(body["clock"]), zone, at.now_at)
        except ValueError:
            since_at = None
        if since_at is None or at.now_at - since_at > words.LONGEST_ON_S:
            return False, words.on_too_long_ago(), "since"
        off_at = self._last_off_at(at)
        if off_at is not None and since_at < off_at:
            return False, words.on_before_off(off_at, zone, at.now_at), "since"
        at.watch = supervisor.say_heater(at.watch, True, at.now_s - (at.now_at - since_at))
        batch.after.append(self.physics.look_again)
        return True, words.on_since(since_at, zone, at.now_at)

    def _last_off_at(self, at: Standing) -> float | None:
        """When heat last ended, by somebody's word or by the record [UTC s]."""
        said_s = at.watch.told_off_s
        known = (self.record.last_off_at(), None if said_s is None else at.now_at - (at.now_s - said_s))
        return max((k for k in known if k is not None), default=None)

    def _take_oil_out(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        at.watch = supervisor.say_oil(at.watch, True, at.now_s)
        self._plug_off("oil-out", at)
        return True, words.OIL_IS_OUT

    def _take_oil_back(self, body: Mapping[str, Any], batch: Batch, at: Standing) -> Answer:
        """Only with the level checked, for nothing here measures it."""
        if at.watch.oil_out_s is None:
            return False, "Nobody has said that the oil is out."
        if body.get("level_checked") is not True:
            return False, "Check the oil's level first; then say back in, level checked."
        at.watch = supervisor.say_oil(at.watch, False, at.now_s)
        return True, words.OIL_IS_BACK


def _unit(body: Mapping[str, Any]) -> words.Unit:
    """The unit something was typed in."""
    return "F" if body.get("unit") == "F" else "C"


def _readable(text: str) -> str:
    """A text of several lines without what can't be shown: control characters, halves of pairs."""
    return "".join(ch for ch in text if ch.isprintable() or ch == "\n").strip()
