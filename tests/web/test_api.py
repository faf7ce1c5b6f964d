"""The API: trips, series, events, snapshot, desk; one shape for every refusal."""

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from dashboard.app import create_app
from dashboard.newest import aged
from dashboard.site import Site
from logger.core.health import Health
from logger.core.rollup import Minute
from logger.core.tick import Cell, Tick
from logger.core.trips import Trip
from logger.desk import Desk
from logger.pipeline.spec import Output
from logger.store.rows import Batch, Event
from logger.store.writer import RunEnd, RunStart, Writer
from tests.builders import us
from tests.web.sites import ORIGIN, asking, site, snapshot, token

MONDAY_S = 1_780_000_000
LIVE = RunStart(
    recording=None,
    recording_sha256=None,
    start_us=us(MONDAY_S),
    is_start_sure=True,
    zero_stamp_us=us(MONDAY_S),
    program="ampledger test",
    van_text="",
    descriptions={},
)
OWN = {"origin": ORIGIN}


def trip_at(start_s: float, distance_m: float | None = 10_000.0) -> Trip:
    """Return a trip of ten minutes that took 2,100 Wh of the pack and 100 Wh of sun."""
    return Trip(us(start_s), us(start_s + 600), us(12.5), distance_m, 2200.0, 100.0,
                -6.0, 100.0, None, 80.0, 74.0, 70.0, 78.0, -6.5)  # fmt: skip


def second(index: int, current_a: float) -> Tick:
    """Return a second in which a current flowed and a charger was silent."""
    cell = Cell(10, current_a - 1, current_a + 1, current_a, current_a, us(1))
    return Tick(index, us(index), us(index + 0.9), {"pack.current_a": cell})


def write_log(path: Path) -> None:
    """Write a log of two runs a day apart, and of a replay that was stopped."""
    with Writer(path) as writer:
        first = writer.begin_run(LIVE)
        ticks = [second(index, -20.0) for index in (0, 1, 2, 5)]
        minutes = [
            Minute(
                index, {"pack.current_a": Cell(60, -400.0, 5.0, 0.0, -600.0, us(60))}
            )
            for index in range(200)
            if index != 100
        ]
        events = [Event(us(1), "source lost", "bus drive"), Event(us(2), "back", "x")]
        outputs: list[Output] = [*ticks, *minutes, trip_at(0), trip_at(1000)]
        writer.write(first, Batch(outputs, [], events))
        writer.end_run(first, RunEnd(end_us=us(2000)))
        later = replace(LIVE, start_us=us(MONDAY_S + 86400))
        second_run = writer.begin_run(later)
        writer.write(second_run, Batch([trip_at(50, distance_m=None)], [], []))
        writer.begin_run(replace(LIVE, recording="half.log", recording_sha256="00"))


@pytest.fixture
def van(tmp_path: Path) -> Site:
    found = site(tmp_path)
    write_log(found.log_path)
    return found


@pytest.fixture
def client(van: Site) -> Iterator[TestClient]:
    with asking(van, token(van)) as found:
        yield found


def test_hello_tells_who_answers_and_who_asks(van: Site, client: TestClient) -> None:
    answer = client.get("/api/hello").json()
    assert answer["program"] == "ampledger"
    assert (answer["is_open"], answer["is_paired"], answer["is_demo"]) == (
        *(False, True, False),
    )
    with asking(replace(van, is_demo=True)) as stranger:
        answer = stranger.get("/api/hello").json()
    assert (answer["is_paired"], answer["is_demo"]) == (False, True)


def test_trips_come_newest_first(client: TestClient) -> None:
    found = client.get("/api/trips").json()
    assert [(each["run"], each["start_us"]) for each in found] == [
        *((2, us(50)), (1, us(1000)), (1, 0)),
    ]


def test_a_trip_tells_what_it_came_to(client: TestClient) -> None:
    trip = client.get("/api/trips").json()[2]
    assert trip["start_utc"] == "2026-05-28T20:26:40.000Z"
    assert trip["end_utc"] == "2026-05-28T20:36:40.000Z"
    assert (trip["duration_s"], trip["skipped_s"]) == (600.0, 12.5)
    assert trip["energy_net_wh"] == 2100.0
    assert trip["used_wh"] == 2200.0  # net and sun
    assert trip["wh_per_km"] == pytest.approx(220.0)
    assert (trip["soc_start_pct"], trip["soc_end_pct"]) == (80.0, 74.0)


def test_what_was_not_measured_is_null(client: TestClient) -> None:
    trip = client.get("/api/trips").json()[0]
    assert trip["distance_m"] is None
    assert trip["wh_per_km"] is None
    assert trip["shore_wh"] is None


def test_trips_come_in_pages(client: TestClient) -> None:
    seen = []
    address = "/api/trips?limit=1"
    while address:
        answer = client.get(address)
        (trip,) = answer.json()
        seen.append((trip["run"], trip["start_us"]))
        address = answer.headers.get("link", "").partition(">")[0].removeprefix("<")
    assert seen == [(2, us(50)), (1, us(1000)), (1, 0)]


def test_one_trip_is_called_by_run_and_start(client: TestClient) -> None:
    listed = client.get("/api/trips").json()[1]
    assert client.get(f"/api/trips/1/{us(1000)}").json() == listed


def series(client: TestClient, **query: object) -> dict[str, object]:
    """Return a series of the pack's current in the first run."""
    plain = {"run": 1, "channels": "pack.current_a"}
    answer = client.get("/api/series", params=plain | query)  # type: ignore[arg-type]
    assert answer.status_code == 200, answer.text
    found: dict[str, object] = answer.json()
    return found


def test_a_series_is_columns_with_gaps(client: TestClient) -> None:
    found = series(client, from_s=0, to_s=6)
    assert found["run_s"] == [0, 1, 2, 3, 4, 5]
    assert found["t_s"] == [MONDAY_S + second for second in range(6)]
    assert found["step_s"] == 1
    assert found["channels"] == {
        "pack.current_a": {
            "unit": "A",
            "low": [-21.0, -21.0, -21.0, None, None, -21.0],
            "mean": [-20.0, -20.0, -20.0, None, None, -20.0],
            "high": [-19.0, -19.0, -19.0, None, None, -19.0],
        }
    }


def test_a_history_goes_by_date_over_all_runs(client: TestClient) -> None:
    dates = f"from_s={MONDAY_S}&to_s={MONDAY_S + 9}"
    answer = client.get(f"/api/history?channels=pack.current_a&{dates}&points=3")
    assert answer.status_code == 200
    found = answer.json()
    assert found["step_s"] == 3.0
    assert found["t_s"] == [MONDAY_S, MONDAY_S + 3, MONDAY_S + 6]
    assert found["channels"]["pack.current_a"] == {
        "unit": "A",
        "low": [-21.0, -21.0, None],
        "mean": [-20.0, -20.0, None],
        "high": [-19.0, -19.0, None],
    }


def test_a_series_without_an_end_goes_to_the_newest_second(client: TestClient) -> None:
    assert series(client)["run_s"] == [0, 1, 2, 3, 4, 5]
    assert series(client, from_s=4)["run_s"] == [4, 5]
    assert series(client, from_s=400)["run_s"] == [400]


def test_a_long_series_comes_from_minutes(client: TestClient) -> None:
    found = series(client, to_s=200 * 60, points=100)
    assert found["step_s"] == 120
    (column,) = found["channels"].values()  # type: ignore[attr-defined]
    assert column["mean"] == [-10.0] * 100
    assert column["low"] == [-400.0] * 100
    found = series(client, from_s=95 * 60, to_s=95 * 60 + 7260)
    (column,) = found["channels"].values()  # type: ignore[attr-defined]
    assert column["mean"][4:7] == [-10.0, None, -10.0]
    assert len(column["mean"]) == 121
    assert column["mean"][105:] == [None] * 16  # the record ends at minute 200


def test_dates_that_nobody_confirmed_say_so(van: Site, client: TestClient) -> None:
    with Writer(van.log_path) as writer:
        run = writer.begin_run(replace(LIVE, is_start_sure=False, dated_by="computer"))
        writer.write(
            run, Batch([second(0, -20.0), trip_at(0)], [], [Event(1, "a", "")])
        )
        writer.end_run(run, RunEnd(us(600)))
    trips = client.get("/api/trips").json()
    assert {each["run"] for each in trips if not each["is_date_sure"]} == {run}
    (event,) = client.get(f"/api/events?run={run}").json()
    series = client.get(f"/api/series?run={run}&channels=pack.current_a").json()
    assert (event["is_date_sure"], series["is_date_sure"]) == (False, False)


def test_events_come_newest_first(client: TestClient) -> None:
    found = client.get("/api/events").json()
    assert [each["kind"] for each in found] == ["back", "source lost"]
    assert found[1] == {
        "run": 1,
        "t_us": us(1),
        "t_utc": "2026-05-28T20:26:41.000Z",
        "is_date_sure": True,
        "kind": "source lost",
        "text": "bus drive",
    }
    assert client.get("/api/events", params={"run": 2}).json() == []
    assert len(client.get("/api/events", params={"limit": 1}).json()) == 1


def test_the_snapshot_grows_old(van: Site, client: TestClient) -> None:
    assert van.snapshots is not None
    van.snapshots.write(snapshot(seq=9, ago_s=100.0))
    found = client.get("/api/snapshot").json()
    assert found["seq"] == 9
    assert found["snapshot_age_s"] >= 100.0
    reading = found["readings"]["pack.soc_pct"]
    assert reading["age_s"] >= 100.1
    assert reading["health"] == "missing"
    assert reading["value"] == 64.0
    assert found["sources"][0]["age_s"] >= 100.1


def test_without_a_logger_there_is_no_snapshot(client: TestClient) -> None:
    answer = client.get("/api/snapshot")
    assert answer.status_code == 503
    assert answer.json()["error"]["where"] == "the snapshot"


@pytest.mark.parametrize(
    ("health", "age_s", "then"),
    [
        (Health.FRESH, 1.0, Health.FRESH),
        (Health.FRESH, 3.0, Health.LATE),
        (Health.LATE, 1.0, Health.LATE),
        (Health.FROZEN, 3.0, Health.FROZEN),
        (Health.DISAGREEING, 3.0, Health.DISAGREEING),
        (Health.FRESH, 11.0, Health.MISSING),
        (Health.FROZEN, 11.0, Health.MISSING),
    ],
)
def test_health_only_ever_worsens_with_age(
    health: Health, age_s: float, then: Health
) -> None:
    plain = snapshot()
    readings = {
        name: replace(each, health=health) for name, each in plain.readings.items()
    }
    grown = aged(replace(plain, readings=readings), age_s)
    assert grown.readings["pack.soc_pct"].health is then


def test_ages_of_a_faster_clock_are_a_person_s() -> None:
    plain = replace(snapshot(), speed=10.0)
    grown = aged(plain, 2.0).readings["pack.soc_pct"]
    assert grown.age_s == pytest.approx(2.01)
    assert grown.period_s == pytest.approx(0.05)


def test_a_note_is_laid_on_the_desk(van: Site, client: TestClient) -> None:
    answer = client.post("/api/desk/note", json={"text": "New tyres"}, headers=OWN)
    assert (answer.status_code, answer.json()) == (201, {"number": 1})
    assert van.desk is not None
    (entry,) = van.desk.after(0)
    assert (entry.kind, entry.text) == ("note", "New tyres")
    assert entry.made_us > us(MONDAY_S - 10**9)


def test_a_reading_is_laid_on_the_desk(van: Site, client: TestClient) -> None:
    told = {"channel": "awning.left.extended", "value": 1}
    answer = client.post("/api/desk/reading", json=told, headers=OWN)
    assert (answer.status_code, answer.json()) == (201, {"number": 1})
    assert van.desk is not None
    (entry,) = van.desk.after(0)
    assert (entry.channel, entry.value) == ("awning.left.extended", 1.0)


@pytest.mark.parametrize(
    "told",
    [
        '{"channel": "warp.drive_w", "value": 1}',
        '{"channel": "pack.soc_pct", "value": 101}',
        '{"channel": "pack.soc_pct", "value": NaN}',
        '{"channel": "pack.soc_pct", "value": 1e999}',
        '{"channel": "pack.soc_pct", "value": null}',
        '{"channel": "pack.soc_pct"}',
        '{"channel": 7, "value": 1}',
        "[]",
        "",
        "{",
        "\ufeff",
        '"' + "x" * 5000,
    ],
)
def test_a_reading_that_cannot_be_is_refused(
    van: Site, client: TestClient, told: str
) -> None:
    headers = OWN | {"content-type": "application/json"}
    answer = client.post("/api/desk/reading", content=told.encode(), headers=headers)
    assert answer.status_code == 422
    check_shape(answer.content)
    assert van.desk is not None
    assert van.desk.after(0) == []


@pytest.mark.parametrize("text", ["", "x" * 2001])
def test_a_note_has_one_to_2000_letters(client: TestClient, text: str) -> None:
    answer = client.post("/api/desk/note", json={"text": text}, headers=OWN)
    assert answer.status_code == 422


def test_where_nothing_may_be_entered_the_desk_says_so(van: Site) -> None:
    here = replace(van, desk=None, is_open_here=True)
    app = create_app(here)
    with TestClient(app, base_url=ORIGIN, client=("127.0.0.1", 1)) as client:
        answer = client.post("/api/desk/note", json={"text": "x"}, headers=OWN)
    assert answer.status_code == 403
    check_shape(answer.content)


def check_shape(content: bytes) -> None:
    """Check that a refusal has the three parts, each with words."""
    parts = json.loads(content)["error"]
    assert set(parts) == {"where", "saw", "fix"}
    assert all(isinstance(part, str) and part for part in parts.values())


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/api/no-such-thing", 404),
        ("/api/trips/", 404),
        ("/api/trips/1/77", 404),
        ("/api/trips/99/0", 404),
        ("/api/trips/x/0", 422),
        ("/api/trips/-1/0", 422),
        ("/api/trips/1/99999999999999999999", 422),
        ("/api/trips?limit=0", 422),
        ("/api/trips?limit=501", 422),
        ("/api/trips?before=yesterday", 422),
        ("/api/trips?before=99/0", 404),
        ("/api/trips?before=1/0%27--", 422),
        ("/api/series", 422),
        ("/api/history", 422),
        ("/api/history?channels=pack.current_a&from_s=9&to_s=9", 422),
        ("/api/history?channels=no.such_w&from_s=0&to_s=9", 422),
        ("/api/history?channels=&from_s=0&to_s=9", 422),
        ("/api/history?channels=pack.current_a&from_s=0&to_s=9&points=2001", 422),
        ("/api/history?channels=pack.current_a&from_s=0&to_s=1780000000000", 422),
        ("/api/series?run=1&channels=", 422),
        ("/api/series?run=1&channels=no.such_w", 422),
        ("/api/series?run=99&channels=pack.current_a", 404),
        ("/api/series?run=1&channels=pack.current_a&from_s=9&to_s=9", 422),
        ("/api/series?run=1&channels=pack.current_a&from_s=nan", 422),
        ("/api/series?run=1&channels=pack.current_a&to_s=inf", 422),
        ("/api/series?run=1&channels=pack.current_a&points=1001", 422),
        ("/api/series?run=1&channels=" + "pack.current_a," * 9, 422),
        ("/api/events?run=99", 404),
    ],
)
def test_every_refusal_has_the_one_shape(
    client: TestClient, address: str, status: int
) -> None:
    answer = client.get(address)
    assert answer.status_code == status
    check_shape(answer.content)


def test_a_wrong_method_is_told_which_is_right(client: TestClient) -> None:
    answer = client.post("/api/trips", headers=OWN)
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET"
    check_shape(answer.content)


@pytest.mark.parametrize("content", [None, b"", b"no database at all" * 99])
def test_a_log_that_cannot_be_read_is_told(
    tmp_path: Path, content: bytes | None
) -> None:
    of = site(tmp_path)
    if content is not None:
        of.log_path.write_bytes(content)
    with asking(of, token(of)) as client:
        for address in ("trips", "events", "series?run=1&channels=pack.current_a"):
            answer = client.get(f"/api/{address}")
            assert answer.status_code == 503
            check_shape(answer.content)
            assert "van.db" in answer.json()["error"]["where"]


def test_a_page_that_is_not_there_is_told_in_words(client: TestClient) -> None:
    answer = client.get("/<b>nowhere", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "<b>" not in answer.text


def test_every_route_and_answer_is_described(client: TestClient) -> None:
    found = client.get("/api/openapi.json").json()
    schemas = found["components"]["schemas"]
    assert "/api/stream" in found["paths"]
    for path, methods in found["paths"].items():
        for method, operation in methods.items():
            assert operation["summary"], (method, path)
            assert operation["description"], (method, path)
            for answer in operation["responses"].values():
                assert answer["description"], (method, path)
            for parameter in operation.get("parameters", ()):
                if not path.startswith("/api/"):
                    continue
                assert parameter["description"], (method, path, parameter["name"])
    for name in ("TripRow", "Series", "Channel", "EventOut", "Hello", "OnDesk"):
        for field, says in schemas[name]["properties"].items():
            assert says["description"], (name, field)
    for name in ("TripRow", "AgedSnapshot", "LiveReading", "Series"):
        assert schemas[name]["description"]


def test_nothing_on_the_api_commands_the_van(client: TestClient) -> None:
    paths = client.get("/api/openapi.json").json()["paths"]
    changing = {
        path for path, methods in paths.items() if set(methods) - {"get", "head"}
    }
    assert changing <= {
        *("/api/desk/note", "/api/desk/reading", "/pair", "/passenger"),
        *("/understood", "/clock"),
    }


def test_two_applications_share_nothing(tmp_path: Path) -> None:
    one, two = (site(tmp_path / name) for name in ("one", "two"))
    for each in (one, two):
        each.log_path.parent.mkdir()
    given = token(one)
    with asking(two, given) as client:
        assert client.get("/api/now").status_code == 401
    assert isinstance(two.desk, Desk)
    assert math.isfinite(create_app(one).state.newest.age_s())
