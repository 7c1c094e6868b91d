"""Asking the WMS for the order behind a scanned code, within a time budget."""

import asyncio
from collections.abc import Mapping
from urllib.parse import quote

import httpx
import structlog
from pydantic import ValidationError
from tenacity import (
    AsyncRetrying,
    Future,
    retry_if_exception,
    wait_random_exponential,
)

from gateway.access.secret_files import secret
from gateway.errors import Unavailable
from schemas.order import Order
from schemas.site import WmsSettings

log = structlog.get_logger(__name__)

LARGEST_ORDER_BYTES = 4_000_000


class OrderNotFound(Exception):
    """The WMS answered that it has no order under that code."""


def token_of(settings: WmsSettings, environment: Mapping[str, str]) -> str | None:
    """The token that the site file names by variable or by file. Raises `NoSecret`."""
    if settings.token_file is None and not environment.get(settings.token_env or ""):
        return None
    return secret(settings.token_env, settings.token_file, environment)


class WmsClient:
    """Fetches orders over HTTP. GET is safe to repeat, so it is, until the budget is spent."""

    def __init__(self, settings: WmsSettings, environment: Mapping[str, str]) -> None:
        self._settings = settings
        headers = {"accept": "application/json"}
        token = token_of(settings, environment)
        if token:
            headers["authorization"] = f"Bearer {token}"
        self._client = httpx.AsyncClient(
            headers=headers, timeout=settings.budget_s, follow_redirects=False, trust_env=False
        )

    async def close(self) -> None:
        """Let go of the connections."""
        await self._client.aclose()

    async def order(self, code: str) -> Order:
        """The order behind the code.

        Raises `OrderNotFound` when the WMS says so, `Unavailable` when it doesn't answer within
        the budget or answers something that is no order: nothing was accepted then.
        """
        url = self._settings.url.replace("{code}", quote(code, safe=""))
        told: list[Future | None] = []
        tries = AsyncRetrying(
            retry=retry_if_exception(_passing),
            wait=wait_random_exponential(multiplier=0.1, max=1.0),
            before_sleep=lambda state: told.append(state.outcome),
        )
        try:
            # one budget over all tries: a server that drips never runs into a read timeout
            async with asyncio.timeout(self._settings.budget_s):
                content: bytes = await tries(self._ask, url, code)
        except (httpx.HTTPError, TimeoutError) as error:
            raise Unavailable(
                f"The WMS gave no order within {self._settings.budget_s:g} s: "
                f"{_in_words(error, told)}. Scan again; if it goes on, call the WMS's support.",
                retry_after_s=2,
            ) from error
        try:
            return Order.model_validate_json(content)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            where = ".".join(str(step) for step in first["loc"]) or "the whole body"
            raise Unavailable(
                f"The WMS answered something that is no order: {where}: {first['msg']}.",
                retry_after_s=10,
            ) from error

    async def _ask(self, url: str, code: str) -> bytes:
        async with self._client.stream("GET", url) as answer:
            if answer.status_code in (httpx.codes.NOT_FOUND, httpx.codes.GONE):
                raise OrderNotFound(code)
            answer.raise_for_status()
            content = bytearray()
            async for piece in answer.aiter_bytes():
                content += piece
                if len(content) > LARGEST_ORDER_BYTES:
                    raise Unavailable(
                        f"The WMS answered more than {LARGEST_ORDER_BYTES} bytes: no order.",
                        retry_after_s=10,
                    )
            return bytes(content)


def _passing(error: BaseException) -> bool:
    if isinstance(error, httpx.HTTPStatusError):
        return error.response.status_code >= 500 or error.response.status_code == 429
    return isinstance(error, httpx.TransportError)


def _in_words(error: BaseException, earlier: list[Future | None]) -> str:
    """What the WMS did wrong; of a budget that ran out, what its last whole answer was."""
    if isinstance(error, httpx.HTTPStatusError):
        return f"it answered {error.response.status_code}"
    if isinstance(error, TimeoutError) and earlier and (last := earlier[-1]) is not None:
        return _in_words(last.exception() or error, [])
    if isinstance(error, (httpx.TimeoutException, TimeoutError)):
        return "it didn't answer in time"
    return "it can't be reached"
