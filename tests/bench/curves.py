"""What the pages of heat-ups cost the board: python -m tests.bench.curves [HEATUPS] [INTERVAL_S].

Writes a record of so many heat-ups (150, a reading in 15 s) into a temporary folder and asks each page four
times: processor time of the last three, bytes over the wire, memory of the page's process.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from flask.testing import FlaskClient

from tests import many_heatups
from web.app import create_app
from web.source import FileStatusSource

TIMES = 4


def resident_mb() -> float:
    """Of this process, now."""
    text = Path("/proc/self/status").read_text("ascii")
    return int(next(line for line in text.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024


def ask(client: FlaskClient, path: str) -> tuple[float, int]:
    """Processor time [ms] of a page, the median after the first, and its bytes over the wire."""
    took, size = [], 0
    for _ in range(TIMES):
        begun = time.process_time()
        answer = client.get(path, headers={"Accept-Encoding": "gzip"})
        size = len(answer.get_data())
        took.append(1000 * (time.process_time() - begun))
        assert answer.status_code == 200, path
    return statistics.median(took[1:]), size


def main(count: int, interval_s: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "store.db"
        many_heatups.write(file, list(many_heatups.mornings(count)), interval_s)
        print(f"{count} heat-ups, a reading in {interval_s:g} s: {file.stat().st_size / 1e6:.1f} MB")
        status = FileStatusSource(Path(folder) / "status.json")
        client = create_app(status, file, many_heatups.settings()).test_client()
        client.environ_base.update({"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost"})
        client.get("/")
        print(f"memory after Now: {resident_mb():.1f} MB")
        over = "&".join(f"h={n}" for n in range(count, count - 4, -1))
        for path in ("/curves", f"/curves/over?{over}", f"/curves/{count}", f"/curves/over?near={count}"):
            took, size = ask(client, path)
            print(f"{path}: {took:.0f} ms, {size} bytes")
        print(f"memory after all: {resident_mb():.1f} MB")


if __name__ == "__main__":
    asked = [float(text) for text in sys.argv[1:]]
    main(int(asked[0]) if asked else 150, asked[1] if len(asked) > 1 else 15.0)
