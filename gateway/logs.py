"""Logs: one line per step, JSON unless a person looks on, and no personal data in them.

A line holds small facts only. Values that could be an address, a label or a whole order are
withheld whatever key they come under, and so are the texts of errors that quote their input.
"""

import logging
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from enum import Enum
from pathlib import Path
from traceback import extract_tb
from typing import Final, TextIO, cast

import orjson
import structlog
from pydantic import ValidationError
from structlog.contextvars import bound_contextvars, merge_contextvars
from structlog.typing import EventDict, FilteringBoundLogger, Processor, WrappedLogger

WITHHELD: Final = "[withheld]"
LONGEST_TEXT: Final = 500

PERSONAL_KEYS: Final = frozenset(
    {
        "address", "addresses", "name", "company", "street", "postcode", "city", "region",
        "phone", "email", "recipient", "customer", "consignee", "ship_to", "ship_from",
        "label", "labels", "label_bytes", "content", "bytes", "zpl", "epl", "picture",
        "payload", "body", "raw", "order", "orders", "lines",
        "token", "api_key", "secret", "password", "authorization", "cookie",
    }
)  # fmt: skip
"""Keys that could hold an address, label bytes or a secret; compared in lower case."""


class PersonalDataInLog(Exception):
    """A line was about to carry data that logs must not hold. Raised in strict mode only."""


class WithholdPersonalData:
    """Takes values out of a line that logs must not hold; raises in strict mode (tests)."""

    def __init__(self, *, strict: bool = False) -> None:
        self._strict = strict

    def __call__(self, _logger: WrappedLogger, _method: str, event_dict: EventDict) -> EventDict:
        """Give the line back with its forbidden values replaced."""
        return {key: self._value(key, value) for key, value in event_dict.items()}

    def _value(self, key: str, value: object) -> object:
        if key.lower() in PERSONAL_KEYS:
            return self._withhold(key, "the key may hold personal data, a label or a secret")
        match value:
            case None | bool() | int() | float() | date():
                fact: object = value
            case Enum():
                fact = value.value
            case str():
                fact = value if len(value) <= LONGEST_TEXT else value[:LONGEST_TEXT] + " ..."
            case Path():
                fact = str(value)
            case Mapping():
                inside = cast(Mapping[object, object], value)
                fact = {str(k): self._value(str(k), v) for k, v in inside.items()}
            case list() | tuple() | set() | frozenset():
                fact = [self._value(key, each) for each in cast(list[object], list(value))]
            case _:
                fact = self._withhold(key, f"a {type(value).__name__} is no small fact")
        return fact

    def _withhold(self, key: str, why: str) -> str:
        if self._strict:
            raise PersonalDataInLog(f"log key {key!r}: {why}")
        return WITHHELD


def describe_error(error: BaseException) -> list[dict[str, object]]:
    """An error and its causes as type, text and places in the code, without the input it quotes.

    Each entry holds `type`, `text` and `at` (innermost five places). A validation error is told
    by field and fault, a database error by what the driver said; neither shows its values.
    """
    chain: list[dict[str, object]] = []
    seen: BaseException | None = error
    while seen is not None and len(chain) < 5:
        places = extract_tb(seen.__traceback__)[-5:]
        chain.append(
            {
                "type": type(seen).__name__,
                "text": _safe_text(seen)[:LONGEST_TEXT],
                "at": [f"{Path(p.filename).name}:{p.lineno} {p.name}" for p in places],
            }
        )
        seen = seen.__cause__ or (None if seen.__suppress_context__ else seen.__context__)
    return chain


def _safe_text(error: BaseException) -> str:
    if isinstance(error, ValidationError):
        faults = error.errors(include_input=False, include_context=False, include_url=False)
        return "; ".join(f"{'.'.join(map(str, f['loc']))}: {f['type']}" for f in faults)
    driver_said = getattr(error, "orig", None)
    if isinstance(driver_said, BaseException):
        return str(driver_said).split("\n", 1)[0]
    if isinstance(error, UnicodeError):
        return "text could not be encoded or decoded"
    return str(error).split("\n", 1)[0]


def _tell_error(_logger: WrappedLogger, _method: str, event_dict: EventDict) -> EventDict:
    given = event_dict.pop("exc_info", None)
    error = given[1] if isinstance(given, tuple) else given
    if error is True:
        error = sys.exc_info()[1]
    if isinstance(error, BaseException):
        event_dict["error"] = describe_error(error)
    return event_dict


def _to_json(_logger: WrappedLogger, _method: str, event_dict: EventDict) -> str:
    return orjson.dumps(event_dict, default=str, option=orjson.OPT_NON_STR_KEYS).decode()


def configure(
    stream: TextIO | None = None, *, level: int = logging.INFO, strict: bool = False
) -> None:
    """Send every log line of the process, foreign ones too, to `stream` (standard output).

    JSON unless the stream is a terminal. `strict` makes a line with personal data an error.
    """
    out = stream or sys.stdout
    shared: list[Processor] = [
        merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"),
        _tell_error,
        WithholdPersonalData(strict=strict),
    ]
    on_screen = out.isatty()
    last: Processor = structlog.dev.ConsoleRenderer() if on_screen else _to_json
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, last],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    _calm_talkative_libraries()


def _calm_talkative_libraries() -> None:
    # An access line quotes the query string, which may be what somebody searched for; a Modbus
    # error line quotes whole frames.
    for name, least in (
        ("uvicorn.access", logging.CRITICAL),
        ("pymodbus", logging.CRITICAL),
        ("asyncua", logging.WARNING),
        ("httpx", logging.WARNING),
        ("sqlalchemy.engine", logging.WARNING),
    ):
        logging.getLogger(name).setLevel(least)


def get_logger(name: str) -> FilteringBoundLogger:
    """A logger that carries what is bound around it."""
    return cast(FilteringBoundLogger, structlog.get_logger(name))


@contextmanager
def bound(
    *,
    order_id: str | None = None,
    parcel_id: str | None = None,
    job_id: str | None = None,
    station: str | None = None,
    event_id: str | None = None,
) -> Iterator[None]:
    """Put the ids of the work in hand on every line within, across awaits; None leaves one out."""
    given = {
        "order_id": order_id,
        "parcel_id": parcel_id,
        "job_id": job_id,
        "station": station,
        "event_id": event_id,
    }
    with bound_contextvars(**{k: v for k, v in given.items() if v is not None}):
        yield
