"""The one door: who gets in, from where, with how much, and what leaves with it."""

import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi import APIRouter, Request, Response
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from starlette.routing import Route

from dashboard.app import create_app
from dashboard.assets import CHART_POLICY
from dashboard.envelope import LONGEST_BODY_BYTES, POLICY
from dashboard.guests import COOKIE
from dashboard.site import Site
from tests.web.sites import (
    HTML,
    ORIGIN,
    asking,
    serving,
    site,
    snapshot,
    token,
)

OWN = {"origin": ORIGIN}


@pytest.fixture
def van(tmp_path: Path) -> Site:
    return site(tmp_path)


@pytest.fixture
def stranger(van: Site) -> Iterator[TestClient]:
    with asking(van) as client:
        yield client


@pytest.fixture
def paired(van: Site) -> Iterator[TestClient]:
    with asking(van, token(van)) as client:
        yield client


def addresses(of: Site) -> list[tuple[str, str]]:
    """Return every method and address of the dashboard, parameters filled in."""
    found: list[tuple[str, str]] = []

    def walk(routes: object) -> None:
        for route in routes:  # type: ignore[attr-defined] # routers nest
            if isinstance(route, Route | APIRoute):
                path = route.path.replace("{path:path}", "ui.css")
                for name in ("run", "start_us", "number"):
                    path = path.replace(f"{{{name}}}", "1")
                found.extend((method, path) for method in route.methods or ())
            else:
                inner = getattr(route, "original_router", None) or route
                walk(getattr(inner, "routes", ()))

    walk(create_app(of).routes)
    return found


def is_for_anyone(path: str) -> bool:
    """Return whether an address is one that a stranger may see."""
    return path in ("/pair", "/api/hello") or path.startswith("/static/")


def test_the_walk_over_the_routes_finds_them(van: Site) -> None:
    found = addresses(van)
    assert len(found) >= 15
    for wanted in (
        ("GET", "/api/stream"),
        ("GET", "/api/openapi.json"),
        ("GET", "/drive"),
        ("GET", "/log"),
        ("POST", "/passenger"),
        ("POST", "/api/desk/note"),
        ("GET", "/static/ui.css"),
    ):
        assert wanted in found
    assert all("{" not in path for _, path in found)


def test_a_stranger_reaches_nothing_but_pairing(
    van: Site, stranger: TestClient
) -> None:
    for method, path in addresses(van):
        if is_for_anyone(path):
            continue
        answer = stranger.request(method, path, headers=OWN)
        assert answer.status_code == 401, (method, path)
        if method != "HEAD":
            assert set(answer.json()["error"]) == {"where", "saw", "fix"}


def test_a_stranger_s_browser_is_sent_to_pairing(
    van: Site, stranger: TestClient
) -> None:
    for method, path in addresses(van):
        if is_for_anyone(path) or path.startswith("/api/"):
            continue
        answer = stranger.request(method, path, headers=HTML | OWN)
        assert answer.status_code == 303, (method, path)
        assert answer.headers["location"] == "/pair"
    assert stranger.get("/", headers=HTML).headers["location"] == "/pair"
    assert stranger.get("/no/such/page", headers=HTML).status_code == 303


@pytest.mark.parametrize("made_up", ["", "x", "A" * 43, "A" * 44, "'; --", "\xff" * 43])
def test_a_made_up_token_is_a_stranger_s(stranger: TestClient, made_up: str) -> None:
    cookie = f"{COOKIE}={made_up}".encode("latin-1")
    answer = stranger.get("/api/now", headers=[(b"cookie", cookie)])
    assert answer.status_code == 401


def test_a_paired_phone_gets_in(paired: TestClient) -> None:
    assert paired.get("/api/now").status_code == 200
    assert paired.get("/drive", headers=HTML).status_code == 200
    assert paired.get("/api/hello").json()["is_paired"] is True


def test_a_phone_taken_off_the_list_is_out(van: Site) -> None:
    assert van.desk is not None
    given = token(van)
    van.desk.unpair(1)
    with asking(van, given) as client:
        assert client.get("/api/now").status_code == 401


def test_a_desk_that_cannot_be_read_lets_nobody_in(van: Site) -> None:
    assert van.desk is not None
    given = token(van)
    van.desk.path.write_bytes(b"no database, nothing of the kind" * 40)
    with asking(van, given) as client:
        answer = client.get("/api/now")
        assert answer.status_code == 503
        assert "desk.db" in answer.json()["error"]["where"]


@pytest.mark.parametrize(
    ("client", "headers", "is_in"),
    [
        ("127.0.0.1", {}, True),
        ("::1", {}, True),
        ("::ffff:127.0.0.1", {}, True),
        ("192.0.2.77", {}, False),
        ("testclient", {}, False),
        ("127.0.0.1", {"x-forwarded-for": "192.0.2.77"}, False),
        ("192.0.2.77", {"x-forwarded-for": "127.0.0.1"}, False),
    ],
)
def test_only_this_very_computer_may_be_open(
    van: Site, client: str, headers: dict[str, str], is_in: bool
) -> None:
    app = create_app(replace(van, is_open_here=True))
    with TestClient(app, base_url=ORIGIN, client=(client, 1)) as asking_client:
        status = asking_client.get("/api/now", headers=headers).status_code
    assert status == (200 if is_in else 401)


def test_this_computer_is_closed_unless_it_was_opened(van: Site) -> None:
    with TestClient(create_app(van), base_url=ORIGIN, client=("127.0.0.1", 1)) as here:
        assert here.get("/api/now").status_code == 401


@pytest.mark.parametrize(
    "host",
    ["van.test", "VAN.test:8440", "van.test.", "localhost:1", "127.0.0.1:8440",
     "[::1]:8440", "[::1]"],
)  # fmt: skip
def test_our_own_names_are_answered(paired: TestClient, host: str) -> None:
    assert paired.get("/api/now", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "van.test.evil.example", "evil.example:8440", "", "van.test:x",
     "192.0.2.1", "[::1", "127.0.0.1.evil.example", "van.test@evil.example",
     "evil.example/van.test", "van.test,evil.example"],
)  # fmt: skip
def test_another_name_is_refused(paired: TestClient, host: str) -> None:
    answer = paired.get("/api/hello", headers={"host": host})
    assert answer.status_code == 421
    assert "evil" not in answer.text


def test_the_address_a_connection_came_in_at_is_ours(van: Site) -> None:
    with serving(replace(van, names=frozenset())) as served, served.client() as client:
        assert client.get("/api/hello").status_code == 200
        named = client.get("/api/hello", headers={"host": f"van.test:{served.port}"})
        assert named.status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://van.test:81"},
        {"origin": "http://van.test.evil.example"},
        {"origin": "http://evil.example/http://van.test"},
        {"origin": "ftp://van.test"},
        {"origin": "van.test"},
        {"referer": "http://evil.example/van.test"},
        {"origin": "http://evil.example", "referer": "http://van.test/drive"},
    ],
)
def test_a_change_from_elsewhere_is_refused(
    paired: TestClient, headers: dict[str, str]
) -> None:
    answer = paired.post("/api/desk/note", json={"text": "x"}, headers=headers)
    assert answer.status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_every_method_but_reading_needs_an_origin(
    paired: TestClient, method: str
) -> None:
    assert paired.request(method, "/api/now").status_code == 403
    assert paired.request(method, "/api/now", headers=OWN).status_code == 405


@pytest.mark.parametrize(
    "headers", [OWN, {"origin": "HTTP://van.test"}, {"referer": f"{ORIGIN}/log"}]
)
def test_a_change_from_our_own_page_is_taken(
    paired: TestClient, headers: dict[str, str]
) -> None:
    answer = paired.post("/api/desk/note", json={"text": "x"}, headers=headers)
    assert answer.status_code == 201


def chunks(size: int) -> Iterator[bytes]:
    """Yield a body of some size in pieces, so that no length is said."""
    while size > 0:
        yield b"x" * min(size, 50_000)
        size -= 50_000


def test_a_body_over_one_megabyte_is_refused(stranger: TestClient) -> None:
    size = LONGEST_BODY_BYTES + 1
    said = stranger.post("/pair", content=b"x" * size, headers=OWN)
    chunked = stranger.post("/pair", content=chunks(size), headers=OWN)
    assert [said.status_code, chunked.status_code] == [413, 413]
    assert chunked.json()["error"]["saw"] == "more than 1 mb"


def test_a_body_of_one_megabyte_is_read(stranger: TestClient) -> None:
    answer = stranger.post("/pair", content=chunks(LONGEST_BODY_BYTES), headers=OWN)
    assert answer.status_code == 403  # no code in it


def test_a_chunked_body_over_a_socket_is_refused(van: Site) -> None:
    with serving(van) as served, served.client() as client:
        own = {"origin": served.url}
        answer = client.post("/pair", content=chunks(3_000_000), headers=own)
        assert answer.status_code == 413
        assert client.get("/api/hello").status_code == 200


@pytest.mark.parametrize(
    "path",
    ["/static/../pages.py", "/static/%2e%2e/pages.py", "/static/..%2fpages.py",
     "/static/%2e%2e%2f%2e%2e%2fpyproject.toml", "/static//etc/passwd",
     "/static/..%5cpages.py", "/static/ui.css%00", "/static/....//pages.py",
     "//evil.example/static/", "/pair/../drive", "/api/hello/../now"],
)  # fmt: skip
def test_no_path_leads_out_of_the_static_files(van: Site, path: str) -> None:
    with serving(van) as served:
        answer = raw(served.port, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    assert answer.split()[1] in ("404", "401", "303")
    assert "import" not in answer
    assert "root:" not in answer


def raw(port: int, request: str) -> str:
    """Return what the server answers to bytes that no library would send."""
    with socket.create_connection(("127.0.0.1", port), timeout=30.0) as sock:
        closing = request.replace("HTTP/1.1", "HTTP/1.1\r\nConnection: close", 1)
        sock.sendall(closing.encode("latin-1"))
        answer = b""
        while part := sock.recv(65536):
            answer += part
    return answer.decode("latin-1")


def test_a_websocket_is_turned_away(van: Site) -> None:
    with serving(van) as served:
        answer = raw(
            served.port,
            "GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\n\r\n",
        )
    assert answer.split()[1] == "401"


def test_what_is_no_http_is_refused_with_the_headers(van: Site) -> None:
    with serving(van) as served:
        answer = raw(served.port, "\x16\x03\x01 hello\r\n\r\n")
    assert answer.startswith("HTTP/1.1 400")
    assert POLICY in answer
    assert '"error"' in answer


def every_answer(van: Site) -> Iterator[Response]:
    """Give answers of every kind: served, refused, redirected, broken."""
    app = create_app(van)
    broken = APIRouter()

    @broken.get("/broken")
    async def fail(request: Request) -> Response:
        raise RuntimeError("secret words of a fault")

    app.include_router(broken)
    with asking(app, token(van)) as paired, asking(create_app(van)) as stranger:
        yield paired.get("/api/now")  # type: ignore[misc]
        yield paired.get("/drive")  # type: ignore[misc]
        yield paired.get("/api/no-such-thing")  # type: ignore[misc]
        yield paired.get("/broken")  # type: ignore[misc]
        yield paired.get("/broken", headers=HTML)  # type: ignore[misc]
        yield paired.put("/api/now", headers=OWN)  # type: ignore[misc]
        yield paired.post("/api/desk/note", headers=OWN)  # type: ignore[misc]
        yield paired.get("/api/trips")  # type: ignore[misc]
        yield stranger.get("/pair")  # type: ignore[misc]
        yield stranger.get("/api/now")  # type: ignore[misc]
        yield stranger.get("/drive", headers=HTML)  # type: ignore[misc]
        yield stranger.get("/api/now", headers={"host": "x"})  # type: ignore[misc]
        yield stranger.post("/pair")  # type: ignore[misc]


def test_every_response_carries_the_security_headers(van: Site) -> None:
    seen = set()
    for answer in every_answer(van):
        seen.add(answer.status_code)
        assert answer.headers["content-security-policy"] == POLICY
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert answer.headers["cache-control"] == "no-store"
        assert "server" not in answer.headers
    assert {200, 303, 401, 403, 404, 405, 421, 422, 500, 503} <= seen


def test_a_fault_of_the_program_keeps_its_words_to_itself(van: Site) -> None:
    broken = [each for each in every_answer(van) if each.status_code == 500]
    assert len(broken) == 2
    for answer in broken:
        assert "secret" not in answer.text  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        (CHART_POLICY, CHART_POLICY),
        (POLICY, POLICY),
        ("default-src *", POLICY),
        (f"{CHART_POLICY}; script-src *", POLICY),
    ],
)
def test_a_route_chooses_between_two_policies(
    van: Site, asked: str, given: str
) -> None:
    app = create_app(van)
    router = APIRouter()

    @router.get("/own")
    async def own() -> Response:
        headers = {"Content-Security-Policy": asked, "Cache-Control": "max-age=60"}
        return Response("x", headers=headers)

    app.include_router(router)
    with asking(app, token(van)) as client:
        answer = client.get("/own")
    assert answer.headers.get_list("content-security-policy") == [given]
    assert answer.headers["cache-control"] == "max-age=60"


@pytest.mark.parametrize(
    ("is_moving", "ago_s", "is_locked"),
    [(True, 0.0, True), (True, 60.0, False), (False, 0.0, False), (None, 0.0, False)],
)
def test_only_drive_is_shown_while_the_van_surely_moves(
    van: Site, is_moving: bool | None, ago_s: float, is_locked: bool
) -> None:
    assert van.snapshots is not None
    van.snapshots.write(snapshot(is_moving=is_moving, ago_s=ago_s))
    with asking(van, token(van)) as client:
        answer = client.get("/log", headers=HTML)
        assert answer.status_code == (303 if is_locked else 200)
        assert client.get("/drive", headers=HTML).status_code == 200
        assert client.get("/api/now").status_code == 200
        assert client.get("/log").status_code == (303 if is_locked else 200)


def test_the_lock_can_be_left_off(van: Site) -> None:
    assert van.snapshots is not None
    van.snapshots.write(snapshot(is_moving=True))
    with asking(replace(van, locks_while_moving=False), token(van)) as client:
        assert client.get("/log", headers=HTML).status_code == 200


def test_a_passenger_s_word_lapses_at_the_next_stop(van: Site) -> None:
    assert van.snapshots is not None
    van.snapshots.write(snapshot(1, is_moving=True, stops=3))
    with asking(van, token(van)) as client:
        assert client.get("/log", headers=HTML).status_code == 303
        said = client.post("/passenger", headers=OWN)
        assert (said.status_code, said.headers["location"]) == (303, "/log")
        assert client.get("/log", headers=HTML).status_code == 200
        van.snapshots.write(snapshot(2, is_moving=True, stops=4))
        assert client.get("/log", headers=HTML).headers["location"] == "/drive"
