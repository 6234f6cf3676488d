"""The page's OpenAPI document holds what the page does, and the page what the document says."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs
import openapi
import pytest
import schemathesis
import status_samples as samples
from flask.testing import FlaskClient
from hypothesis import HealthCheck, Phase, given, settings
from living_page import BOARD, PLAIN, SECURE, LivingPage, Wsgi, hidden, sound
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from served import served

from web.app import create_app
from web.source import FileStatusSource
from web.wire import HEADERS

DOCUMENT = openapi.document()
WITHOUT_BODY = {"HEAD", "OPTIONS"}


def operations() -> set[tuple[str, str]]:
    return {
        (path, verb.upper())
        for path, item in DOCUMENT["paths"].items()
        for verb in item
        if verb in ("get", "post", "put", "patch", "delete", "head", "options", "trace")
    }


def routes(folder: Path) -> dict[tuple[str, str], str]:
    from probe_agent.config import Settings

    app = create_app(FileStatusSource(folder / "none"), folder / "none", Settings())
    return {
        (re.sub(r"<(?:\w+(?:\([^)]*\))?:)?(\w+)>", r"{\1}", rule.rule), verb): rule.endpoint
        for rule in app.url_map.iter_rules()
        for verb in (rule.methods or set()) - WITHOUT_BODY
    }


# -- the document and the page name the same


def test_each_route_is_in_the_document_and_no_other(tmp_path: Path) -> None:
    assert operations() == set(routes(tmp_path))


def test_each_operation_has_its_routes_name_a_summary_and_answers(tmp_path: Path) -> None:
    for (path, verb), endpoint in routes(tmp_path).items():
        told = DOCUMENT["paths"][path][verb.lower()]
        assert told["operationId"] == endpoint
        assert told["summary"]
        assert told["responses"]


def test_each_act_asks_for_the_forms_token_and_number() -> None:
    for path, verb in operations():
        if path.startswith("/act/"):
            assert verb == "POST"
            form = DOCUMENT["paths"][path]["post"]["requestBody"]["content"]
            assert {"token", "once"} <= set(form["application/x-www-form-urlencoded"]["schema"]["required"])


FORMS = ("/", "/plan", "/hand", "/take-along", "/setup", "/curves", "/curves/1", "/calibrate", "/pair")


def test_the_document_names_each_field_of_each_form(living: LivingPage) -> None:
    """Every form on every page, in states that have different ones."""
    seen = set()
    board, strange = living.browser(BOARD), living.browser(SECURE)
    for status in (samples.heating(), samples.heater_stopped(), samples.oil_out(), samples.perhaps_flown()):
        living.show(status)
        for client in (board, strange):
            for page in FORMS:
                html = client.get(page).get_data(as_text=True)
                for form in re.findall(r"<form.*?</form>", html, re.S):
                    seen |= _is_told(form)
    living.show(samples.heating())
    assert len(seen) >= 14, seen


def _is_told(form: str) -> set[str]:
    action = re.search(r'action="(/act/[a-z-]+)', form)
    if action is None:
        return set()
    body = DOCUMENT["paths"][action[1]]["post"]["requestBody"]["content"]
    schema = body["application/x-www-form-urlencoded"]["schema"]
    named = set(re.findall(r'<(?:input|select|textarea|button)\b[^>]*\bname="([a-z_-]+)"', form))
    assert {n for n in named if not n.startswith(("spot-", "at-"))} <= set(schema["properties"]), action[1]
    return {action[1]}


def test_the_status_document_is_the_one_of_the_code() -> None:
    """Where it isn't: python -m tests.openapi."""
    told = DOCUMENT["components"]["schemas"]
    for name, schema in openapi.status_schemas().items():
        assert told[name] == schema, name


def schema_of(name: str) -> jsonschema_rs.Validator:
    return jsonschema_rs.validator_for(
        {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}
    )


@pytest.mark.parametrize("state", samples.STATES)
def test_the_status_of_every_state_is_as_the_document_says(state: str, tmp_path: Path) -> None:
    from probe_agent.config import Settings
    from probe_agent.status import write_status

    app = create_app(FileStatusSource(tmp_path / "status.json"), tmp_path / "none", Settings())
    write_status(tmp_path / "status.json", samples.STATES[state]())
    client = app.test_client()
    client.environ_base.update(BOARD)
    schema_of("Status").validate(client.get("/api/status").get_json())
    schema_of("CurveRows").validate(client.get("/api/curve").get_json())


# -- the page keeps to it


@pytest.fixture(scope="module")
def living(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivingPage]:
    with LivingPage(tmp_path_factory.mktemp("living")) as page:
        yield page


CHECKS: list[Any] = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]


class Filler:
    """Gives a generated form the token of a browser and a number of its own: an act that is let in."""

    def __init__(self, client: FlaskClient, path: str = "/") -> None:
        self.token = hidden(client, "/act/alert", path)["token"]
        cookies = (client._cookies or {}).values()
        self.cookies = "; ".join(f"{c.key}={c.value}" for c in cookies)
        self._count = 0

    def fill(self, case: Any) -> None:
        if isinstance(case.body, dict):
            self._count += 1
            case.body |= {"token": self.token, "once": f"once-{self._count}"}


def no_filler(case: Any) -> None:
    """As it was generated."""


def conforms(
    wsgi: Wsgi,
    fill: Callable[[Any], None],
    examples: int,
    only: Callable[[Any], bool] = lambda o: True,
    document: dict[str, Any] = DOCUMENT,
) -> dict[str, int]:
    """Ask each operation with so many generated requests that keep to the document and as many that don't;
    how many were asked, by status. Raises where an answer isn't as the document says."""
    schema = schemathesis.openapi.from_dict(document)
    schema.app = wsgi
    counts: dict[str, int] = {}
    for result in schema.get_all_operations():
        operation = result.ok()
        if not only(operation):
            continue
        for mode in modes(operation):
            _ask(operation, mode, fill, examples, counts)
    return counts


def modes(operation: Any) -> list[GenerationMode]:
    """Where an operation takes nothing, nothing can be wrong with it."""
    takes = operation.body or operation.query or operation.path_parameters
    return [GenerationMode.POSITIVE, GenerationMode.NEGATIVE] if takes else [GenerationMode.POSITIVE]


def _ask(
    operation: Any, mode: GenerationMode, fill: Callable[[Any], None], examples: int, counts: dict[str, int]
) -> None:
    @settings(
        max_examples=examples,
        derandomize=examples < 10,
        deadline=None,
        database=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )
    @given(operation.as_strategy(generation_mode=mode))
    def ask(case: Any) -> None:
        fill(case)
        answer = case.call()
        if answer.status_code == 405 and answer.request.method != case.operation.method.upper():
            return
        counts[str(answer.status_code)] = counts.get(str(answer.status_code), 0) + 1
        case.validate_response(answer, checks=CHECKS)
        _is_strict(case.operation.path, answer)

    ask()


def _is_strict(path: str, answer: Any) -> None:
    """The strict headers, no style or script in the markup, no traceback."""
    text = answer.text if answer.content else ""
    assert "Traceback (most" not in text
    if not path.startswith("/static/"):
        for name, value in HEADERS.items():
            assert answer.headers[name.lower()] == [value], name
    if "text/html" in (answer.headers.get("content-type") or [""])[0]:
        assert not re.search(r"\sstyle=|<style|\son\w+=\"|<script(?![^>]*src=)", text)


WAYS = {"board": BOARD, "plain": PLAIN, "secure": SECURE}


def run_all(living: LivingPage, way: str, examples: int) -> dict[str, int]:
    """All operations as the board, as a stranger over plain HTTP, as a paired phone over HTTPS."""
    if way == "plain":
        counts = conforms(living.by(PLAIN), no_filler, examples)
    else:
        client = living.browser(BOARD) if way == "board" else living.paired()
        filler = Filler(client)
        counts = conforms(living.by(WAYS[way], filler.cookies), filler.fill, examples)
    sound(living.file)
    assert not living.failed
    return counts


@pytest.mark.parametrize("way", ["board", "plain"])
def test_answers_are_as_the_document_says(living: LivingPage, way: str) -> None:
    before = living.dump()
    counts = run_all(living, way, 1)
    assert sum(counts.values()) >= 80, counts
    if way == "plain":
        assert counts.keys() <= {"200", "304", "400", "403", "404", "405", "409", "410", "422", "206", "416"}
        assert living.dump() == before
    else:
        assert counts["303"] >= 3, counts


@pytest.mark.long
@pytest.mark.parametrize("way", WAYS)
def test_many_answers_are_as_the_document_says(living: LivingPage, way: str) -> None:
    counts = run_all(living, way, 150)
    print(f"{way}: {sum(counts.values())} requests, {dict(sorted(counts.items()))}")
    assert sum(counts.values()) >= 5000


def test_the_same_over_a_real_server(living: LivingPage) -> None:
    """Waitress parses the requests and writes the answers; a stranger's forms do nothing there."""
    asked: list[str] = []

    def app(environ: dict[str, Any], start: Any) -> Any:
        asked.append(environ["PATH_INFO"])
        return living.app(environ, start)

    with served(app) as port:
        schema = schemathesis.openapi.from_dict(DOCUMENT)
        schema.config.update(base_url=f"http://127.0.0.1:{port}")
        counts: dict[str, int] = {}
        for result in schema.get_all_operations():
            _ask(result.ok(), GenerationMode.POSITIVE, no_filler, 1, counts)
    assert sum(counts.values()) == len(asked) >= len(operations()), counts


def test_a_wrong_answer_is_seen(living: LivingPage) -> None:
    """The checks can fail: a page that answers something else than the document says."""

    def other(environ: dict[str, Any], start: Any) -> list[bytes]:
        start("200 OK", [("Content-Type", "application/json"), *HEADERS.items()])
        return [json.dumps({"v": 1, "rows": [["warm"]], "places": [], "reason": ""}).encode()]

    with pytest.raises(FailureGroup, match="1 distinct failure"):
        conforms(other, no_filler, 1, lambda o: o.path == "/api/curve")
