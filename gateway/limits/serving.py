"""What uvicorn is told for a site: where, with which limits, with which certificates."""

import ssl
from collections.abc import Mapping
from typing import Any

from gateway.access.secret_files import NoSecret, secret
from gateway.limits.listener import protocol_of
from gateway.limits.loopback import is_loopback
from schemas.access import ClientCertificates, TlsSettings
from schemas.site import Site

_CERT_REQS = {
    ClientCertificates.NONE: ssl.CERT_NONE,
    ClientCertificates.ACCEPTED: ssl.CERT_OPTIONAL,
    ClientCertificates.REQUIRED: ssl.CERT_REQUIRED,
}


class CantServe(Exception):
    """The site must not or can't be served so; the text says why and what to do."""


def serving(site: Site, host: str, port: int, environment: Mapping[str, str]) -> dict[str, Any]:
    """Keywords for `uvicorn.run` or `uvicorn.Config`. Raises `CantServe`."""
    if site.access.open_door and not is_loopback(host):
        raise CantServe(
            f"access.open_door is on, so everybody who reaches {host} could print labels. Take "
            "open_door out of the site file (or add --closed) and hand out keys with `bagrelay "
            "access key new`, or listen on 127.0.0.1."
        )
    limits = site.http.limits
    return {
        "host": host,
        "port": port,
        "http": protocol_of(limits),
        "ws": "none",
        "backlog": min(limits.connections, 2048),
        "timeout_graceful_shutdown": 10,
        "server_header": False,
        "log_config": None,
        "access_log": False,
        **(_tls(site.tls, environment) if site.tls else {}),
    }


def _tls(tls: TlsSettings, environment: Mapping[str, str]) -> dict[str, Any]:
    for file in (tls.cert_file, tls.key_file, tls.client_ca_file):
        if file is not None and not file.is_file():
            raise CantServe(f"[tls] names {file}, which is no file.")
    try:
        password = secret(tls.key_password_env, tls.key_password_file, environment)
    except NoSecret as lacking:
        raise CantServe(f"[tls] key password: {lacking}.") from None
    settings: dict[str, Any] = {
        "ssl_certfile": str(tls.cert_file),
        "ssl_keyfile": str(tls.key_file),
        "ssl_keyfile_password": password,
        "ssl_cert_reqs": _CERT_REQS[tls.client_certificates],
    }
    if tls.client_ca_file is not None:
        settings["ssl_ca_certs"] = str(tls.client_ca_file)
    return settings
