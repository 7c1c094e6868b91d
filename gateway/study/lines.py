"""A line of a file of past orders: an order, an order with its time, or the event of its scan."""

import orjson
from pydantic import ValidationError

from gateway.study.errors import StudyWrong
from schemas.events import EventType
from schemas.study import PastOrder

_YEARS = range(1970, 2201)
"""Hours are reckoned in any zone; at the ends of the calendar they can't be."""


def past_order_of(line: bytes) -> PastOrder | None:
    """The order of a line of JSON; none where the line is an event about something else.

    Raises `StudyWrong` with what is wrong with the line. An event that names only a code brings no
    order and is wrong here: nobody is asked for it.
    """
    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError as wrong:
        raise StudyWrong(f"not JSON: {wrong}") from wrong
    if not isinstance(found, dict):
        raise StudyWrong("not a JSON object")
    if "specversion" in found:
        if found.get("type") != EventType.ORDER_SCANNED.value:
            return None
        data = found.get("data")
        order = data.get("order") if isinstance(data, dict) else None
        if order is None:
            raise StudyWrong("the event brings no order")
        found = {"at": found.get("time"), "order": order}
    elif "order" not in found:
        found = {"order": found}
    try:
        past = PastOrder.model_validate(found)
    except ValidationError as wrong:
        faults = wrong.errors(include_url=False, include_input=False)
        text = "; ".join(
            f"{'.'.join(map(str, fault['loc'])) or 'whole line'}: {fault['msg']}"
            for fault in faults[:3]
        )
        raise StudyWrong(text) from wrong
    if past.at is not None and past.at.year not in _YEARS:
        raise StudyWrong(f"at: no order was scanned in the year {past.at.year}")
    return past
