"""A station that takes jobs over HTTP, each under an Idempotency-Key.

    POST URL/jobs          the job as JSON -> {"stage": "printed" | "accepted", "device_job": ...}
    GET  URL/jobs/JOB_ID   -> {"fate": "printed" | "waiting" | "unknown_job"}
    GET  URL/state         -> a StationCondition      GET URL/count -> {"count": n}
    POST URL/hold {"reason"}, POST URL/release, POST URL/pass-by {"code", "reason"}
A receipt comes as the answer, or later as a signed report (see `adapters.callbacks`).
"""

import base64
import json
import ssl
from collections.abc import AsyncIterator
from typing import ClassVar, Self
from urllib.parse import quote, urlsplit

import httpx
from pydantic import ValidationError

from adapters.callbacks import read_signed
from adapters.contract import Claims, LineSettings
from adapters.errors import (
    FateUnknown,
    Misconfigured,
    NeedsPerson,
    NothingSent,
    Refused,
    StationFault,
)
from adapters.options import Options
from adapters.reports import Reports
from adapters.tls import trust
from adapters.why_lost import why_lost
from schemas.station import (
    Fate,
    MachineState,
    Receipt,
    ReceiptStage,
    Signal,
    SignalKind,
    StationCondition,
    StationOrder,
)

_LONGEST_ANSWER = 65536
_SAYS_NOT_TAKEN = {429, 503}


class HttpStation:
    """One request a job on a fresh connection: a kept one may die unseen between two jobs."""

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.ACCEPTED, ReceiptStage.PRINTED, ReceiptStage.SEALED}),
        drops_repeats=True,
        can_be_asked=True,
        counts_labels=True,
        reports=frozenset(kind.value for kind in SignalKind),
        makes_bags=True,
        holds=True,
        passes_by=True,
        deliver_within_s=30.0,
        state_within_s=6.0,
    )

    def __init__(
        self,
        station: str,
        url: str,
        *,
        connect_s: float = 3.0,
        answer_s: float = 10.0,
        state_s: float = 3.0,
        token: str = "",
        secret: bytes = b"",
        trust: ssl.SSLContext | bool = True,
    ) -> None:
        self.station = station
        self._url = url.rstrip("/")
        self._waits = httpx.Timeout(answer_s, connect=connect_s)
        self._state_waits = httpx.Timeout(state_s, connect=min(connect_s, state_s))
        self._headers = {"Authorization": f"Bearer {token}"} if token else {}
        self._secret = secret
        self._trust = trust
        self._client: httpx.AsyncClient | None = None
        self._reports = Reports()

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: url, connect_s, answer_s, state_s, token_file or token_env, secret_file or
        secret_env, ca_file, cert_file, key_file.
        """
        options = Options(settings)
        url = options.text("url")
        if not url.startswith(("http://", "https://")):
            raise options.wrong("url", f"{url!r} is no http or https address")
        adapter = cls(
            settings.station,
            url,
            connect_s=options.seconds("connect_s", 3.0),
            answer_s=options.seconds("answer_s", 10.0),
            state_s=options.seconds("state_s", 3.0),
            token=options.secret("token"),
            secret=options.secret("secret").encode(),
            trust=trust(options),
        )
        options.finish()
        return adapter

    async def open(self) -> None:
        """Ask for the state once: a station that can't be reached is `NothingSent`."""
        await self.state()

    async def close(self) -> None:
        """End the reports and drop the client."""
        self._reports.end()
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    async def deliver(self, order: StationOrder) -> Receipt:
        """Post one job; the answer says whether it is printed or only accepted."""
        job = order.model_dump(
            mode="json", include={"job_id", "bag", "slot", "width_mm", "length_mm", "seal"}
        )
        job |= {
            "language": order.language.value,
            "label": base64.b64encode(order.label).decode("ascii"),
        }
        body = json.dumps(job).encode()
        key = quote(order.job_id, safe=" ")
        answer = await self._send(
            "POST", "/jobs", body, {"Idempotency-Key": f'"{key}"'}, waits=self._waits
        )
        if not answer.is_success:
            raise self._refusal(answer, len(body))
        return self._receipt(order, answer, len(body))

    async def state(self) -> StationCondition:
        """The station's own state; an answer that makes no sense is unknown."""
        try:
            return StationCondition.model_validate(await self._asked("/state"))
        except ValidationError:
            return StationCondition(state=MachineState.UNKNOWN)

    async def fate(self, job_id: str) -> Fate:
        """What became of a job."""
        said = (await self._asked(f"/jobs/{quote(job_id, safe='')}")).get("fate")
        return Fate(str(said)) if said in set(Fate) else Fate.CANNOT_TELL

    async def labels_printed(self) -> int:
        """The station's count."""
        count = (await self._asked("/count")).get("count")
        if not isinstance(count, int):
            raise NothingSent(f"station {self.station} does not tell its count")
        return count

    async def hold(self, reason: str) -> None:
        """Ask it to make no further bag."""
        await self._told("/hold", {"reason": reason})

    async def release(self) -> None:
        """Tell it that it may go on."""
        await self._told("/release", {})

    async def pass_by(self, code: str, reason: str) -> None:
        """Tell it to let these goods pass unpacked."""
        await self._told("/pass-by", {"code": code, "reason": reason})

    def read_report(self, signature: str, body: bytes) -> Signal:
        """What a signed report says. Raises `Refused` when it is not this station's."""
        if not self._secret:
            raise Refused(f"station {self.station} has no secret: its reports are not taken")
        return read_signed(self._secret, self.station, signature, body)

    async def signals(self) -> AsyncIterator[Signal]:
        """That it is not reached any more; its own reports come as signed requests."""
        async for signal in self._reports.stream():
            yield signal

    def _receipt(self, order: StationOrder, answer: httpx.Response, sent: int) -> Receipt:
        said = _object_in(answer)
        if said.get("stage") not in set(self.claims.knows):
            raise FateUnknown(
                f"station {self.station} took the job without saying how far it is",
                do="Ask the station what became of the job.",
                bytes_sent=sent,
            )
        return Receipt(
            job_id=order.job_id,
            stage=ReceiptStage(str(said["stage"])),
            bytes_sent=sent,
            device_job=str(said.get("device_job", ""))[:200],
            repeated=said.get("repeated") is True,
        )

    def _refusal(self, answer: httpx.Response, sent: int) -> StationFault:
        code = answer.status_code
        said = _object_in(answer)
        title = str(said.get("title", ""))[:120].rstrip(".")
        if code in _SAYS_NOT_TAKEN and said.get("needs_person") is True:
            why = title or "somebody is wanted there"
            return NeedsPerson(f"station {self.station}: {why}", do="Put it right at the station.")
        because = f": {title} (HTTP {code})" if title else f" (HTTP {code})"
        if code in _SAYS_NOT_TAKEN:
            return NothingSent(f"station {self.station} takes no job now{because}")
        if code in {401, 403}:
            text = f"station {self.station} does not accept the token{because}"
            return Misconfigured(text, do="Check the token in the site file.")
        if code in {404, 405, 415} or answer.is_redirect:
            text = f"station {self.station} takes no jobs at {_shown(self._url)}{because}"
            return Misconfigured(text, do="Check url in the site file.")
        if code == 409:
            text = f"station {self.station} has the same job still under way{because}"
            return FateUnknown(text, bytes_sent=sent)
        if answer.is_client_error:
            return Refused(f"station {self.station} refuses the job{because}", bytes_sent=sent)
        text = f"station {self.station} failed at the job{because}"
        return FateUnknown(text, do="Ask the station, or look at its bags.", bytes_sent=sent)

    async def _asked(self, path: str) -> dict[str, object]:
        return await self._answered("GET", path, b"")

    async def _told(self, path: str, what: dict[str, str]) -> None:
        await self._answered("POST", path, json.dumps(what).encode())

    async def _answered(self, method: str, path: str, body: bytes) -> dict[str, object]:
        try:
            answer = await self._send(method, path, body, {}, waits=self._state_waits)
        except FateUnknown as mute:
            raise NothingSent(mute.what) from mute
        if answer.status_code in {401, 403}:
            raise Misconfigured(f"station {self.station} does not accept the token")
        if not answer.is_success:
            raise NothingSent(
                f"station {self.station} can't answer {path} now (HTTP {answer.status_code})"
            )
        return _object_in(answer)

    async def _send(
        self,
        method: str,
        path: str,
        body: bytes,
        headers: dict[str, str],
        *,
        waits: httpx.Timeout,
    ) -> httpx.Response:
        client = self._living()
        if body:
            headers |= {"Content-Type": "application/json"}
        try:
            async with client.stream(
                method, self._url + path, content=body, headers=headers, timeout=waits
            ) as answer:
                heard = b""
                async for piece in answer.aiter_bytes():
                    heard += piece
                    if len(heard) > _LONGEST_ANSWER:
                        break
            kept = {"Location": answer.headers["Location"]} if answer.has_redirect_location else {}
            return httpx.Response(answer.status_code, headers=kept, content=heard)
        except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError) as fault:
            where = f"station {self.station}: {_shown(self._url)}"
            raise fault_of(fault, where, len(body)) from fault

    def _living(self) -> httpx.AsyncClient:
        if self._client is None:
            self._client = httpx.AsyncClient(
                headers=self._headers,
                limits=httpx.Limits(max_keepalive_connections=0),
                verify=self._trust,
                trust_env=False,
            )
            self._reports.begin(numbers_restart=False)
        return self._client


def fault_of(fault: Exception, where: str, sent: int) -> StationFault:
    """Our class for each error of the HTTP library: how far did it get?"""
    why = why_lost(fault)
    before = httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout, httpx.ProxyError
    ours = httpx.InvalidURL, httpx.UnsupportedProtocol, httpx.LocalProtocolError
    if isinstance(fault, before):
        text = f"{where} can't be reached: {why}"[:200]
        return NothingSent(text, do="Look at its power and its network.")
    text = f"{where}: {why}"[:200]
    if isinstance(fault, ours):
        return Misconfigured(text, do="Check url in the site file.")
    return FateUnknown(text, do="Ask the station, or look at its bags.", bytes_sent=sent)


def _shown(url: str) -> str:
    """The address for people: without path, and without a user and password in it."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}"


def _object_in(answer: httpx.Response) -> dict[str, object]:
    try:
        said = json.loads(answer.content)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}
