"""Odd answers of an HTTP station, and every error of the HTTP library, told as how far it got."""

import inspect

import httpx
import pytest
import respx

from adapters.callbacks import read_signed, sign
from adapters.contract import LineSettings
from adapters.errors import (
    FateUnknown,
    Misconfigured,
    NeedsPerson,
    NothingSent,
    Refused,
    StationFault,
    Unreadable,
)
from adapters.http_station import HttpStation, fault_of
from adapters.trial_label import order
from schemas.station import ReceiptStage, Signal, SignalKind

_URL = "http://station.test"


def _station() -> HttpStation:
    return HttpStation.from_settings(LineSettings("s", {"url": _URL}))


@pytest.mark.parametrize(
    ("status", "body", "fault"),
    [
        (400, {"title": "no"}, Refused),
        (422, {"title": "other job under this key"}, Refused),
        (401, {}, Misconfigured),
        (403, {}, Misconfigured),
        (404, {}, Misconfigured),
        (301, {}, Misconfigured),
        (307, {}, Misconfigured),
        (409, {}, FateUnknown),
        (429, {}, NothingSent),
        (503, {}, NothingSent),
        (503, {"needs_person": True}, NeedsPerson),
        (500, {}, FateUnknown),
        (502, {}, FateUnknown),
        (504, {}, FateUnknown),
        (200, {}, FateUnknown),
        (200, {"stage": "magic"}, FateUnknown),
        (200, ["printed"], FateUnknown),
        (204, None, FateUnknown),
    ],
)
async def test_odd_answer_is_told_as_how_far_it_got(
    status: int, body: object, fault: type[StationFault]
) -> None:
    """Meaning of the codes: RFC 9110, RFC 6585; a gateway's 502 and 504 prove nothing."""
    station = _station()
    with respx.mock:
        headers = {"Location": "http://elsewhere.test/"} if status in {301, 307} else {}
        answer = httpx.Response(status, json=body, headers=headers)
        sent = respx.post(f"{_URL}/jobs").mock(return_value=answer)
        with pytest.raises(fault):
            await station.deliver(order("odd"))
    assert sent.call_count == 1
    await station.close()


@pytest.mark.parametrize(
    ("status", "body", "told"),
    [
        (503, {"needs_person": True, "title": "paper out"}, "station s: paper out"),
        (503, {"title": "warming up"}, "station s takes no job now: warming up (HTTP 503)"),
        (429, {}, "station s takes no job now (HTTP 429)"),
        (401, {}, "station s does not accept the token (HTTP 401)"),
        (404, {}, "station s takes no jobs at http://station.test (HTTP 404)"),
        (422, {"title": "no such film."}, "station s refuses the job: no such film (HTTP 422)"),
        (500, {}, "station s failed at the job (HTTP 500)"),
    ],
)
async def test_answer_is_told_in_words(status: int, body: dict[str, object], told: str) -> None:
    """What stands on the floor's page says what is the matter; the code is for the integrator."""
    station = _station()
    with respx.mock:
        respx.post(f"{_URL}/jobs").mock(return_value=httpx.Response(status, json=body))
        with pytest.raises(StationFault) as fault:
            await station.deliver(order("odd"))
    assert told == fault.value.what
    await station.close()


async def test_job_goes_out_once_under_its_key() -> None:
    """One request, its key a quoted string (draft-ietf-httpapi-idempotency-key-header-07)."""
    station = _station()
    with respx.mock:
        answer = httpx.Response(201, json={"stage": "accepted", "device_job": "n7"})
        sent = respx.post(f"{_URL}/jobs").mock(return_value=answer)
        receipt = await station.deliver(order("job 1"))
    (call,) = sent.calls
    assert call.request.headers["Idempotency-Key"] == '"job 1"'
    assert (receipt.stage, receipt.device_job) == (ReceiptStage.ACCEPTED, "n7")
    assert receipt.bytes_sent == len(call.request.content)
    await station.close()


async def test_endless_answer_is_cut_off() -> None:
    """A station that talks without end costs neither memory nor the lane."""
    station = _station()
    with respx.mock:
        answer = httpx.Response(200, content=b"x" * 5_000_000)
        respx.post(f"{_URL}/jobs").mock(return_value=answer)
        with pytest.raises(FateUnknown):
            await station.deliver(order("long"))
    await station.close()


def _errors() -> list[type[Exception]]:
    found = [one for _, one in inspect.getmembers(httpx, inspect.isclass)]
    return [one for one in found if issubclass(one, httpx.HTTPError | httpx.InvalidURL)]


_BEFORE = {"ConnectError", "ConnectTimeout", "PoolTimeout", "ProxyError"}
_OURS = {"InvalidURL", "UnsupportedProtocol", "LocalProtocolError"}


@pytest.mark.parametrize("error", _errors(), ids=lambda error: error.__name__)
def test_each_error_of_the_library_has_its_class(error: type[Exception]) -> None:
    """Only what surely came before the first byte is "nothing sent"; the rest is unknown."""
    request = httpx.Request("POST", _URL)
    more = {"response": httpx.Response(500)} if error is httpx.HTTPStatusError else {}
    told = {} if error is httpx.InvalidURL or error is httpx.HTTPError else {"request": request}
    fault = fault_of(error("why", **told, **more), "station s", 7)
    expected: type[StationFault] = FateUnknown
    if error.__name__ in _BEFORE:
        expected = NothingSent
    elif error.__name__ in _OURS:
        expected = Misconfigured
    assert type(fault) is expected


_BODY = b'{"kind":"scan","number":1,"code":"9521234000001"}'


def test_signed_report_is_taken() -> None:
    """The signature made by OpenSSL over the stated bytes opens the report.

    printf 'v1:s3:{...}' | openssl dgst -sha256 -hmac secret
    """
    signature = "v1=76087c87cb2f1094e01efeaaf0cc8d3618710d34d9d692c3e05f10475d7afa57"
    assert sign(b"secret", "s3", _BODY) == signature
    signal = read_signed(b"secret", "s3", signature, _BODY)
    assert signal == Signal(kind=SignalKind.SCAN, number=1, code="9521234000001", signed=True)


@pytest.mark.parametrize(
    ("secret", "station", "body"),
    [
        (b"other", "s3", _BODY),
        (b"secret", "s4", _BODY),
        (b"secret", "s3", _BODY.replace(b"001", b"002")),
    ],
)
def test_report_of_somebody_else_is_refused(secret: bytes, station: str, body: bytes) -> None:
    """Another secret, another station's report, or a changed body."""
    signature = sign(b"secret", "s3", _BODY)
    with pytest.raises(Refused, match="wrong signature"):
        read_signed(secret, station, signature, body)


@pytest.mark.parametrize(
    ("body", "fields"),
    [
        (b"{}", ["kind"]),
        (b"not json", ["."]),
        (b'{"kind":"scan","code":"1"}', ["number"]),
        (b'{"kind":"scan","number":1,"position":11,"cod":"1"}', ["position", "cod"]),
    ],
)
def test_signed_report_without_sense_or_number_is_unreadable(
    body: bytes, fields: list[str]
) -> None:
    """What can't be read, or could be played again, is not taken, and each field is named."""
    with pytest.raises(Unreadable, match=r"makes no sense|without a number") as refused:
        read_signed(b"secret", "s3", sign(b"secret", "s3", body), body)
    assert fields == [each.field for each in refused.value.fields]


def test_unreadable_report_of_somebody_else_is_only_refused() -> None:
    """Whoever has no secret learns nothing of what a report looks like."""
    with pytest.raises(Refused, match="wrong signature") as refused:
        read_signed(b"secret", "s3", sign(b"other", "s3", b"{}"), b"{}")
    assert not isinstance(refused.value, Unreadable)


async def test_report_to_a_station_without_a_secret_is_refused() -> None:
    """No secret, no reports."""
    station = _station()
    with pytest.raises(Refused, match="no secret"):
        station.read_report(sign(b"", "s", _BODY), _BODY)
