"""The messages' courier alone, in a process whose clock a test sets: `python mail_by_clock.py STORE ADDRESS`.

It has one message to bring, and hours between its tries. It prints why it couldn't be brought, tries again
when a line comes in, as the daemon has it do when the clock was set, and ends once it is delivered.
"""

from __future__ import annotations

import sys
import threading
from pathlib import Path

from probe_agent.clock import SystemClock
from probe_agent.config import Messages, Recipient
from probe_agent.messages import MessageCourier
from probe_agent.migrations import migrate
from probe_agent.store import Batch, Message, Store


def main(file: Path, address: str) -> None:
    migrate(file)
    store, clock = Store(file), SystemClock()
    at = clock.utc()
    text = ("-12 °C. Have the heater looked at.", "It is cold.")
    store.commit(Batch(messages=[Message("pilot", "k", *text, at, at + 3600.0, written=clock.standing())]))
    recipients = [Recipient(name="pilot", address=address)]
    courier = MessageCourier(store, recipients, Messages(retry_s=3600, timeout_s=10), clock)
    courier.start()
    pause = threading.Event()
    while not (trouble := courier.trouble):
        pause.wait(0.05)
    print(trouble, flush=True)
    sys.stdin.readline()
    courier.ask_again()
    while store.due_messages(("pilot",)):
        pause.wait(0.05)
    courier.stop()
    store.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
