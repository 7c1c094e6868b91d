"""A printer that counts, and labels that come out late: one more on the counter is no proof alone.

The peer is a printer on a real socket behind a queue of its own, as a print server is: it says
that it is at rest while a label is still on its way, and prints when the test says so. Its answers
have the shape of `adapters.status`.
"""

import asyncio
import re
from collections.abc import AsyncIterator

import pytest

from adapters.contract import LineSettings
from adapters.errors import FateUnknown, Misconfigured, NeedsPerson, NothingSent
from adapters.kit.conformance import eventually
from adapters.tcp import CountedTcp
from adapters.trial_label import order
from schemas.station import OptionValue, ReceiptStage

_AT_REST = (
    b"\x02030,0,0,1218,%03d,0,0,0,000,0,0,0\x03\r\n"
    b"\x02000,0,0,0,0,2,4,0,00000000,1,000\x03\r\n"
    b"\x021234,0\x03\r\n"
)
_ASKED = re.compile(rb"~HS\r\n|! U1 getvar[^\r]*\r\n|\^XZ")


class LatePrinter:
    """Takes labels into a queue that nobody sees; `let_out` prints the oldest."""

    def __init__(self) -> None:
        self.hidden = 0
        self.shown = 0
        """Labels that host status tells of."""
        self.count = 0
        self.at_once = True
        self.deaf_after_label = False
        self.resets_after_label = False
        self._server: asyncio.Server

    async def start(self) -> dict[str, OptionValue]:
        """The options of a line to it."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        host, port = self._server.sockets[0].getsockname()[:2]
        return {
            "host": host, "port": port, "answer_s": 0.3, "print_s": 0.15, "settle_s": 0.05,
        }  # fmt: skip

    async def stop(self) -> None:
        """Close it."""
        self._server.close()
        await self._server.wait_closed()

    def let_out(self) -> None:
        """The oldest label comes out."""
        assert self.hidden
        self.hidden -= 1
        self.count += 1

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        held = b""
        while data := await reader.read(4096):
            held += data
            while found := _ASKED.search(held):
                held = held[found.end() :]
                if found[0] == b"^XZ":
                    self.hidden += 1
                    if self.at_once:
                        self.let_out()
                    if self.deaf_after_label:
                        return
                    if self.resets_after_label:
                        await asyncio.sleep(0.06)  # later than a round trip
                        writer.transport.abort()
                        return
                elif found[0].startswith(b"~HS"):
                    writer.write(_AT_REST % self.shown)
                else:
                    writer.write(b'"%d"' % self.count)
        writer.close()


@pytest.fixture
async def printer() -> AsyncIterator[LatePrinter]:
    """A printer."""
    printer = LatePrinter()
    yield printer
    await printer.stop()


@pytest.fixture
async def line(printer: LatePrinter) -> AsyncIterator[CountedTcp]:
    """An open line to it."""
    adapter = CountedTcp.from_settings(LineSettings("s", await printer.start()))
    await adapter.open()
    yield adapter
    await adapter.close()


async def test_late_label_is_not_counted_as_the_next_one(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """The first comes out while the second is swallowed: nothing is claimed of the second."""
    printer.at_once = False
    assert (await line.deliver(order("late"))).stage is ReceiptStage.SENT
    second = asyncio.create_task(line.deliver(order("swallowed")), name="rig deliver")
    await eventually(lambda: printer.hidden == 2, "the second label did not arrive")
    printer.let_out()
    assert (await second).stage is ReceiptStage.SENT


async def test_both_are_out_so_the_second_is_printed(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """Labels come out in their order: when as many are out as were sent, all are."""
    printer.at_once = False
    assert (await line.deliver(order("late"))).stage is ReceiptStage.SENT
    second = asyncio.create_task(line.deliver(order("second")), name="rig deliver")
    await eventually(lambda: printer.hidden == 2, "the second label did not arrive")
    printer.let_out()
    printer.let_out()
    assert (await second).stage is ReceiptStage.PRINTED
    printer.at_once = True
    assert (await line.deliver(order("third"))).stage is ReceiptStage.PRINTED


async def test_label_that_came_out_meanwhile_leaves_no_lag(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """Late, but out before the next is sent: the next is counted as always."""
    printer.at_once = False
    assert (await line.deliver(order("late"))).stage is ReceiptStage.SENT
    printer.let_out()
    printer.at_once = True
    assert (await line.deliver(order("next"))).stage is ReceiptStage.PRINTED


async def test_count_is_no_measure_while_a_label_may_come_late(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """Dispatch keeps the count before a label to ask by it later: none beats a wrong one."""
    assert 0 == await line.labels_printed()
    printer.at_once = False
    await line.deliver(order("late"))
    with pytest.raises(NothingSent, match="may yet come out"):
        await line.labels_printed()
    printer.let_out()
    assert 1 == await line.labels_printed()


async def test_count_that_moved_since_it_was_told_sends_nothing(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """A label of an earlier process came out between the kept count and the send."""
    assert 0 == await line.labels_printed()
    printer.count += 1
    with pytest.raises(NothingSent, match="from 0 to 1"):
        await line.deliver(order("next"))
    assert (await line.deliver(order("next"))).stage is ReceiptStage.PRINTED
    assert 2 == printer.count


async def test_printer_with_labels_left_is_sent_none(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """Before the first label of a process its printer must be at rest."""
    printer.shown = 1
    with pytest.raises(NothingSent, match="1 are left"):
        await line.deliver(order("first"))
    printer.shown = 0
    assert (await line.deliver(order("first"))).stage is ReceiptStage.PRINTED


async def test_surplus_on_the_counter_is_told_once_and_nothing_is_sent(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """More came out than was sent: somebody must look; then it is counted anew."""
    assert (await line.deliver(order("first"))).stage is ReceiptStage.PRINTED
    printer.count += 1
    with pytest.raises(Misconfigured, match="counts 2, and 1 were sent"):
        await line.deliver(order("second"))
    assert 2 == printer.count
    assert (await line.deliver(order("second"))).stage is ReceiptStage.PRINTED


async def test_label_that_never_comes_is_given_up_in_time(printer: LatePrinter) -> None:
    """After `late_s` a label that was swallowed keeps no other from being told printed."""
    options = {**await printer.start(), "late_s": 0.2}
    line = CountedTcp.from_settings(LineSettings("s", options))
    await line.open()
    printer.at_once = False
    assert (await line.deliver(order("swallowed"))).stage is ReceiptStage.SENT
    printer.hidden, printer.at_once = 0, True
    await asyncio.sleep(0.3)
    assert (await line.deliver(order("next"))).stage is ReceiptStage.PRINTED
    await line.close()


async def test_reset_long_after_the_last_byte_is_unknown_not_sent(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """A printer that can be asked and is gone proves nothing of the label: it is asked again."""
    printer.resets_after_label = True
    with pytest.raises(FateUnknown):
        await line.deliver(order("reset"))
    assert 1 == await line.labels_printed()


async def test_printer_that_is_silent_since_the_label_is_not_told_as_sent(
    printer: LatePrinter, line: CountedTcp
) -> None:
    """No answer came behind the label: it may have gone with a line that died unseen."""
    printer.deaf_after_label = True
    with pytest.raises(FateUnknown, match="silent since the label"):
        await line.deliver(order("unheard"))
    printer.deaf_after_label = False
    assert 1 == await line.labels_printed()


async def test_what_stays_in_a_printer_is_shown_to_a_person_in_time(printer: LatePrinter) -> None:
    """Half a label of a sender that died never comes out by itself: nobody may wait for it."""
    options = {**await printer.start(), "late_s": 0.2}
    line = CountedTcp.from_settings(LineSettings("s", options))
    await line.open()
    printer.shown = 1
    assert (await line.state()).ready is True
    with pytest.raises(NothingSent, match="1 are left in it"):
        await line.deliver(order("first"))
    printer.count += 1  # something came out: it is not stuck, the time starts anew
    assert (await line.state()).ready is True
    await asyncio.sleep(0.3)
    told = await line.state()
    assert (told.ready, told.labels_left) == (False, 1)
    with pytest.raises(NeedsPerson, match="left in it"):
        await line.deliver(order("first"))
    printer.shown = 0
    assert (await line.state()).ready is True
    assert (await line.deliver(order("first"))).stage is ReceiptStage.PRINTED
    await line.close()
