"""One webhook as a sink: a signed POST of a structured CloudEvent."""

import asyncio
from collections.abc import Callable
from email.utils import parsedate_to_datetime

import httpx

from gateway.access.secret_files import NoSecret
from gateway.clock import Clock
from gateway.queues.port import STRUCTURED, Event, NeverTakes, Unavailable
from gateway.webhooks.sign import SecretWrong, read_secrets, signed_headers
from gateway.webhooks.target import AddressRefused, checked_address
from schemas.queues import Webhook

_NEVER = frozenset({400, 413, 415, 422})
"""The target read the event and won't have it; any other answer may be another tomorrow."""


class WebhookSink:
    """Posts events to one target. Redirects are not followed: they would lead past the check."""

    def __init__(self, settings: Webhook, read_secret: Callable[[], str | None], clock: Clock):
        self._settings = settings
        self._read_secret = read_secret
        self._clock = clock
        self._url = httpx.URL(settings.url)
        self._client: httpx.AsyncClient | None = None

    async def send(self, event: Event) -> None:
        """Post one event; returns once the target answered 2xx."""
        body = event.structured()
        headers = {
            "content-type": STRUCTURED,
            "user-agent": "bagrelay",
            "host": self._url.netloc.decode("ascii"),
            **self._signed(event.id, body),
        }
        status, retry_after = await self._post(headers, body)
        if 200 <= status < 300:
            return
        if status in _NEVER:
            raise NeverTakes(f"it answered {status}")
        raise Unavailable(f"it answered {status}", retry_after)

    def _signed(self, event_id: str, body: bytes) -> dict[str, str]:
        try:
            keys = read_secrets(self._read_secret() or "")
        except (SecretWrong, NoSecret) as wrong:
            raise Unavailable(f"nothing is sent unsigned: {wrong}") from wrong
        return signed_headers(keys, event_id, int(self._clock.now().timestamp()), body)

    async def _post(self, headers: dict[str, str], body: bytes) -> tuple[int, float]:
        host = self._url.host
        port = self._url.port or (443 if self._url.scheme == "https" else 80)
        try:
            address = await checked_address(host, port, self._settings.allow_networks)
        except AddressRefused as refused:
            raise Unavailable(str(refused), 60.0) from refused
        except (OSError, UnicodeError) as error:
            raise Unavailable(f"{host} can't be resolved") from error
        client = self._client = self._client or self._made()
        request = client.build_request(
            "POST",
            self._url.copy_with(host=address),
            headers=headers,
            content=body,
            extensions={"sni_hostname": host},
        )
        try:
            # the answer's body says nothing to us, and may be endless
            async with asyncio.timeout(self._settings.answer_s):
                answer = await client.send(request, stream=True)
                await answer.aclose()
        except (httpx.HTTPError, TimeoutError) as error:
            raise Unavailable(f"it can't be reached: {type(error).__name__}") from error
        return answer.status_code, self._wait_of(answer)

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
