"""TLS of a line in the site file: whom we trust, and our own certificate where the far end asks."""

import ssl

from adapters.options import Options


def trust(options: Options) -> ssl.SSLContext:
    """From the options ca_file, cert_file and key_file; the system's authorities without a ca_file.

    The far end's certificate must be for the host that the site file names. A key that is locked
    with a password is refused: keep the file from others instead.
    """
    ca_file = options.text("ca_file", "")
    cert_file, key_file = options.text("cert_file", ""), options.text("key_file", "")
    try:
        context = ssl.create_default_context(cafile=ca_file or None)
    except (OSError, ssl.SSLError) as unreadable:
        raise options.wrong("ca_file", f"can't read {ca_file}: {unreadable}") from unreadable
    if bool(cert_file) != bool(key_file):
        raise options.wrong("cert_file" if cert_file else "key_file", "needs the other one too")
    if cert_file:
        try:
            context.load_cert_chain(cert_file, key_file, password="")
        except (OSError, ssl.SSLError) as unreadable:
            raise options.wrong("cert_file", f"can't take {cert_file} with {key_file}") from (
                unreadable
            )
    return context


def wanted(options: Options) -> ssl.SSLContext | None:
    """The same where the option `tls` is true; nothing where the line is a plain one."""
    return trust(options) if options.yes("tls") else None
