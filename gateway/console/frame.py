"""What all pages share: templates, the site's time zone, headers, forms, refusals."""

import gzip
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from secrets import token_hex
from typing import Any
from urllib.parse import parse_qs, quote
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import jinja2
from fastapi import Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from fastapi.routing import APIRoute
from markupsafe import Markup

from gateway.clock import Clock
from gateway.console.allowed import may_of
from gateway.console.assets import Assets
from gateway.console.stations import is_low
from gateway.console.texts import Texts
from gateway.console.who import signed_in
from gateway.errors import GatewayError, Malformed, TooLarge

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_MOST_FORM_BYTES = 100_000
_PACK_FROM_BYTES = 1400

Counts = Callable[[], Coroutine[Any, Any, Mapping[str, int]]]


class Frame:
    """Makes pages. `counts` tells how much waits on each page, for the navigation."""

    def __init__(self, site_name: str, zone: str, clock: Clock, counts: Counts) -> None:
        self.texts = Texts()
        self.assets = Assets()
        self.zone = _zone(zone)
        self.clock = clock
        self._counts = counts
        self._templates = jinja2.Environment(
            loader=jinja2.PackageLoader("gateway.console", "templates"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals |= {
            "t": self.texts,
            "of": self.texts.of,
            "asset": self.assets.url,
            "site_name": site_name,
            "zone_name": self.zone.key,
            "is_low": is_low,
            "once": lambda: token_hex(8),
        }
        self._templates.filters |= {"when": self.when, "svg": _svg}

    def today(self) -> date:
        """The day at the site."""
        return self.clock.now().astimezone(self.zone).date()

    def when(self, moment: datetime | None) -> Markup:
        """A time for people, in the site's zone: the date is told where it isn't today."""
        if moment is None:
            return Markup("")
        local = moment.astimezone(self.zone)
        shown = f"{local:%H:%M:%S}"
        if local.date() != self.today():
            shown = f"{local.day} {local:%b %Y %H:%M}"
        return Markup('<time datetime="{}" title="{}">{}</time>').format(
            moment.isoformat(), f"{local:%Y-%m-%d %H:%M:%S %Z}", shown
        )

    def part(self, template: str, **values: object) -> str:
        """A piece of a page."""
        return self._templates.get_template(template).render(**values)

    async def page(
        self,
        request: Request,
        template: str,
        values: Mapping[str, object] | None = None,
        *,
        status: int = 200,
        **more: object,
    ) -> Response:
        """A whole page."""
        done = request.query_params.get("done", "")
        html = self.part(
            template,
            here=request.url.path,
            counts=await self._counts(),
            done=done if self.texts.has(f"done.{done}") else "",
            name=name_of(request),
            may=may_of(request),
            person=signed_in(request) or "",
            query=request.query_params.get("q", ""),
            **{**(values or {}), **more},
        )
        return packed(request, html.encode(), "text/html; charset=utf-8", status)

    def route_class(self) -> type[APIRoute]:
        """Routes whose refusals are told as a page, not as problem JSON."""
        frame = self

        class PageRoute(APIRoute):
            def get_route_handler(
                self,
            ) -> Callable[[Request], Coroutine[Any, Any, Response]]:
                answer = super().get_route_handler()

                async def told(request: Request) -> Response:
                    try:
                        return await answer(request)
                    except GatewayError as error:
                        return await frame.refusal(request, error.status, error.title, error.detail)
                    except RequestValidationError:
                        title, text = frame.texts("refused.title"), frame.texts("refused.form")
                        return await frame.refusal(request, 422, title, text)

                return told

        return PageRoute

    async def refusal(self, request: Request, status: int, title: str, text: str) -> Response:
        """A page that says what was refused and leads back."""
        back = request.headers.get("referer", "")
        same = back.startswith(str(request.base_url))
        return await self.page(
            request,
            "refused.html",
            status=status,
            refused_title=title,
            text=text,
            back=back if same else "/floor",
        )


def packed(request: Request, content: bytes, media_type: str, status: int = 200) -> Response:
    """Content, packed where the browser takes it and it is worth it."""
    headers = {**HEADERS, "Vary": "Accept-Encoding"}
    if len(content) > _PACK_FROM_BYTES and "gzip" in request.headers.get("accept-encoding", ""):
        content = gzip.compress(content, compresslevel=4, mtime=0)
        headers["Content-Encoding"] = "gzip"
    return Response(content, status_code=status, media_type=media_type, headers=headers)


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form that one of our own pages sent. Raises `Malformed`, `TooLarge`."""
    refuse_foreign(request)
    if "x-www-form-urlencoded" not in request.headers.get("content-type", ""):
        raise Malformed("A form was expected.")
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MOST_FORM_BYTES:
            raise TooLarge(f"A form has at most {_MOST_FORM_BYTES} bytes.")
    try:
        fields = parse_qs(body.decode(), keep_blank_values=True, strict_parsing=bool(body))
    except ValueError as error:
        raise Malformed("The form can't be read.") from error
    return {name: values[-1].strip() for name, values in fields.items()}


def refuse_foreign(request: Request) -> None:
    """Refuse a form that another site made the browser send.

    Browsers say where a request comes from by Sec-Fetch-Site (W3C Fetch Metadata), older ones by
    Origin; one that says neither is no browser, and has the API.
    """
    site = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin", "")
    own = f"{request.url.scheme}://{request.headers.get('host', '')}"
    if site == "same-origin" or (site is None and origin == own):
        return
    raise _Foreign(
        "This form was not sent from a page of this gateway. Open the page and try again."
    )


class _Foreign(GatewayError):
    """A form from another site."""

    status, title = 403, "Not from here"


NAME_COOKIE = "bagrelay_name"


@dataclass(frozen=True, slots=True)
class Name:
    """Who acts: known from the session, or what this browser's person said last."""

    text: str
    known: bool


def name_of(request: Request) -> Name:
    """The session's person; else the name that was given last, as a suggestion."""
    person = signed_in(request)
    if person is not None:
        return Name(person, known=True)
    last = parse_qs(f"n={request.cookies.get(NAME_COOKIE, '')}").get("n", [""])[0]
    return Name(last[:80], known=False)


def back_to(path: str, done: str, by: str = "") -> Response:
    """After a form: look at a page anew, which says what was done."""
    joint = "&" if "?" in path else "?"
    response = RedirectResponse(f"{path}{joint}done={done}", status_code=303)
    if by:
        response.set_cookie(
            NAME_COOKIE, quote(by), max_age=12 * 3600, httponly=True, samesite="strict"
        )
    return response


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def _svg(drawing: str) -> Markup:
    """A drawing of our own making, to stand in the page."""
    return Markup(drawing)  # noqa: S704 - made by gateway.fit.picture, which escapes its texts
