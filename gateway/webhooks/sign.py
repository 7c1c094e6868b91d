"""Signatures of webhooks: HMAC-SHA256 over id, time and body. Pure.

The form is that of the open Standard Webhooks text, so that receivers find a ready check in their
language: three headers; the signed content is `id.timestamp.body`; a signature is `v1,` and base64;
several signatures, parted by spaces, while a secret is being replaced.
"""

import base64
import binascii
import hmac
from collections.abc import Sequence

SHORTEST_SECRET = 24
_PREFIX = "whsec_"


class SecretWrong(Exception):
    """What was given is no signing secret."""


def read_secrets(text: str) -> tuple[bytes, ...]:
    """Secrets parted by spaces, each base64 with or without `whsec_`. Raises `SecretWrong`."""
    keys = []
    for word in text.split():
        try:
            key = base64.b64decode(word.removeprefix(_PREFIX), validate=True)
        except binascii.Error as error:
            raise SecretWrong("a secret is base64, with whsec_ before it or without") from error
        if len(key) < SHORTEST_SECRET:
            raise SecretWrong(f"a secret has at least {SHORTEST_SECRET} bytes")
        keys.append(key)
    if not keys:
        raise SecretWrong("there is no secret")
    return tuple(keys)


def signed_headers(
    keys: Sequence[bytes], event_id: str, timestamp: int, body: bytes
) -> dict[str, str]:
    """The three headers. `timestamp` is in whole seconds since 1970, UTC."""
    signatures = (_signature(key, event_id, timestamp, body) for key in keys)
    return {
        "webhook-id": event_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(signatures),
    }


def _signature(key: bytes, event_id: str, timestamp: int, body: bytes) -> str:
    content = f"{event_id}.{timestamp}.".encode() + body
    digest = hmac.new(key, content, "sha256").digest()
    return "v1," + base64.b64encode(digest).decode()
