"""Checkpoints: the ledger's state at a size, signed with Ed25519 (RFC 8032).

Bytes in, bytes out; where keys and checkpoints are kept is the caller's business.
"""

from base64 import b64decode, b64encode
from datetime import datetime

import orjson
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import ValidationError

from gateway.ledger.canonical import canonical
from schemas.ledger import Checkpoint

_PURPOSE = b"bagrelay checkpoint v1\n"


class BadKey(ValueError):
    """Bytes that hold no Ed25519 key, or one that a wrong password was given for."""


class BadCheckpoint(ValueError):
    """A text that is not a checkpoint."""


def new_key() -> Ed25519PrivateKey:
    """Make a signing key from the operating system's randomness."""
    return Ed25519PrivateKey.generate()


def private_pem(key: Ed25519PrivateKey, password: bytes | None = None) -> bytes:
    """Return the key as PKCS #8 PEM, encrypted where a password is given."""
    encryption: serialization.KeySerializationEncryption = (
        serialization.BestAvailableEncryption(password)
        if password
        else serialization.NoEncryption()
    )
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, encryption
    )


def private_from_pem(pem: bytes, password: bytes | None = None) -> Ed25519PrivateKey:
    """Read a signing key. Raises `BadKey`."""
    try:
        key = serialization.load_pem_private_key(pem, password)
    except (ValueError, TypeError) as error:
        raise BadKey(f"The signing key cannot be read: {error}.") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise BadKey("The signing key is not an Ed25519 key.")
    return key


def public_pem(key: Ed25519PublicKey) -> bytes:
    """Return the public key as PEM, to hand to whoever checks."""
    return key.public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )


def public_from_pem(pem: bytes) -> Ed25519PublicKey:
    """Read a public key. Raises `BadKey`."""
    try:
        key = serialization.load_pem_public_key(pem)
    except (ValueError, TypeError) as error:
        raise BadKey(f"The public key cannot be read: {error}.") from error
    if not isinstance(key, Ed25519PublicKey):
        raise BadKey("The public key is not an Ed25519 key.")
    return key


def public_text(key: Ed25519PublicKey) -> str:
    """Return the public key as it stands in a checkpoint: base64 of its 32 bytes."""
    return b64encode(key.public_bytes_raw()).decode()


def sign(
    *,
    size: int,
    root: str,
    last_hash: str,
    time: datetime,
    origin: str,
    private_key: Ed25519PrivateKey,
) -> Checkpoint:
    """Sign the ledger's state: its size, Merkle root and last entry's hash (both hex), and when."""
    unsigned = Checkpoint(
        origin=origin,
        size=size,
        root=root,
        last_hash=last_hash,
        time=time,
        public_key=public_text(private_key.public_key()),
        signature="",
    )
    signature = b64encode(private_key.sign(_signed_bytes(unsigned))).decode()
    return unsigned.model_copy(update={"signature": signature})


def verify_checkpoint(checkpoint: Checkpoint, public_key: Ed25519PublicKey | None = None) -> bool:
    """Say whether the signature is right.

    With `public_key`, it must be that key's. Without, the checkpoint is only proved to be signed
    by the key that it names itself: whoever reads it has to know that key from elsewhere.
    """
    try:
        named = Ed25519PublicKey.from_public_bytes(b64decode(checkpoint.public_key, validate=True))
        signature = b64decode(checkpoint.signature, validate=True)
    except ValueError:
        return False
    if public_key is not None and public_text(public_key) != checkpoint.public_key:
        return False
    try:
        named.verify(signature, _signed_bytes(checkpoint))
    except InvalidSignature:
        return False
    return True


def to_text(checkpoint: Checkpoint) -> str:
    """Return the checkpoint as the text that is copied to a witness: one JSON member a line."""
    return orjson.dumps(
        checkpoint.model_dump(mode="json"), option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE
    ).decode()


def from_text(text: str | bytes) -> Checkpoint:
    """Read a checkpoint's text. Raises `BadCheckpoint`; the signature is not looked at."""
    try:
        return Checkpoint.model_validate_json(text)
    except ValidationError as error:
        raise BadCheckpoint(
            f"This is no checkpoint: {error.error_count()} members are missing or wrong,"
            f" first {error.errors()[0]['loc']}."
        ) from error


def _signed_bytes(checkpoint: Checkpoint) -> bytes:
    return _PURPOSE + canonical(checkpoint.model_dump(mode="json", exclude={"signature"}))
