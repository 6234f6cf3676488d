"""The club's page under the systemd of under_systemd.sh: put there as COPY of club.sh says, and looked at.

python club_under_systemd_check.py FILE           what it saw, in JSON
python club_under_systemd_check.py --everywhere   before the page, in its sandbox: where files can be written
"""

from __future__ import annotations

import base64
import json
import os
import pwd
import re
import shlex
import signal
import ssl
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

from under_systemd_check import is_up, shown, took_s

PAGE, BROKER = "probe-agent-club", "mosquitto"
MADE = Path("/home/made")
"""The folder that club.sh has made."""
SETTINGS = Path("/etc/probe-agent-club")
PASSWORD = "reeds and a long morning"
LOOKED_INTO = ("/usr", "/opt/base", "/opt/venv", "/opt/src")
"""Too large to be walked through; each is one mount."""


# -- in the page's sandbox


def folders() -> Iterator[str]:
    """Every folder that is to be seen, but the kernel's own."""
    for folder, names, _ in os.walk("/"):
        yield folder
        if folder in LOOKED_INTO:
            names.clear()
        names[:] = [n for n in names if os.path.join(folder, n) not in ("/proc", "/sys")]


def is_written(folder: str) -> bool:
    """Whether a file can be made there; it is gone again."""
    try:
        with tempfile.NamedTemporaryFile(dir=folder):
            return True
    except OSError:
        return False


# -- beside it


def run(line: str) -> None:
    subprocess.run(shlex.split(line), check=True, cwd=MADE / "page")


def put_there() -> None:
    """As install.sh makes the folder, and the COPY that club.sh has made says."""
    run(f"install -d -o root -g probe-agent-club -m 750 {SETTINGS}")
    text = (MADE / "page/COPY").read_text("utf-8")
    commands = re.findall(r"^    sudo (install .+)$", text, re.M)
    assert len(commands) == 2, text
    for command in commands:
        run(command)
    for name, mode in (("club.toml", 640), ("password", 600)):
        owner = "root" if mode == 640 else "probe-agent-club"
        run(f"install -o {owner} -g probe-agent-club -m {mode} /home/{name} {SETTINGS}/{name}")


def fetched(password: str | None = PASSWORD) -> str:
    """The page, or by which number it was refused."""
    asked = urllib.request.Request("http://127.0.0.1:8090/?unit=C&clock=24")
    if password is not None:
        asked.add_header("Authorization", "Basic " + base64.b64encode(f"x:{password}".encode()).decode())
    try:
        with urllib.request.urlopen(asked, timeout=30) as answer:
            text: str = answer.read().decode()
            return text
    except urllib.error.HTTPError as err:
        return str(err.code)
    except OSError:
        return ""


def tell() -> None:
    """Magpie, by its own certificate, as its board would."""
    import status_samples as samples
    from club_boards import Boards, current

    context = ssl.create_default_context(cafile=str(MADE / "magpie/ca.pem"))
    context.load_cert_chain(MADE / "magpie/magpie.pem", MADE / "magpie/magpie.key")
    boards = Boards(8883)
    boards._client.tls_set_context(context)
    with boards:
        boards.tell("magpie", current(samples.heating(), aircraft="Magpie"))


def can_read(user: str) -> list[str]:
    """What of the page's folder another user of this machine reads."""
    who = ["setpriv", "--reuid", user, "--regid", str(pwd.getpwnam(user).pw_gid), "--init-groups"]
    look = f"id -un; ls {SETTINGS} && cat {SETTINGS}/*.* {SETTINGS}/password >/dev/null && echo all"
    return subprocess.run([*who, "sh", "-c", look], capture_output=True, text=True).stdout.split()


def is_shown() -> bool:
    """Whether Magpie is said to be warming now, and the broker well."""
    text = fetched()
    found = re.search(r'<section id="k-warming".*?</section>', text, re.S)
    return found is not None and 'id="b-magpie"' in found[0] and "can&#39;t be used" not in text


def look(seen: dict[str, object]) -> None:
    put_there()
    seen["read"] = {user: can_read(user) for user in ("probe-agent-club", "probe-agent", "probe-agent-web")}
    subprocess.run(["systemctl", "start", PAGE], check=True)
    seen["page after s"] = took_s(lambda: "Kestrel" in fetched() or "kestrel" in fetched())
    seen["refused"] = [fetched(None), fetched("something else")]
    tell()
    seen["shown after s"] = took_s(is_shown)
    pid = shown(PAGE, "MainPID")
    text = Path(f"/proc/{pid}/status").read_text("ascii")
    seen["process"] = dict(re.findall(r"^(CapBnd|NoNewPrivs|Seccomp):\t(\w+)", text, re.M))
    seen["user"] = Path(f"/proc/{pid}").owner()
    seen["memory"] = re.findall(r"^VmRSS:\s+(.+)", text, re.M)[0]
    seen["restarts before"] = shown(PAGE, "NRestarts")
    subprocess.run(["systemctl", "stop", BROKER], check=True)
    seen["broker's end said after s"] = took_s(lambda: "can&#39;t be used" in fetched())
    subprocess.run(["systemctl", "start", BROKER], check=True)
    seen["shown again after s"] = took_s(is_shown)
    seen["same process"] = shown(PAGE, "MainPID") == pid
    os.kill(int(pid), signal.SIGKILL)
    seen["new process after s"] = took_s(lambda: shown(PAGE, "MainPID") not in ("0", pid))
    seen["shown anew after s"] = took_s(is_shown)
    seen["up"] = is_up(PAGE)


def main() -> None:
    if sys.argv[1] == "--everywhere":
        print("written:", json.dumps([f for f in folders() if is_written(f)]), flush=True)
        return
    what: dict[str, object] = {}
    try:
        look(what)
    finally:
        Path(sys.argv[1]).write_text(json.dumps(what), "utf-8")
        subprocess.run(["systemctl", "exit", "--force", "--force"], check=False)


if __name__ == "__main__":
    main()
