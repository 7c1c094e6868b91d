"""What a broker connection is made with: address, user, and the files that secure it."""

import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from gateway.access.secret_files import NoSecret, secret
from schemas.queues import Queue

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where a broker is and how it knows us. Files are read anew for each connection."""

    url: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    """Who signs the broker's certificate; the machine's own authorities where left empty."""
    cert_file: Path | None = None
    key_file: Path | None = None

    @property
    def secure(self) -> bool:
        """Whether the URL asks for TLS."""
        return self.url.partition(":")[0] in ("tls", "amqps", "mqtts")

    def context(self) -> ssl.SSLContext | None:
        """What TLS is done with, none without TLS. Raises `OSError` naming the file at fault.

        The broker's name is always checked, and nothing older than TLS 1.2 spoken.
        """
        if not self.secure:
            return None
        try:
            # the site's own authority, where it has one, and then no other
            cafile = str(self.ca_file) if self.ca_file is not None else None
            context = ssl.create_default_context(cafile=cafile)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if self.cert_file is not None:
                # an encrypted key must fail, not ask at a terminal
                context.load_cert_chain(self.cert_file, self.key_file, password=lambda: "")
        except OSError as error:  # ssl.SSLError is one
            files = (self.ca_file, self.cert_file, self.key_file)
            named = ", ".join(str(file) for file in files if file is not None)
            raise OSError(f"can't use {named}: {error.strerror or error}") from error
        return context


def address_of(queue: Queue, environment: Mapping[str, str]) -> BrokerAddress:
    """The address of a queue's broker.

    Where the password can't be had there is none: the broker's refusal is told and tried again.
    """
    try:
        password = secret(queue.password_env, queue.password_file, environment)
    except NoSecret as missing:
        log.warning("queue.no_secret", queue=queue.id, text=str(missing))
        password = None
    return BrokerAddress(
        queue.url, queue.user, password, queue.ca_file, queue.cert_file, queue.key_file
    )
