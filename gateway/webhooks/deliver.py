"""One webhook as a sink: a signed POST of a structured CloudEvent."""

import asyncio
from collections.abc import Callable
from email.utils import parsedate_to_datetime

import httpx

from adapters.why_lost import why_lost
from gateway.access.secret_files import NoSecret
from gateway.clock import Clock
from gateway.queues.port import STRUCTURED, Event, NeverTakes, Unavailable
from gateway.webhooks.sign import SecretWrong, read_secrets, signed_headers
from gateway.webhooks.target import AddressRefused, checked_address
from schemas.queues import Webhook

_NEVER = frozenset({400, 413, 415, 422})
"""The target read the event and won't have it; any other answer may be another tomorrow."""

_ASK_AGAIN = frozenset({401, 403, 404, 405, 410})
"""It may have changed its mind about us."""


class WebhookSink:
    """Posts events to one target. Redirects are not followed: they would lead past the check."""

    def __init__(self, settings: Webhook, read_secret: Callable[[], str | None], clock: Clock):
        self._settings = settings
        self._read_secret = read_secret
        self._clock = clock
        self._url = httpx.URL(settings.url)
        self._client: httpx.AsyncClient | None = None
        self._agreed = False
        self._between_s = 0.0
        self._next_at = 0.0

    async def send(self, event: Event) -> None:
        """Post one event; returns once the target answered 2xx."""
        body = event.structured()
        headers = {"content-type": STRUCTURED, **self._signed(event.id, body)}
        if self._settings.origin and not self._agreed:
            await self._ask(self._settings.origin)
        await self._keep_pace()
        answer = await self._request("POST", headers, body)
        status = answer.status_code
        if 200 <= status < 300:
            return
        self._agreed = self._agreed and status not in _ASK_AGAIN
        if status in _NEVER:
            raise NeverTakes(f"it answered {status}")
        raise Unavailable(f"it answered {status}", self._wait_of(answer))

    async def _ask(self, origin: str) -> None:
        """Ask whether events are wanted: CloudEvents 1.0.2, HTTP webhooks, section 4.

        Raises `Unavailable` until the target allows our origin.
        """
        answer = await self._request("OPTIONS", {"webhook-request-origin": origin}, b"")
        allowed = answer.headers.get("webhook-allowed-origin", "").strip().lower()
        if not 200 <= answer.status_code < 300 or allowed not in ("*", origin.lower()):
            raise Unavailable(
                f"it doesn't allow events from {origin}: it answered {answer.status_code}"
                f" and allows {allowed[:100] or 'no origin'}",
                60.0,
            )
        rate = answer.headers.get("webhook-allowed-rate", "*").strip()
        self._between_s = 60.0 / int(rate) if rate.isdigit() and int(rate) else 0.0
        self._agreed = True

    async def _keep_pace(self) -> None:
        """Wait until the rate that the target allows lets the next event through."""
        now = self._clock.monotonic()
        wait_s = self._next_at - now
        self._next_at = max(now, self._next_at) + self._between_s
        if wait_s > 0:
            await asyncio.sleep(wait_s)

    def _signed(self, event_id: str, body: bytes) -> dict[str, str]:
        try:
            keys = read_secrets(self._read_secret() or "")
        except (SecretWrong, NoSecret) as wrong:
            raise Unavailable(f"nothing is sent unsigned: {wrong}") from wrong
        return signed_headers(keys, event_id, int(self._clock.now().timestamp()), body)

    async def _request(self, method: str, headers: dict[str, str], body: bytes) -> httpx.Response:
        host = self._url.host
        port = self._url.port or (443 if self._url.scheme == "https" else 80)
        try:
            address = await checked_address(host, port, self._settings.allow_networks)
        except AddressRefused as refused:
            raise Unavailable(str(refused), 60.0) from refused
        except (OSError, UnicodeError) as error:
            raise Unavailable(f"{host} can't be resolved") from error
        client = self._client = self._client or self._made()
        named = {"user-agent": "bagrelay", "host": self._url.netloc.decode("ascii")}
        request = client.build_request(
            method,
            self._url.copy_with(host=address),
            headers={**named, **headers},
            content=body,
            extensions={"sni_hostname": host},
        )
        try:
            # the answer's body says nothing to us, and may be endless
            async with asyncio.timeout(self._settings.answer_s):
                answer = await client.send(request, stream=True)
                await answer.aclose()
        except (httpx.HTTPError, TimeoutError) as error:
            raise Unavailable(f"it can't be reached: {why_lost(error)}") from error
        return answer

    def _made(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(
            timeout=self._settings.answer_s,
            follow_redirects=False,
            trust_env=False,
            limits=httpx.Limits(max_connections=2),
        )

    def _wait_of(self, answer: httpx.Response) -> float:
        """Seconds of a Retry-After, in either of its forms (RFC 9110, section 10.2.3)."""
        said = answer.headers.get("retry-after", "")
        if said.isdigit():
            return float(said)
        try:
            return max(0.0, (parsedate_to_datetime(said) - self._clock.now()).total_seconds())
        except (ValueError, TypeError):
            return 0.0

    async def close(self) -> None:
        """Let go of the connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()
