"""`sudo probe-agent restore` and `backup`: what root writes stays the daemon's, which can go on with it."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from probe_agent import backups, carrying
from probe_agent.migrations import migrate
from probe_agent.store import Store, ask, connect

DAEMON, PAGE, GROUP = 61_001, 61_002, 61_003
ROOT = Path(__file__).parent.parent
SETTINGS = '[store]\nfile = "{board}/lib/probe-agent.db"\nruntime_dir = "{board}/run"\n'

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root writes what isn't its own")


@pytest.fixture
def board() -> Iterator[Path]:
    """Folders as install.sh makes them, where every user may go through."""
    folder = Path(tempfile.mkdtemp(prefix="carried-", dir="/dev/shm"))
    folder.chmod(0o755)
    for name, owner, mode in (("lib", DAEMON, 0o770), ("run", DAEMON, 0o770), ("etc", 0, 0o750)):
        (folder / name).mkdir()
        os.chown(folder / name, owner, GROUP)
        (folder / name).chmod(mode)
    yield folder
    shutil.rmtree(folder)


def as_user(uid: int, do: Callable[[], object]) -> None:
    """Do it in a process of that user, of the daemon's group, with the umask of the units."""
    if (child := os.fork()) == 0:
        code = 1
        try:
            os.setgroups([])
            os.setgid(GROUP)
            os.setuid(uid)
            os.umask(0o007)
            do()
            code = 0
        finally:
            os._exit(code)
    assert os.waitpid(child, 0)[1] == 0


def sudo(board: Path, *words: object) -> str:
    command = [sys.executable, "-m", "probe_agent.cli", words[0], "--settings", board / "etc/settings.toml"]
    done = subprocess.run(
        [str(w) for w in (*command, *words[1:])],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        umask=0o022,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def said_by(board: Path, word: str) -> None:
    store = Store(board / "lib/probe-agent.db")
    store.keep("said", word)
    store.close()


def owner(path: Path) -> tuple[int, int, str]:
    seen = path.stat()
    return seen.st_uid, seen.st_gid, stat.filemode(seen.st_mode)


@pytest.mark.parametrize(("has_record", "has_run"), [(False, False), (True, True)])
def test_daemon_and_page_write_what_root_restored(has_record: bool, has_run: bool, board: Path) -> None:
    record = board / "lib/probe-agent.db"
    (board / "etc/settings.toml").write_text(SETTINGS.format(board=board))
    as_user(DAEMON, lambda: migrate(record))
    as_user(DAEMON, lambda: said_by(board, "before"))
    assert "carry it elsewhere too" in sudo(board, "backup", board / "stick")
    assert owner(backups.path_of(record))[:2] == (DAEMON, GROUP)
    if not has_record:
        for file in (board / "lib").glob("probe-agent.db*"):
            file.unlink()
    if not has_run:
        (board / "run").rmdir()
    (board / "etc/settings.toml").unlink()
    settings = carrying.SETTINGS
    assert (board / "stick" / settings).exists()
    sudo(board, "restore", board / "stick")
    assert owner(record) == (DAEMON, GROUP, "-rw-rw----")
    assert owner(board / "etc/settings.toml") == (0, GROUP, "-rw-r-----")
    as_user(DAEMON, lambda: said_by(board, "after"))
    as_user(DAEMON, lambda: alone_in(board))
    as_user(PAGE, lambda: ask(record, "enter", {"place": "cyl-1", "c": 1.0}))
    db = connect(record, read_only=True)
    assert db.execute("SELECT value FROM kept WHERE name = 'said'").fetchone() == ("after",)
    assert db.execute("SELECT count(*) FROM commands").fetchone() == (1,)
    db.close()


def alone_in(board: Path) -> None:
    with carrying.alone(board / "run"):
        pass
