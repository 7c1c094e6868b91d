"""The key that signs a site's checkpoints: where it lies, and its making at the first start."""

import os
from contextlib import suppress
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gateway.ledger.checkpoint import BadKey, new_key, private_from_pem, private_pem
from gateway.store import sqlite
from schemas.site import Site

_FOR_OTHERS = 0o077


def beside_store(site: Site, ending: str) -> Path:
    """A name beside a SQLite store; for another store, in the folder that the gateway runs in."""
    if site.store.url.startswith("sqlite"):
        return sqlite.file_of(site.store.url).with_suffix(ending)
    return Path("bagrelay").with_suffix(ending)


def key_file(site: Site) -> Path:
    """Where the site's signing key lies."""
    return site.ledger.key_file or beside_store(site, ".ledger-key.pem")


def archive_dir(site: Site) -> Path:
    """The folder of the site's archive files."""
    return site.ledger.archive_dir or beside_store(site, ".archive")


def read_key(path: Path) -> Ed25519PrivateKey:
    """Read a signing key. Raises `BadKey`, also where others than its owner may read it."""
    try:
        pem = path.read_bytes()
        mode = path.stat().st_mode
    except OSError as error:
        raise BadKey(
            f"The ledger's signing key {path} can't be read: {error.strerror}. The gateway makes"
            " it at its first start."
        ) from error
    if mode & _FOR_OTHERS:
        raise BadKey(
            f"Others than its owner may read or write {path}: anyone could sign in the site's"
            f" name. Run `chmod 600 {path}`; if strangers had access, put a new key in its place."
        )
    try:
        return private_from_pem(pem)
    except BadKey as wrong:
        raise BadKey(f"{path}: {wrong}") from wrong


def key_of(path: Path) -> Ed25519PrivateKey:
    """Read the signing key, or make one where there is none. Raises `BadKey`."""
    if not path.exists():
        with suppress(FileExistsError):
            _make(path)
    return read_key(path)


def _make(path: Path) -> None:
    """Write a new key whole or not at all; of two gateways that start at once, one's stays."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(private_pem(new_key()))
            file.flush()
            os.fsync(file.fileno())
        os.link(draft, path)
    except FileExistsError:
        raise
    except OSError as error:
        raise BadKey(
            f"The ledger's signing key {path} can't be made: {error.strerror}. Name another place"
            " by key_file in [ledger]."
        ) from error
    finally:
        with suppress(OSError):
            draft.unlink()
