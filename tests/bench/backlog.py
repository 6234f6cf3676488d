"""What a backlog costs: days of ticks sent onwards at the product's own pace to a real mosquitto.

    python -m tests.bench.backlog --days 7

Prints how long it took, how much went in a second and in the busiest ten, processor time and memory of the
sending process. A week takes some eleven minutes; ends by itself after at most --most minutes.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from history_arrived import hold_against
from history_receiver import Receiver
from real_broker import RealBroker

from probe_agent.config import Broker
from probe_agent.history import HistoryCourier
from probe_agent.migrations import migrate
from probe_agent.store import Store, StoredReading, TickRow

PLACES = ("cyl-1", "cyl-2", "cyl-3", "cyl-4", "sump", "case-nose", "oil-cooler", "ambient")
DAY_TICKS = 86_400 // 15


def filled(file: Path, days: float) -> Store:
    """A record with so many days of ticks each 15 s, eight places each."""
    migrate(file)
    store = Store(file)
    store.begin_boot("boot", time.time() - days * 86_400, True)
    store.describe_places(dict.fromkeys(PLACES, (True, False)))
    for i in range(round(days * DAY_TICKS)):
        readings = tuple(StoredReading(p, 1.0, None, -12.345 + n, None) for n, p in enumerate(PLACES))
        store.hold(TickRow(store.new_tick(), 15.0 * i, 0.0, readings))
        if i % 5000 == 4999:
            store.commit()
    store.commit()
    return store


def resident_mb() -> float:
    text = Path("/proc/self/status").read_text("ascii")
    return int(text.split("VmRSS:")[1].split()[0]) / 1000


def send(folder: Path, days: float, most_s: float) -> None:
    """Send all of it, and say what that took."""
    store = filled(folder / "probe-agent.db", days)
    with RealBroker(folder) as broker, Receiver(broker.port) as receiver:
        courier = HistoryCourier(Broker(host="127.0.0.1", port=broker.port), "magpie", store, None)
        before_mb, began_s, cpu_s = resident_mb(), time.monotonic(), time.process_time()
        times: list[tuple[float, int]] = []
        courier.start()
        last = round(days * DAY_TICKS)
        while max(receiver.upto.values(), default=0) < last and time.monotonic() - began_s < most_s:
            with receiver.changed:
                receiver.changed.wait(5.0)
                for payload in receiver.payloads[len(times) :]:
                    times.append((time.monotonic(), len(payload)))
        took_s, cpu_s = time.monotonic() - began_s, time.process_time() - cpu_s
        courier.stop()
        sent = sum(size for _, size in times)
        busiest = max(sum(s for at, s in times if begin <= at < begin + 10) for begin, _ in times)
        largest = max(size for _, size in times)
        print(
            f"{days:g} days: {len(times)} messages, {sent / 1e6:.2f} MB in {took_s:.0f} s;"
            f" {sent / took_s / 1000:.1f} kB/s, busiest ten seconds {busiest / 10_000:.1f} kB/s;"
            f" largest message {largest} bytes; {cpu_s:.1f} s of processor time, receiver included;"
            f" {before_mb:.1f} MB before, {resident_mb():.1f} after"
        )
        print(hold_against(store.path, receiver.payloads))
    store.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--most", type=float, default=20.0, help="minutes")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        send(Path(made), given.days, given.most * 60)
