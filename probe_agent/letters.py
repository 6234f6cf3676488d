"""What is said goes into letters: to whom, when, in which words; and who has proven to get them."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from probe_agent import store, supervisor, telling, words
from probe_agent.by_hand import Answer
from probe_agent.config import Recipient, Settings
from probe_agent.couriers import MessageCourierLike
from probe_agent.departures import Departures
from probe_agent.planning import Word
from probe_agent.status import Status, TakeAlong
from probe_agent.store import Batch, Message, Store
from probe_agent.supervisor import Announcement, Watch

TEST_VALID_S = 3 * 86_400.0
_OWED = "owed-words"


class Letters:
    """Words addressed, held back in quiet hours, and written; nothing where nobody is to get any.

    Of instants and spans: UTC seconds and seconds. What it decides goes into the batch it is given.
    """

    def __init__(
        self,
        settings: Settings,
        courier: MessageCourierLike | None,
        record: Store,
        departures: Departures,
        zone: str,
    ) -> None:
        self._settings, self._courier, self._record = settings, courier, record
        self._departures, self._zone = departures, zone
        self._owed = self._kept_owed()
        self._tested = record.tested()
        self._shall_test = True
        self._to_test: list[str] = []

    def go_by(self, settings: Settings) -> None:
        """Other settings hold from now on."""
        self._settings = settings

    def _kept_owed(self) -> telling.Owed:
        """Words that waited for the end of quiet hours when the daemon ended."""
        try:
            return msgspec.json.decode(
                self._record.kept(_OWED) or "{}", type=dict[str, tuple[tuple[float, Announcement], ...]]
            )
        except msgspec.MsgspecError:
            return {}

    @property
    def recipients(self) -> tuple[Recipient, ...]:
        """Who is to hear anything."""
        return self._courier.recipients if self._courier is not None else ()

    @property
    def owed(self) -> telling.Owed:
        """Words that wait for the end of quiet hours, by recipient."""
        return self._owed

    def tell(
        self, said: Sequence[Announcement], batch: Batch, now_at: float, watch: Watch, status: Status
    ) -> None:
        """Address what is said now, and what was owed since quiet hours, and write the letters."""
        if self._courier is None or not (said or self._owed):
            return
        true = [
            word.key
            for owed in self._owed.values()
            for at, word in owed
            if supervisor.holds(watch, word) and self._departures.still_wants(word, at, now_at)
        ]
        known, rules = self._courier.recipients, self._settings.messages
        delivery = telling.deliver(known, rules, said, self._owed, true, now_at, self._zone)
        batch.withdrawn += [(head, r.name) for r, word in delivery.now for head in word.overtakes]
        batch.messages += [self._letter(r, word, now_at, status) for r, word in delivery.now]
        if delivery.owed != self._owed:
            self._owed = delivery.owed
            batch.statements.append(store.keep_value(_OWED, msgspec.json.encode(self._owed).decode()))

    def _letter(self, recipient: Recipient, word: Announcement, now_at: float, shown: Status) -> Message:
        """One message to one recipient, from the status as it is now."""
        alert = f"{store.TEST}:{recipient.name}" if word.kind == "test" else word.alert
        url = self._settings.page.public_url
        about = words.About(
            place=word.place,
            asked=word.asked,
            call=telling.who_to_call(self.recipients, recipient),
            link=f"{url}/answer/{store.ANSWER}" if url is not None and alert is not None else "",
            code=store.CODE if url is None and word.kind == "test" else "",
            next_at=telling.next_test_at(self._settings.messages.weekly_test, now_at, self._zone),
        )
        if word.departure is not None:
            shown = msgspec.structs.replace(shown, plan=self._departures.shown(now_at, word.departure))
        subject, body = words.message(word.kind, shown, self._settings.messages.unit, about)
        return Message(recipient.name, word.key, subject, body, now_at, now_at + word.valid_s, alert=alert)

    def of_plan(self, word: Word) -> Announcement:
        """A word of a plan as one of the supervisor's: whoever is at the field is spoken to alone where it
        is meant for them, and a switch-on waits for nobody's quiet hours."""
        person = self._settings.planning.person
        alone = word.to == "person" and person is not None and any(r.name == person for r in self.recipients)
        return Announcement(
            word.kind,
            word.key,
            word.valid_s,
            to=(person,) if alone and person is not None else (),
            overtakes=(f"plan-{word.departure}",),
            departure=word.departure,
            at_once=word.kind == "switch-on",
        )

    def table(self, name: str, table: TakeAlong, batch: Batch, now_at: float) -> Answer:
        """Send a recipient the table to take along."""
        if name not in {r.name for r in self.recipients}:
            return False, f"There is no recipient {name}. The settings name them under [[recipients]].", "to"
        said = self._settings
        subject, text = words.table_letter(table, said.aircraft.name, self._zone, said.messages.unit)
        key = f"table:{self._record.boot}-{round(now_at)}"
        batch.withdrawn.append(("table", name))
        batch.messages.append(Message(name, key, subject, text, now_at, now_at + TEST_VALID_S))
        return True, f"On its way to {name}."

    # -- tests, and who has answered one

    def due_tests(self, batch: Batch, now_at: float, clock_ok: bool) -> list[Announcement]:
        """A test for recipients for whom somebody has asked for one, and once after the start for those who
        never had one."""
        if self._courier is None:
            return []
        names, self._to_test = self._to_test, []
        if self._shall_test and clock_ok:
            self._shall_test = False
            new = [r.name for r in self.recipients if self._tested.get(r.name, (None,))[0] is None]
            names += [name for name in new if name not in names]
        return self._tests(names, batch, now_at)

    def ask_test(self, name: str) -> Answer:
        """Have a test sent to a recipient with the next tick."""
        if name not in {r.name for r in self.recipients}:
            return False, f"There is no recipient {name}. The settings name them under [[recipients]].", "to"
        if name not in self._to_test:
            self._to_test.append(name)
        return True, f"A test message goes to {name}. It counts once it is answered, by its link or its code."

    def tests(self, batch: Batch, now_at: float) -> list[Announcement]:
        """A test for each recipient."""
        return self._tests([r.name for r in self.recipients], batch, now_at)

    def _tests(self, names: Sequence[str], batch: Batch, now_at: float) -> list[Announcement]:
        if not names:
            return []
        batch.statements += [store.mark_tested(name, now_at) for name in names]
        self._tested |= {name: (now_at, self._tested.get(name, (None, None))[1]) for name in names}
        key = f"{store.TEST}:{self._record.boot}-{round(now_at)}"
        return [Announcement("test", key, TEST_VALID_S, overtakes=(store.TEST,), to=tuple(names))]

    def prove(self, name: str, now_at: float) -> None:
        """A recipient has answered a test."""
        self._tested[name] = (self._tested.get(name, (now_at, None))[0], now_at)

    @property
    def unproven(self) -> tuple[str, ...]:
        """Recipients who have not answered a test."""
        return tuple(r.name for r in self.recipients if self._tested.get(r.name, (None, None))[1] is None)
