"""Mislabels: the cases, what is known of one, and which other bags it could touch."""

from fastapi import APIRouter, Request, Response

from gateway.console.frame import back_to, form_of
from gateway.console.orders import step
from gateway.console.parts import Parts
from gateway.console.who import said
from gateway.errors import Invalid
from schemas.cases import CaseKind, CaseState


def routes(parts: Parts) -> APIRouter:
    """The list, one case, and what a person says of it."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.get("/mislabels")
    async def listed(request: Request, show: str = "waiting", kind: str = "") -> Response:
        chosen = CaseKind(kind) if kind in set(CaseKind) else None
        found = await parts.cases.listed(kind=chosen)
        if show != "all":
            found = [case for case in found if case.state is not CaseState.CLOSED]
        return await parts.frame.page(
            request, "mislabels.html", found=found, show=show, kinds=list(CaseKind), kind=kind
        )

    @router.get("/mislabels/{case_id}")
    async def one(request: Request, case_id: str) -> Response:
        story = await parts.cases.story(case_id)
        return await parts.frame.page(
            request,
            "case.html",
            case=story.case,
            affected=story.affected,
            steps=[step(entry) for entry in story.entries],
            kinds=list(CaseKind),
        )

    @router.post("/mislabels/{case_id}")
    async def change(request: Request, case_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        kind = fields.get("kind", "")
        if kind and kind not in set(CaseKind):
            raise Invalid("Choose one of the kinds.")
        chosen = CaseKind(kind) if kind else None
        if fields.get("to") == CaseState.CLOSED:
            await parts.cases.close(case_id, by.reason, by.by, chosen)
            return back_to(f"/mislabels/{case_id}", "closed", by.by)
        await parts.cases.explain(case_id, by.reason, by.by, chosen)
        return back_to(f"/mislabels/{case_id}", "explained", by.by)

    return router
