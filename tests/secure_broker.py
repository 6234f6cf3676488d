"""A real mosquitto with the settings, access rules and certificates that deploy/broker/ ships."""

from __future__ import annotations

import os
import shutil
import ssl
import subprocess
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from real_broker import RealBroker, Recorder

from probe_agent.config import Broker

SHIPPED = Path(__file__).parents[1] / "deploy" / "broker"


def make_certificates(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run deploy/broker/certificates.sh on a folder."""
    command = ["sh", str(SHIPPED / "certificates.sh"), str(folder), *arguments]
    return subprocess.run(command, capture_output=True, text=True)


class SecureBroker(RealBroker):
    """Context manager. Certificates lie in folder/certs: boards magpie and kestrel, magpie's plug; one that
    was taken back in folder. The rules are the shipped ones, the plug's block in use, and Recorder's mark."""

    def __init__(self, folder: Path, server: str = "127.0.0.1,localhost") -> None:
        super().__init__(folder)
        self.certs, rules = folder / "certs", folder / "acl"
        made = make_certificates(self.certs, server, "magpie", "kestrel", "plug-magpie", "lost-board")
        assert made.returncode == 0, made.stderr
        for name in ("lost-board.pem", "lost-board.key"):
            shutil.copy(self.certs / name, folder / name)
        assert make_certificates(self.certs, "revoke", "lost-board").returncode == 0
        text = (SHIPPED / "acl").read_text("utf-8")
        for line in ("user plug-magpie", "topic read plug/magpie/set", "topic write plug/magpie/state"):
            assert f"# {line}" in text
            text = text.replace(f"# {line}", line)
        rules.write_text(f"{text}\npattern readwrite recorder/%u/end\n", "utf-8")
        rules.chmod(0o600)
        config = (SHIPPED / "mosquitto.conf").read_text("utf-8")
        for shipped, here in (
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
            ("/etc/mosquitto/certs", str(self.certs)),
            ("/etc/mosquitto/acl", str(rules)),
        ):
            assert shipped in config
            config = config.replace(shipped, here)
        user = "user root\n" if os.geteuid() == 0 else ""
        self._config.write_text(f"{config}\nlog_dest stderr\n{user}", "utf-8")

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8")

    def settings(self, name: str, **more: object) -> Broker:
        """The daemon's settings as a board of that name has them."""
        cert, key = self.certs / f"{name}.pem", self.certs / f"{name}.key"
        table = {"host": "127.0.0.1", "port": self.port, "tls": True, "ca_file": str(self.certs / "ca.pem")}
        return Broker(**{**table, "cert_file": str(cert), "key_file": str(key), **more})  # type: ignore[arg-type]

    def as_(self, name: str | None, folder: Path | None = None) -> ssl.SSLContext:
        """TLS as somebody with that certificate has it; with none for None."""
        context = ssl.create_default_context(cafile=str(self.certs / "ca.pem"))
        if name is not None:
            where = folder or self.certs
            context.load_cert_chain(where / f"{name}.pem", where / f"{name}.key")
        return context

    def recorder(self, name: str, *filters: str) -> Recorder:
        """What somebody of that name gets to see."""
        return Recorder(self.port, *filters, tls=self.as_(name), end=f"recorder/{name}/end")


class Caller:
    """Context manager: a client of anybody's own making, and what the broker answered it.

    tls: None speaks plainly. will: (topic, payload). Raises OSError where no connection is to be had.
    """

    def __init__(
        self, port: int, tls: ssl.SSLContext | None, name: str = "", will: tuple[str, bytes] | None = None
    ) -> None:
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5, reconnect_on_failure=False
        )
        if tls is not None:
            self._client.tls_set_context(tls)
        if will is not None:
            self._client.will_set(*will, qos=1, retain=True)
        self._port = port
        self.connack: int | None = None
        self._answers: dict[int, int] = {}
        self._changed = threading.Condition()
        self._over = False
        self._client.on_connect = lambda c, u, f, code, p: self._note("connack", code.value)
        self._client.on_disconnect = lambda *_: self._note("over", 1)
        self._client.on_publish = lambda c, u, mid, code, p: self._note(mid, code.value)

    def _note(self, what: int | str, value: int) -> None:
        with self._changed:
            if what == "connack":
                self.connack = value
            elif what == "over":
                self._over = True
            else:
                self._answers[int(what)] = value
            self._changed.notify_all()

    def __enter__(self) -> Caller:
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        with self._changed:
            assert self._changed.wait_for(lambda: self.connack is not None or self._over, 10)
        if self.connack is None or self.connack >= 0x80:
            self.__exit__()
            raise ConnectionRefusedError(f"refused: {self.connack}")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str, payload: bytes, retain: bool = True) -> int:
        """The broker's reason code."""
        sent = self._client.publish(topic, payload, qos=1, retain=retain)
        with self._changed:
            assert self._changed.wait_for(lambda: sent.mid in self._answers or self._over, 10)
        return self._answers.get(sent.mid, -1)

    def break_off(self) -> None:
        """The connection ends without a word, so that the broker publishes the will."""
        sock = self._client.socket()
        assert sock is not None
        sock.shutdown(2)  # type: ignore[attr-defined]
        with self._changed:
            assert self._changed.wait_for(lambda: self._over, 10)
