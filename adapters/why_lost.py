"""Why a line was lost, in words for the people in the room.

Libraries wrap the system's error, often more than once, and print the name of a class, a tuple or
nothing. Below them there mostly is one number that says what happened.
"""

import errno
import os
import socket
import ssl
from collections.abc import Iterator

_WORDS = {
    errno.ECONNREFUSED: "connection refused",
    errno.ECONNRESET: "the far end reset the connection",
    errno.ECONNABORTED: "the connection was broken off",
    errno.EPIPE: "the far end hung up",
    errno.ETIMEDOUT: "no answer",
    errno.EHOSTUNREACH: "no way to that address",
    errno.ENETUNREACH: "no way to that network",
    errno.ENOENT: "it is not there",
    errno.EACCES: "the gateway has no right to it",
    errno.EBUSY: "something else uses it",
}


def why_lost(fault: BaseException) -> str:
    """What happened, without a full stop: from the outermost error that says it.

    A library may raise it again as an error of its own with the same number: then the one below,
    which knows whose number that is.
    """
    words, number = "", None
    for one in _within(fault):
        found, its = _of_system(one), getattr(one, "errno", None)
        if found and (not words or its == number):
            words, number = found, its
    return words or str(fault).strip().rstrip(".") or "the line was lost"


def _of_system(fault: BaseException) -> str:
    match fault:
        case BlockingIOError() | InterruptedError() | ssl.SSLWantReadError():
            return ""  # somebody waited then, which is no reason
        case ssl.SSLCertVerificationError():
            return f"its certificate is not trusted: {fault.verify_message}"
        case ssl.SSLError():
            reason = (getattr(fault, "reason", None) or "").replace("_", " ").lower()
            return f"TLS failed: {reason}" if reason else "TLS failed"
        case OSError(errno=socket.EAI_AGAIN):
            return "its name can't be looked up now"
        case socket.gaierror() | OSError(errno=socket.EAI_NONAME):
            return "nobody knows that name"
        case OSError(errno=int(number)):
            return _WORDS.get(number) or os.strerror(number).lower()
        case TimeoutError():
            return "no answer in time"
        case _:
            return ""


def _within(fault: BaseException | None) -> Iterator[BaseException]:
    """The error and those that it came from, outermost first; of several at once the first."""
    while fault is not None:
        yield fault
        if isinstance(fault, BaseExceptionGroup):
            fault = fault.exceptions[0]
        else:
            fault = fault.__cause__ or fault.__context__
