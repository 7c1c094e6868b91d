"""Who is acting on a page: the one place that looks it up."""

from collections.abc import Mapping

from fastapi import Request
from pydantic import ValidationError

from gateway.errors import Invalid
from schemas.desk import Reasoned


def signed_in(request: Request) -> str | None:
    """The person whose session this is, where the site signs people in; else None."""
    person = getattr(request.state, "person", None)
    return str(person) if person else None


def said(request: Request, fields: Mapping[str, str], safe_reason: str = "") -> Reasoned:
    """Reason and name of an action: the session's person, or whoever the form names.

    `safe_reason` stands in where the page asks for none. Raises `Invalid`.
    """
    try:
        return Reasoned(
            reason=fields.get("reason") or safe_reason,
            by=signed_in(request) or fields.get("by", ""),
        )
    except ValidationError as error:
        lacking = {str(fault["loc"][0]) for fault in error.errors()}
        asked = {"reason": "why", "by": "who you are"}
        what = " and ".join(asked[name] for name in ("reason", "by") if name in lacking)
        raise Invalid(f"Say {what}: it goes into the ledger.") from error
