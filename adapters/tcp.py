"""A label printer on a raw TCP port (9100 by habit), without and with its label counter."""

from functools import partial
from typing import Self

from adapters.contract import LineSettings
from adapters.line import Connect, TcpLine
from adapters.options import Options
from adapters.printer import BytePrinter, CountedPrinter, counting, printer_deadlines
from adapters.status import QUESTIONS
from adapters.tls import wanted
from adapters.tls_line import TlsLine


class RawTcp(BytePrinter):
    """ZPL or EPL bytes to a TCP port. A closed connection proves no printing."""

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: host, port (9100), connect_s, write_s, answer_s, ask ("none"), and tls with
        ca_file, cert_file and key_file.
        """
        options = Options(settings)
        adapter = cls(
            settings.station,
            _connect(options),
            ask=options.choice("ask", ("none", *QUESTIONS), "none"),
            **printer_deadlines(options),
        )
        options.finish()
        return adapter


class CountedTcp(CountedPrinter):
    """The same to a ZPL printer that tells its label counter and is this gateway's alone."""

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: host, port, connect_s, write_s, answer_s, variable, and in seconds print_s,
        settle_s, late_s; and tls with ca_file, cert_file and key_file.
        """
        options = Options(settings)
        adapter = cls(
            settings.station,
            _connect(options),
            **counting(options),
            **printer_deadlines(options),
        )
        options.finish()
        return adapter


def _connect(options: Options) -> Connect:
    where = options.text("host"), options.port(default=9100), options.seconds("connect_s", 3.0)
    context = wanted(options)
    if context is None:
        return partial(TcpLine.connect, *where)
    return partial(TlsLine.connect, *where, context)
