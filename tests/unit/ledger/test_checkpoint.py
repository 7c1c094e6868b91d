"""Checkpoints: what is signed holds, what is altered does not."""

from datetime import UTC, datetime, timedelta

import pytest
from chains import KEY, chain, checkpoint_of
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gateway.ledger.checkpoint import (
    BadCheckpoint,
    BadKey,
    from_text,
    new_key,
    private_from_pem,
    private_pem,
    public_from_pem,
    public_pem,
    public_text,
    to_text,
    verify_checkpoint,
)

SIGNED = checkpoint_of(chain(3))

# RFC 8032 section 7.1, test 1 (from memory): secret key, public key, signature of nothing.
RFC8032_SECRET = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
RFC8032_PUBLIC = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"


def test_own_checkpoint_verifies() -> None:
    """What was signed with a key verifies, by itself and under that key."""
    assert verify_checkpoint(SIGNED)
    assert verify_checkpoint(SIGNED, KEY.public_key())


def test_checkpoint_of_another_key_fails_under_the_known_key() -> None:
    """A forger's own key makes a valid signature, but not the site's."""
    forged = checkpoint_of(chain(3), key=new_key())
    assert verify_checkpoint(forged)
    assert not verify_checkpoint(forged, KEY.public_key())


@pytest.mark.parametrize(
    "update",
    [
        {"size": 4},
        {"root": "ab" * 32},
        {"last_hash": "ab" * 32},
        {"time": datetime(2026, 11, 25, 9, 0, tzinfo=UTC) + timedelta(microseconds=1)},
        {"origin": "another room"},
        {"public_key": public_text(Ed25519PrivateKey.generate().public_key())},
        {"public_key": "not base64!"},
        {"public_key": "AAAA"},
        {"signature": "AAAA"},
        {"signature": "not base64!"},
        {"signature": ""},
    ],
)
def test_any_altered_member_breaks_the_signature(update: dict[str, object]) -> None:
    """Every member of a checkpoint is signed."""
    assert not verify_checkpoint(SIGNED.model_copy(update=update))


def test_text_form_reads_back_to_the_same() -> None:
    """A witness copy loses nothing and holds one member a line."""
    text = to_text(SIGNED)
    assert SIGNED == from_text(text)
    assert verify_checkpoint(from_text(text.encode()))
    assert 9 == len(text.splitlines())


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"size": 3}', "\x00"])
def test_text_that_is_no_checkpoint_is_refused(text: str) -> None:
    """Junk is refused with what is wrong."""
    with pytest.raises(BadCheckpoint, match="no checkpoint"):
        from_text(text)


def test_keys_survive_their_pem() -> None:
    """A key written and read again signs and verifies as before, with and without a password."""
    key = new_key()
    for password in (None, b"correct horse"):
        back = private_from_pem(private_pem(key, password), password)
        assert key.private_bytes_raw() == back.private_bytes_raw()
    assert key.public_key() == public_from_pem(public_pem(key.public_key()))


def test_key_of_the_standard_has_its_public_half() -> None:
    """The curve is that of RFC 8032 section 7.1, test 1."""
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC8032_SECRET))
    assert RFC8032_PUBLIC == key.public_key().public_bytes_raw().hex()


def test_unfit_keys_are_refused() -> None:
    """No key, a wrong password, a missing password and a key of another kind each say so."""
    locked = private_pem(new_key(), b"right")
    other = generate_private_key(SECP256R1())
    other_pem = other.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    other_public = other.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    for pem, password in ((b"", None), (locked, b"wrong"), (locked, None), (other_pem, None)):
        with pytest.raises(BadKey):
            private_from_pem(pem, password)
    for pem in (b"", other_public):
        with pytest.raises(BadKey):
            public_from_pem(pem)
