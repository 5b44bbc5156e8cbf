"""What every page served shares: headers, whose requests are heard, sessions, guesses, the look."""

from __future__ import annotations

import re
import stat
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.testclient import TestClient

from bulkflow.errors import InputError
from bulkflow.paper import look
from bulkflow.web.door import CODE_LETTERS, draw_code, plain_code
from bulkflow.web.limits import GuessLimit
from bulkflow.web.pages import Pages
from bulkflow.web.security import Guard, nonce_of
from bulkflow.web.serving import Address
from bulkflow.web.sessions import Cookie, Signer, secret_in

HOME = "http://127.0.0.1:8000"
STATIC = Path(__file__).resolve().parents[2] / "bulkflow" / "web" / "static"


def _client(*, secure: bool = False, hosts: frozenset[str] | None = None) -> TestClient:
    pages = Pages("bulkflow.web")
    cookie = Cookie("who", secure=secure, seconds=60)

    async def home(request: Request) -> HTMLResponse:
        return HTMLResponse(f"<script nonce={nonce_of(request.scope)}></script>")

    async def sent(request: Request) -> Response:
        answer = PlainTextResponse(f"{len(await request.body())} bytes")
        cookie.put(answer, "token")
        return answer

    routes = [Route("/", home), Route("/", sent, methods=["POST"]), pages.route]
    guarded = Guard(
        Starlette(routes=routes), secure=secure, hosts=hosts or Address().hosts, largest_body=100
    )
    return TestClient(guarded, base_url=HOME if not secure else "https://panel.example")


def test_every_answer_says_what_a_page_may_do() -> None:
    client = _client()
    first, second = client.get("/"), client.get("/")
    policy = first.headers["content-security-policy"]
    for part in ("default-src 'none'", "frame-ancestors 'none'", "form-action 'self'"):
        assert part in policy
    assert "unsafe" not in policy
    (nonce,) = re.findall(r"nonce=(\S+?)>", first.text)
    assert f"script-src 'nonce-{nonce}'" in policy and nonce not in second.text
    for answer in (first, client.get("/nowhere"), client.post("/", headers={"origin": "http://x"})):
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert "server" not in answer.headers
    assert "strict-transport-security" not in first.headers
    secured = _client(secure=True, hosts=frozenset({"panel.example"}))
    assert "strict-transport-security" in secured.get("/").headers


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"origin": HOME}, 200),
        ({"sec-fetch-site": "same-origin"}, 200),
        ({"origin": "http://elsewhere.example"}, 403),
        ({"origin": "null"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"host": "elsewhere.example"}, 421),
        ({"host": "127.0.0.1.elsewhere.example:8000"}, 421),
        ({"host": "localhost:9"}, 200),
        ({"content-length": "many"}, 413),
        ({"content-length": "101"}, 413),
    ],
)
def test_only_our_own_forms_are_heard(headers: dict[str, str], status: int) -> None:
    assert _client().post("/", headers=headers, content=b"a=1").status_code == status


def test_a_server_for_the_whole_room_is_asked_by_its_address() -> None:
    client = _client(hosts=Address("0.0.0.0").hosts)
    for host, status in (
        ("192.0.2.7:8020", 200),
        ("[2001:db8::1]:8020", 200),
        ("evil.example", 421),
    ):
        assert client.get("/", headers={"host": host}).status_code == status
    assert _client().get("/", headers={"host": "192.0.2.7"}).status_code == 421


def test_a_body_longer_than_it_says_is_not_read() -> None:
    def parts() -> object:
        yield b"x" * 60
        yield b"x" * 60

    client = TestClient(_client().app, base_url=HOME, raise_server_exceptions=False)
    assert client.post("/", content=parts()).status_code >= 400  # type: ignore[arg-type]


def test_cookies_are_hardened() -> None:
    plain = _client().post("/", content=b"").headers["set-cookie"].lower()
    assert plain.startswith("who=token") and "httponly" in plain and "samesite=lax" in plain
    client = _client(secure=True, hosts=frozenset({"panel.example"}))
    bound = client.post("/", content=b"").headers["set-cookie"]
    assert bound.startswith("__Host-who=") and "Secure" in bound and "Path=/" in bound
    assert "Domain" not in bound


def test_tokens_hold_for_one_purpose_and_one_secret(tmp_path: Path) -> None:
    file = tmp_path / "keys" / "web.secret"
    secret = secret_in(file)
    assert secret_in(file) == secret and stat.S_IMODE(file.stat().st_mode) == 0o600
    signer = Signer(secret)
    token = signer.sign("seat", "A1")
    assert Signer(secret).text_of("seat", token) == "A1"
    for other in (
        token[:-1] + ("A" if token[-1] != "A" else "B"),
        "A2" + token[2:],
        "",
        "A1",
        "é.é",
    ):
        if other.isascii():
            assert signer.text_of("seat", other) is None
    assert signer.text_of("lead", token) is None
    assert Signer(b"other").text_of("seat", token) is None
    assert signer.is_our_form(token, signer.form_key(token))
    for key in (None, "", signer.form_key("another"), "é"):
        assert not signer.is_our_form(token, key)
    file.write_text("0123\n")
    with pytest.raises(ValueError, match="32 bytes"):
        secret_in(file)


def test_guesses_are_limited_and_allowed_again() -> None:
    now = [0.0]
    limit = GuessLimit(3, 60.0, clock=lambda: now[0])
    for _ in range(3):
        assert limit.wait("here", "all") == 0
        limit.failed("here", "all")
        now[0] += 1.0
    assert limit.wait("here") == 58 and limit.wait("there") == 0 and limit.wait("there", "all") > 0
    now[0] = 60.5
    assert limit.wait("here") == 0


def test_codes_are_read_however_they_are_typed() -> None:
    codes = {draw_code() for _ in range(50)}
    assert len(codes) == 50
    for code in codes:
        for typed in (code, code.lower(), code.replace("-", ""), f" {code.replace('-', ' ')} "):
            assert plain_code(typed) == code
        assert set(code) - {"-"} <= set(CODE_LETTERS) and plain_code(code[:-1]) == ""


@pytest.mark.parametrize(
    "words",
    [{"port": -1}, {"port": 70000}]
    + [{"public": name} for name in ("http://a.example", "https://", "https://a.example/b")],
)
def test_addresses_that_are_none(words: dict[str, object]) -> None:
    with pytest.raises(InputError):
        Address(**words)  # type: ignore[arg-type]


def test_more_than_this_machine_is_told_beforehand() -> None:
    assert Address().caution == "" and Address("::1").caution == ""
    assert "reverse proxy" in Address("0.0.0.0").caution
    behind = Address("0.0.0.0", public="https://panel.example")
    assert behind.caution == "" and behind.hosts == {"panel.example"} and behind.secure
    assert "192.0.2.7" in Address("192.0.2.7").hosts


def test_files_are_kept_for_ever_under_an_address_of_their_own() -> None:
    client = _client()
    address = Pages("bulkflow.web")._address("web.css")
    answer = client.get(address)
    assert answer.status_code == 200 and "immutable" in answer.headers["cache-control"]
    assert client.get(re.sub(r"/[0-9a-f]{12}/", "/0/", address)).status_code == 404
    assert client.get("/static/0/..%2F__init__.py").status_code == 404


def _colours(css: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", css))


def _contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("dark", [False, True])
def test_words_and_edges_stand_out_in_the_light_and_in_the_dark(dark: bool) -> None:
    colours: dict[str, str] = {}
    for css in (look(), (STATIC / "web.css").read_text("utf-8")):
        light, _, rest = css.partition("@media screen and (prefers-color-scheme: dark)")
        night, _, _ = rest.partition("}\n}")
        colours |= _colours(light) | (_colours(night) if dark else {})
    for words, ground, least in (
        ("ink", "ground", 7.0), ("soft", "ground", 4.5), ("mark", "ground", 4.5),
        ("mark", "field", 4.5), ("alarm", "ground", 4.5), ("on-mark", "mark", 4.5),
        ("ink", "field", 7.0), ("edge", "ground", 3.0), ("edge", "field", 3.0),
    ):  # fmt: skip
        assert _contrast(colours[words], colours[ground]) >= least, (words, ground)
