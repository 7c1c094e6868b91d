"""The permission table against the whole application: every route, role and station scope."""

from collections.abc import Iterator
from pathlib import Path

import httpx
from fastapi.routing import iter_route_contexts

from gateway.access.paths import Paths
from gateway.access.roles import EVENTS, TABLE, Bound
from gateway.app import build, create_app
from schemas.access import AccessRole
from schemas.events import EventType
from schemas.site import Gs1Settings, Site
from tests.service.access_rig import STRUCTURED, Closed, closed, event
from tests.service.gateway_rig import order

MACHINES = {AccessRole.SENDER, AccessRole.STATION}
PEOPLE = {AccessRole.OPERATOR, AccessRole.SUPERVISOR}


def _routes() -> set[tuple[str, str]]:
    """Method and path of every route that the application serves."""
    site = Site(name="x", gs1=Gs1Settings(company_prefix="9521234"), station=())
    app = create_app(build(site, environment={}))
    return {
        (method, route.path)
        for route in iter_route_contexts(app.routes)
        for method in route.methods - {"HEAD"}
    }


def test_table_and_application_have_the_same_routes() -> None:
    """No route without its line, and no line whose route is gone."""
    assert set(TABLE) == _routes()


def test_every_path_is_found_under_its_own_line() -> None:
    """Whatever stands in the place of a name, a path leads to the line of its template."""
    paths = Paths()
    for (method, template), row in TABLE.items():
        for value in ("x1", "a b", "a?b", "ü", "%2F"):
            found = paths.find(method, _filled(template, dict.fromkeys(_NAMES, value)))
            assert found is not None
            assert (template, row) == (found.template, found.row)


_NAMES = (
    "station_id", "job_id", "order_id", "parcel_id", "case_id", "name", "day", "letter_id", "way",
)  # fmt: skip


def _filled(template: str, values: dict[str, str]) -> str:
    path = template
    for name, value in values.items():
        path = path.replace("{" + name + ":path}", value).replace("{" + name + "}", value)
    assert "{" not in path, f"the test has no value for a name in {template}"
    return path


async def _things(gateway: Closed) -> dict[str, str]:
    """An order packed at s1, its parcel and job, and a mislabel case of s1."""
    sender = await gateway.key(AccessRole.SENDER, name="wms")
    station = await gateway.key(AccessRole.STATION, "s1", name="scanner")
    async with gateway.client(sender) as wms, gateway.client(station) as scanner:
        scan = event("o", "order.scanned", "s1", code="SO-1", order=order("SO-1"))
        packed = await wms.post("/v1/events", json=scan, headers=STRUCTURED)
        assert 202 == packed.status_code, packed.text
        foreign = event("f", "label.scanned", "s1", code="NOT-OURS")
        assert (
            202 == (await scanner.post("/v1/events", json=foreign, headers=STRUCTURED)).status_code
        )
    supervisor = await gateway.key(AccessRole.SUPERVISOR, name="lead")
    async with gateway.client(supervisor) as lead:
        story = (await lead.get("/v1/orders/SO-1")).json()
        (case,) = (await lead.get("/v1/cases")).json()
    parcel = story["parcels"][0]
    return {
        "station_id": "s1",
        "order_id": "SO-1",
        "parcel_id": parcel["parcel_id"],
        "job_id": parcel["jobs"][0]["job_id"],
        "case_id": case["case_id"],
        "name": "console.css",
        "day": "2026-01-05",
        "letter_id": "1",
        "way": "x",
    }


_CALLERS = [(role, scope) for role in AccessRole for scope in ((), ("s1",), ("s2",))]


def _allowed(method: str, template: str, role: AccessRole, scope: tuple[str, ...]) -> bool:
    row = TABLE[method, template]
    if row.bound is Bound.OPEN:
        return True
    if role not in row.roles:
        return False
    if not scope or row.bound in (Bound.FLOOR, Bound.INSIDE):
        return True
    return row.bound is not Bound.ROOM and "s1" in scope


async def _status(client: httpx.AsyncClient, method: str, path: str) -> int:
    form = method == "POST" and not path.startswith("/v1/")
    headers = {
        "origin": str(client.base_url).rstrip("/"),
        "content-type": "application/x-www-form-urlencoded" if form else "application/json",
    }
    async with client.stream(method, path, headers=headers) as answer:
        return answer.status_code


async def test_every_route_answers_each_role_and_scope_as_the_table_says(tmp_path: Path) -> None:
    """403 where the table says no, no 401 and no 403 where it says yes; a real server."""
    wrong = []
    async with closed(tmp_path) as gateway:
        things = await _things(gateway)
        for role, scope in _CALLERS:
            async with gateway.client(await gateway.key(role, *scope)) as client:
                for method, template in sorted(TABLE):
                    status = await _status(client, method, _filled(template, things))
                    if _allowed(method, template, role, scope) == (status in (401, 403)):
                        wrong.append((role.value, scope, method, template, status))
    # signing in shows no key in the form, which is refused whoever asks
    assert [] == [one for one in wrong if one[3] != "/sign-in"]


async def test_nobody_without_a_key_reads_or_does_anything(tmp_path: Path) -> None:
    """Without anything shown every route but the open ones answers 401; pages lead to sign-in."""
    async with closed(tmp_path) as gateway, gateway.client() as stranger:
        things = dict.fromkeys(_NAMES, "x") | {"day": "2026-01-05"}
        answers = {
            (method, template): await _status(stranger, method, _filled(template, things))
            for method, template in TABLE
            if TABLE[method, template].bound is not Bound.OPEN
        }
        unknown = await stranger.get("/v1/nothing-here")
        page = await stranger.get("/floor", headers={"accept": "text/html"})
        probe = await stranger.get("/healthz")
    assert {401} == set(answers.values())
    assert 401 == unknown.status_code
    assert 'Bearer realm="bagrelay"' == unknown.headers["www-authenticate"]
    assert (303, "/sign-in?to=/floor") == (page.status_code, page.headers["location"])
    assert 200 == probe.status_code


def _events() -> Iterator[tuple[EventType, dict[str, object]]]:
    size = {"length": 100, "width": 80, "height": 20}
    yield EventType.ORDER_SCANNED, {"code": "x", "order": order("SO-9")}
    yield EventType.LABEL_SCANNED, {"code": "x"}
    yield EventType.BAG_ADVANCED, {}
    yield EventType.BAG_PULLED, {}
    yield EventType.BAG_SEALED, {}
    yield EventType.STATION_STATE, {"state": "unknown"}
    yield EventType.SUPPLY_CHANGED, {"bag": "small"}
    yield EventType.ITEM_MEASURED, {"code": "x", "measured": {"size": size}}
    yield EventType.ITEM_PRESENT, {"code": "x"}


async def test_every_event_type_is_taken_from_its_roles_and_its_stations_only(
    tmp_path: Path,
) -> None:
    """Each type from each role, for the caller's own station and for another's."""
    wrong = []
    async with closed(tmp_path) as gateway:
        for role in AccessRole:
            async with gateway.client(await gateway.key(role, "s1")) as client:
                for kind, data in _events():
                    for station in ("s1", "s2"):
                        body = {
                            "specversion": "1.0", "source": "/t", "type": kind.value,
                            "id": f"{role}{kind}{station}", "data": {"station": station, **data},
                        }  # fmt: skip
                        answer = await client.post("/v1/events", json=body, headers=STRUCTURED)
                        may = role in EVENTS[kind] and station == "s1"
                        if may == (answer.status_code == 403):
                            wrong.append((role, kind, station, answer.status_code, answer.text))
    assert [] == wrong


async def test_a_batch_refuses_each_event_that_is_not_the_callers(tmp_path: Path) -> None:
    """One event of the caller's among others': it is accepted, they are refused, in one answer."""
    mine = event("1", "label.scanned", "s1", code="x")
    others = event("2", "label.scanned", "s2", code="x")
    headers = {"content-type": "application/cloudevents-batch+json"}
    async with (
        closed(tmp_path) as gateway,
        gateway.client(await gateway.key(AccessRole.STATION, "s1")) as client,
    ):
        answer = await client.post("/v1/events", json=[mine, others], headers=headers)
    first, second = answer.json()
    assert (207, "1", 403) == (
        answer.status_code, first["accepted"]["id"], second["problem"]["status"]
    )  # fmt: skip


def test_nobody_that_hands_in_orders_may_say_that_their_labels_are_right() -> None:
    """Separation of duties, as common practice in a packing room: no source."""
    assert AccessRole.SENDER not in EVENTS[EventType.LABEL_SCANNED]
    assert AccessRole.SENDER not in EVENTS[EventType.BAG_SEALED]


def test_machines_do_nothing_that_a_person_answers_for() -> None:
    """No sender and no station may write anything but events."""
    writes = {key: row for key, row in TABLE.items() if key[0] != "GET"}
    by_machine = {key for key, row in writes.items() if row.roles & MACHINES}
    assert {("POST", "/v1/events"), ("POST", "/v1/fit")} == by_machine


def test_whoever_wires_the_room_touches_no_bag() -> None:
    """An integrator acts on no station, job, order or case; the site file is theirs."""
    writes = {key for key, row in TABLE.items() if key[0] != "GET"}
    may = {key for key in writes if AccessRole.INTEGRATOR in TABLE[key].roles}
    assert may <= {("POST", "/v1/fit"), ("POST", "/v1/site/reload"), ("POST", "/site/reload")}


def test_label_bytes_and_evidence_are_for_those_who_answer_for_the_room() -> None:
    """Addresses leave in bulk only to supervisors."""
    assert {AccessRole.SUPERVISOR} == TABLE["GET", "/v1/jobs/{job_id}/label"].roles
    assert {AccessRole.SUPERVISOR} == TABLE["GET", "/v1/parcels/{parcel_id}/evidence.json"].roles
