"""Weather over HTTPS on loopback: verified, bounded, and every failure said in a sentence."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler
from pathlib import Path

import pytest
from real_https import DAY, NOW, Authority, HttpsServer, SilentServer, says

from probe_agent.config import HourlyWeather, MetarWeather
from probe_agent.weather.courier import AtAddress
from probe_agent.weather.decoding import WeatherError
from probe_agent.weather.https import MOST_BYTES, Fetcher

TIMEOUT_S = 5.0


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def server(authority: Authority) -> Iterator[HttpsServer]:
    with HttpsServer(authority.certificate(), says(b"hello")) as running:
        yield running


def fetcher(server: HttpsServer, authority: Authority, timeout_s: float = TIMEOUT_S) -> Fetcher:
    return Fetcher(server.address, str(authority.file), timeout_s)


def refusal(
    server: HttpsServer,
    authority: Authority,
    answer: Callable[[BaseHTTPRequestHandler], None] | None = None,
    timeout_s: float = TIMEOUT_S,
) -> str:
    if answer is not None:
        server.answer = answer
    with pytest.raises(WeatherError) as caught:
        fetcher(server, authority, timeout_s).fetch()
    said = str(caught.value)
    assert "secret" not in said
    assert "\n" not in said
    assert len(said) < 160
    return said


def test_a_document_comes_whole_and_says_when_it_was_made(server: HttpsServer, authority: Authority) -> None:
    server.answer = says(b"x" * 100_000, Last_Modified="Sat, 03 Jan 2026 05:00:00 GMT")
    found = fetcher(server, authority).fetch()
    assert found is not None
    assert found.body == b"x" * 100_000
    assert found.said_at == 1_767_416_400  # date -u -d 'Sat, 03 Jan 2026 05:00:00 GMT' +%s
    assert server.asked[0][0] == "/weather?key=secret"


def test_what_is_known_already_is_not_sent_again(server: HttpsServer, authority: Authority) -> None:
    ours = fetcher(server, authority)
    server.answer = says(b"x", ETag='"one"', Last_Modified="Sat, 03 Jan 2026 05:00:00 GMT")
    assert ours.fetch() is not None
    server.answer = says(b"", 304)
    assert ours.fetch() is None
    headers = server.asked[1][1]
    assert headers["If-None-Match"] == '"one"'
    assert headers["If-Modified-Since"] == "Sat, 03 Jan 2026 05:00:00 GMT"
    ours.forget()
    server.answer = says(b"x")
    assert ours.fetch() is not None
    assert "If-None-Match" not in server.asked[2][1]


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        ({"end": NOW - DAY / 2}, "has expired"),
        ({"begin": NOW + DAY / 2}, "not valid yet"),
        ({"host": "other.example.org"}, "for another name"),
        ({"by_itself": True}, "signed by nobody trusted"),
    ],
)
def test_a_certificate_that_does_not_vouch_for_the_server_is_refused(
    authority: Authority, made: dict[str, object], expected: str
) -> None:
    certificate = authority.certificate(**made)  # type: ignore[arg-type]
    with HttpsServer(certificate, says(b"x")) as server:
        assert expected in refusal(server, authority)
        assert not server.asked


def test_without_its_own_authority_a_private_server_is_not_trusted(server: HttpsServer) -> None:
    with pytest.raises(WeatherError, match="needs its ca_file"):
        Fetcher(server.address, None, TIMEOUT_S).fetch()
    assert not server.asked


def test_an_authority_file_that_is_missing_or_none_is_named(server: HttpsServer, tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    for name in ("ca.pem", "none.pem"):
        with pytest.raises(WeatherError, match=f"ca_file .*{name} can't be used"):
            Fetcher(server.address, str(tmp_path / name), TIMEOUT_S).fetch()


def test_a_redirect_is_followed_to_https_and_never_to_http(server: HttpsServer, authority: Authority) -> None:
    def there(request: BaseHTTPRequestHandler) -> None:
        if request.path == "/new":
            says(b"moved")(request)
        else:
            says(b"", 302, Location="/new")(request)

    server.answer = there
    found = fetcher(server, authority).fetch()
    assert found is not None
    assert found.body == b"moved"
    with HttpsServer(None, says(b"changed on the way")) as plain:
        to_http = says(b"", 301, Location=f"http://localhost:{plain.port}/")
        assert "without https" in refusal(server, authority, to_http)
        assert not plain.asked
    assert "from address to address" in refusal(server, authority, says(b"", 302, Location="/round"))


@pytest.mark.parametrize(
    ("status", "expected"),
    [(500, "trouble of its own (500)"), (503, "trouble of its own (503)"), (403, "look at the key"),
     (404, "nothing at this address"), (429, "asked too often"),
     (204, "it answers 204"), (304, "it answers 304")],
)  # fmt: skip
def test_a_refusal_says_what_to_do(
    server: HttpsServer, authority: Authority, status: int, expected: str
) -> None:
    assert expected in refusal(server, authority, says(b"", status))


def test_a_huge_body_is_not_read_to_its_end(server: HttpsServer, authority: Authority) -> None:
    def endless(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.end_headers()
        try:
            while True:
                request.wfile.write(b"[" * 65536)
        except OSError:
            server.ended.set()

    assert f"more than {MOST_BYTES // 1024} KB" in refusal(server, authority, endless)
    assert server.ended.wait(10)


def test_a_body_that_breaks_off_is_not_taken(server: HttpsServer, authority: Authority) -> None:
    def half(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.send_header("Content-Length", "1000")
        request.end_headers()
        request.wfile.write(b"x" * 10)
        request.close_connection = True

    assert "broke off" in refusal(server, authority, half)


def test_a_server_that_drips_is_cut_off_at_the_timeout(server: HttpsServer, authority: Authority) -> None:
    def drip(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.end_headers()
        try:
            while not server.ended.wait(0.05):
                request.wfile.write(b" ")
        except OSError:
            return

    began_s = time.monotonic()
    assert "did not answer in full within 0.5 s" in refusal(server, authority, drip, timeout_s=0.5)
    assert time.monotonic() - began_s < 5


def test_a_server_that_says_nothing_is_left_at_the_timeout() -> None:
    with SilentServer() as silent, pytest.raises(WeatherError, match=r"did not answer in full within 0\.3 s"):
        Fetcher(f"https://localhost:{silent.port}/", None, 0.3).fetch()


def test_what_is_not_there_or_not_https_is_said() -> None:
    with SilentServer() as gone:
        port = gone.port
    with pytest.raises(WeatherError, match="can't be reached"):
        Fetcher(f"https://localhost:{port}/", None, TIMEOUT_S).fetch()
    with pytest.raises(WeatherError, match="its name isn't found"):
        Fetcher("https://nowhere.invalid/", None, TIMEOUT_S).fetch()
    with pytest.raises(WeatherError, match="its address is not one"):
        Fetcher("https://localhost:many/", None, TIMEOUT_S).fetch()
    with HttpsServer(None, says(b"x")) as plain, pytest.raises(WeatherError, match="no encrypted connection"):
        Fetcher(plain.address, None, TIMEOUT_S).fetch()


# -- whole sources


def hours(now_at: float) -> bytes:
    times = [int(now_at) + 3600 * i for i in range(3)]
    return json.dumps({"hours": {"at": times, "air": [-1.0, -2.0, -3.0]}}).encode()


def test_a_source_of_hourly_json_from_the_address_in_a_file(
    server: HttpsServer, authority: Authority, tmp_path: Path
) -> None:
    file = tmp_path / "address"
    file.write_text(server.address + "\n")
    wanted = HourlyWeather(
        address_file=str(file), ca_file=str(authority.file), time="/hours/at", air="/hours/air"
    )
    now_at = 1_767_416_400.0
    server.answer = says(hours(now_at), ETag='"one"')
    source = AtAddress("hourly", wanted, TIMEOUT_S)
    weather = source.ask(now_at)
    assert weather is not None
    assert [h.air_c for h in weather.hours] == [-1.0, -2.0, -3.0]
    assert "secret" not in source.where
    assert "localhost" in source.where
    server.answer = says(b"[]")
    with pytest.raises(WeatherError, match="leads nowhere"):
        source.ask(now_at)
    server.answer = says(hours(now_at))
    assert source.ask(now_at) is not None
    assert "If-None-Match" not in server.asked[-1][1], "what was of no use is not asked after"


def test_a_source_of_metar(server: HttpsServer, authority: Authority) -> None:
    server.answer = says(b"METAR KXXX 030451Z 00000KT 10SM M05/M12 A2992 RMK AO2 T10521117=\r\n")
    source = AtAddress("metar", MetarWeather(address=server.address, ca_file=str(authority.file)), TIMEOUT_S)
    weather = source.ask(1_767_416_400.0)
    assert weather is not None
    assert weather.hours[0].air_c == pytest.approx(-5.2)


@pytest.mark.parametrize("text", [None, "", "http://example.org/", "https://a b"])
def test_an_address_file_that_holds_none_is_named(tmp_path: Path, text: str | None) -> None:
    file = tmp_path / "address"
    if text is not None:
        file.write_text(text)
    with pytest.raises(WeatherError, match=r"weather\.metar\.address_file"):
        AtAddress("metar", MetarWeather(address_file=str(file)), TIMEOUT_S).ask(0.0)


def test_an_address_with_a_character_no_address_has_is_said(
    server: HttpsServer, authority: Authority
) -> None:
    for tail in ("é", "a b"):
        with pytest.raises(WeatherError, match="its address is not one"):
            Fetcher(server.address + tail, str(authority.file), TIMEOUT_S).fetch()
