"""The pages to sign in and out: a person shows a key or a token once, and gets a session."""

from datetime import timedelta

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from gateway.access import sessions
from gateway.access.caller import Caller
from gateway.access.door import TurnedAway
from gateway.access.who import Who
from gateway.console.frame import Frame, form_of, packed
from gateway.errors import Forbidden, GatewayError, Unauthenticated
from gateway.store.store import Store
from schemas.access import AccessRole

PEOPLE = frozenset({AccessRole.OPERATOR, AccessRole.SUPERVISOR, AccessRole.INTEGRATOR})


def routes(frame: Frame, store: Store, who: Who, *, lasts: timedelta, open_door: bool) -> APIRouter:
    """Sign in, sign out."""
    router = APIRouter(include_in_schema=False, route_class=frame.route_class())

    def page(request: Request, to: str, wrong: str = "", status: int = 200) -> Response:
        html = frame.part("sign_in.html", to=to, wrong=wrong, open_door=open_door)
        return packed(request, html.encode(), "text/html; charset=utf-8", status)

    @router.get("/sign-in")
    async def ask(request: Request, to: str = "/floor") -> Response:
        return page(request, _ours(to))

    @router.post("/sign-in")
    async def take(request: Request) -> Response:
        fields = await form_of(request)
        to = _ours(fields.get("to", ""))
        try:
            caller = _person(await who.bearer(fields.get("key", "").strip()))
        except GatewayError as refused:
            if isinstance(refused, Unauthenticated):
                who.count_failure(request)
            return page(request, to, refused.detail, refused.status)
        text = await store.write(lambda work: sessions.begin(work, caller, lasts))
        answer = RedirectResponse(to, status_code=303)
        sessions.set_cookie(request, answer, text, lasts)
        return answer

    @router.post("/sign-out")
    async def leave(request: Request) -> Response:
        await form_of(request)
        text = sessions.cookie_of(request.cookies)
        if text is not None:
            await store.write(lambda work: sessions.end(work, text))
            who.forget()
        answer = RedirectResponse("/sign-in", status_code=303)
        sessions.drop_cookie(request, answer)
        return answer

    return router


def turned_away(frame: Frame) -> TurnedAway:
    """The page of whom the door did not let in: no way round it, so nothing of the room in it."""

    def page(request: Request, error: GatewayError) -> Response:
        html = frame.part(
            "turned_away.html", title=error.title, text=error.detail, here=request.scope["path"]
        )
        return packed(request, html.encode(), "text/html; charset=utf-8", error.status)

    return page


def _person(caller: Caller) -> Caller:
    if caller.role not in PEOPLE:
        raise Forbidden(f"The role {caller.role} is a machine's; the pages are for people.")
    return caller


def _ours(to: str) -> str:
    """A path of ours to go on to, never another site's address."""
    ours = to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable()
    return to if ours else "/floor"
