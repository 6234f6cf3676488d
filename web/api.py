"""What scripts and other programs read: the status document, and the curve of the last hours."""

from __future__ import annotations

from hashlib import sha256

import msgspec
from flask import Flask, Response, request
from werkzeug.wrappers import Response as BaseResponse

from probe_agent.status import STATUS_VERSION, Status, StatusError, encode_status
from web.desk import Desk
from web.wire import json_answer

ENDPOINTS = ("api_status", "api_curve")


def connect(app: Flask, desk: Desk) -> None:
    """Give the app the addresses of these."""
    api = _Api(desk)
    app.add_url_rule("/api/status", "api_status", api.status)
    app.add_url_rule("/api/curve", "api_curve", api.curve)


def closed() -> Response:
    """The answer to who may not look."""
    return json_answer({"v": STATUS_VERSION, "state": None, "reason": "Shown to paired phones only."}, 403)


def print_of(status: Status) -> str:
    """The same as long as the core document says the same, its age apart."""
    return _hash(_ageless(status))


class _Api:
    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def status(self) -> BaseResponse:
        """The core document with its age; 503 and the reason where there is none."""
        try:
            status = self.desk.source.read()
        except StatusError as err:
            return json_answer({"v": STATUS_VERSION, "state": None, "reason": str(err)}, 503)
        ageless = _ageless(status)
        age = f'"age_s":{msgspec.json.encode(status.age_s).decode()}'
        response = Response(ageless.replace(b'"age_s":null', age.encode(), 1), mimetype="application/json")
        response.headers["ETag"] = f'"{_hash(ageless)}"'
        asked_again = "HTTP_IF_NONE_MATCH" in request.environ
        return response.make_conditional(request) if asked_again else response

    def curve(self) -> Response:
        """The last hours, thinned: places, rows of [UTC s, °C or null a place…, heater share or null]."""
        told: dict[str, object] = {"v": STATUS_VERSION}
        try:
            curve = self.desk.record.curve(self.desk.source.read())
        except StatusError as err:
            return json_answer(told | {"places": [], "rows": [], "reason": str(err)}, 503)
        return json_answer(told | {"places": curve.places, "rows": curve.rows, "reason": curve.reason}, 200)


def _ageless(status: Status) -> bytes:
    """The core document as JSON, its age left open."""
    return encode_status(msgspec.structs.replace(status, recent=None, curve=None, age_s=None))


def _hash(data: bytes) -> str:
    return sha256(data).hexdigest()[:16]
