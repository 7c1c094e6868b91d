"""What a line of past orders may say of its time."""

import orjson
import pytest

from gateway.study.errors import StudyWrong
from gateway.study.lines import past_order_of

ORDER = {
    "order_id": "A",
    "lines": [
        {
            "line_id": "1",
            "item": {
                "sku": "b",
                "size": {"length": 200, "width": 150, "height": 20},
                "mass_g": 300,
            },
        }
    ],
}


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_time_at_the_end_of_the_calendar_is_a_wrong_line(at: str) -> None:
    """Such a line is named and left out; no zone's day can be reckoned there."""
    with pytest.raises(StudyWrong, match="no order was scanned in the year"):
        past_order_of(orjson.dumps({"at": at, "order": ORDER}))
    assert past_order_of(orjson.dumps({"at": "2026-11-25T08:00:00Z", "order": ORDER}))
