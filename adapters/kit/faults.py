"""Checks: dead, slow, mute and babbling stations; cuts before, amid and after; a cancelled send."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress

import pytest
import pytest_asyncio

from adapters.contract import LineSettings, StationAdapter
from adapters.errors import FateUnknown, NeedsPerson, NothingSent, Refused, StationFault
from adapters.kit.conformance import Conformance, Proved, eventually, tasks
from adapters.kit.proxy import Proxy
from adapters.kit.rig import Rig, RigCannot
from adapters.trial_label import graphic, order, zpl_with
from schemas.station import Receipt, ReceiptStage

_BIG = zpl_with("big", before=graphic(3_500_000))


class FaultChecks(Conformance):
    """How far it got is told truly, and nothing is sent again by the adapter."""

    async def test_station_off_nothing_was_sent(self, rig: Rig, adapter: StationAdapter) -> None:
        """Delivering to a station that is off is `NothingSent`."""
        await rig.off()
        result = await self.tried(adapter, order("off"))
        await rig.on()
        assert isinstance(result, NothingSent), result
        assert await rig.printed(0) == ()

    async def test_station_back_the_next_job_prints(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """After the station came back the adapter finds it by itself; the failed job stays out."""
        await self.delivered(adapter, order("before"))
        await rig.off()
        await self.tried(adapter, order("lost"))
        await rig.on()
        await self.delivered(adapter, order("after"))
        assert await rig.printed(2) == ("before", "after")

    async def test_station_restarted_between_jobs_the_next_job_prints(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A line that died between two jobs costs no job: at worst nothing was sent."""
        await self.delivered(adapter, order("before"))
        await rig.off()
        await rig.on()
        result = await self.tried(adapter, order("after"))
        if isinstance(result, StationFault):
            assert isinstance(result, NothingSent), result
            await self.delivered(adapter, order("after"))
        assert await rig.printed(2) == ("before", "after")

    @pytest.mark.parametrize("after_bytes", [1, 40, 90])
    async def test_line_cut_amid_a_label_the_fate_is_unknown(
        self, rig: Rig, adapter: StationAdapter, after_bytes: int
    ) -> None:
        """Bytes left and the line broke: `FateUnknown`, with a count; nothing came out."""
        rig.cut_next(after_bytes)
        result = await self.tried(adapter, order("cut"))
        assert isinstance(result, FateUnknown), result
        assert result.bytes_sent > 0
        assert await rig.printed(0) == ()

    async def test_after_a_cut_the_next_label_is_whole(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """No rest of the cut label mixes into the next one, and the cut one isn't sent again."""
        rig.cut_next(60)
        await self.tried(adapter, order("cut"))
        await self.delivered(adapter, order("whole"))
        assert await rig.printed(1) == ("whole",)

    async def test_answer_lost_after_printing_the_fate_is_unknown(
        self, rig: Rig, adapter: StationAdapter, proved: Proved
    ) -> None:
        """It printed and nobody said so: never "refused" or "nothing sent"."""
        rig.lose_next_answer()
        result = await self.tried(adapter, order("mute"))
        weak = {ReceiptStage.SENT, ReceiptStage.ACCEPTED}
        sent = isinstance(result, Receipt) and result.stage in weak
        assert sent or isinstance(result, FateUnknown), result
        assert await rig.printed(1) == ("mute",)
        if isinstance(result, Receipt):
            proved(result.stage.value)

    async def test_peer_that_never_reads_is_no_success(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A peer that accepts the line and reads nothing is found out within the deadline."""
        rig.silent()
        result = await self.tried(adapter, order("never", label=_BIG))
        rig.heal()
        assert isinstance(result, FateUnknown | NothingSent), result

    async def test_slow_peer_gets_the_whole_label(self, rig: Rig, adapter: StationAdapter) -> None:
        """Slowness alone is no fault."""
        rig.slow()
        await self.delivered(adapter, order("slow"))
        rig.heal()
        assert await rig.printed(1) == ("slow",)

    async def test_garbage_from_the_peer_is_no_success(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """Bytes that mean nothing are never read as "printed"."""
        rig.garbage_next()
        result = await self.tried(adapter, order("garbage"))
        weak = {ReceiptStage.SENT, ReceiptStage.ACCEPTED}
        sent = isinstance(result, Receipt) and result.stage in weak
        assert sent or isinstance(result, FateUnknown | NothingSent), result

    async def test_after_garbage_the_next_job_prints(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """Garbage doesn't stick to the line, nor does a true answer that comes behind it.

        A late answer that is taken for the next job's makes a refused job look printed.
        """
        rig.garbage_next()
        await self.tried(adapter, order("garbage"))
        rig.heal()
        await self.delivered(adapter, order("clean"))
        assert (await rig.printed(1))[-1] == "clean"
        try:
            rig.refuse_next()
        except RigCannot:
            return
        result = await self.tried(adapter, order("no"))
        assert isinstance(result, Refused), f"an answer of another job: {result!r}"
        assert (await rig.printed(1))[-1] == "clean"

    async def test_refused_job_is_refused_and_not_printed(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A station that says no is `Refused`."""
        rig.refuse_next()
        result = await self.tried(adapter, order("no"))
        await self.delivered(adapter, order("yes"))
        assert isinstance(result, Refused), result
        assert await rig.printed(1) == ("yes",)

    async def test_station_out_of_labels_needs_a_person(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A station that says what it lacks is sent nothing."""
        rig.needs_person()
        result = await self.tried(adapter, order("empty"))
        rig.heal()
        assert isinstance(result, NeedsPerson), result
        assert await rig.printed(0) == ()

    async def test_cancelled_amid_a_send_it_passes_and_sends_no_more(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """Cancelling stops the send: the next job comes out, the cancelled one at most once."""
        rig.silent()
        sending = asyncio.create_task(adapter.deliver(order("cancel")), name="lane")
        await asyncio.sleep(0.05)
        sending.cancel()
        with suppress(asyncio.CancelledError, StationFault):
            await sending
        rig.heal()
        await self.delivered(adapter, order("next"))
        printed = await rig.printed(1)
        assert printed[-1] == "next"
        assert printed in {("next",), ("cancel", "next")}

    async def test_cancelled_it_leaves_no_task(self, rig: Rig, adapter: StationAdapter) -> None:
        """A cancelled delivery leaves nothing running."""
        before = len(tasks())
        rig.silent()
        sending = asyncio.create_task(adapter.deliver(order("cancel")), name="lane")
        await asyncio.sleep(0.05)
        sending.cancel()
        with suppress(asyncio.CancelledError, StationFault):
            await sending
        rig.heal()
        await eventually(lambda: len(tasks()) <= before, "a cancelled delivery left a task")

    @pytest_asyncio.fixture
    async def proxy(self, rig: Rig) -> AsyncIterator[Proxy]:
        """A fault injector in front of the far end, for kinds that connect to host and port."""
        there = rig.address()
        if there is None:
            raise RigCannot("address")
        proxy = Proxy(*there)
        await proxy.start()
        try:
            yield proxy
        finally:
            await proxy.stop()

    def through(self, proxy: Proxy, rig: Rig) -> StationAdapter:
        """The adapter, connected through the injector."""
        host, port = proxy.address
        options = {**rig.options(), "host": host, "port": port}
        return self.adapter_class().from_settings(LineSettings("kit", options))

    @pytest.mark.parametrize("way", ["one byte at a time", "late"])
    async def test_network_that_dribbles_changes_nothing(
        self, rig: Rig, proxy: Proxy, way: str
    ) -> None:
        """One byte at a time, or each piece late: the label arrives, the answer is understood."""
        proxy.at_a_time = 1 if way == "one byte at a time" else 65536
        proxy.delay_s = 0.0 if way == "one byte at a time" else 0.02
        adapter = self.through(proxy, rig)
        await adapter.open()
        await self.delivered(adapter, order("dribble"))
        await adapter.close()
        assert await rig.printed(1) == ("dribble",)

    async def test_network_that_resets_amid_a_label_the_fate_is_unknown(
        self, rig: Rig, proxy: Proxy
    ) -> None:
        """A reset on the way is told as what it is, and the next job gets a new line."""
        adapter = self.through(proxy, rig)
        await adapter.open()
        await self.delivered(adapter, order("before"))
        proxy.reset_after = proxy.passed + 50
        result = await self.tried(adapter, order("reset", label=_BIG))
        assert isinstance(result, FateUnknown | NothingSent), result
        proxy.reset_after = None
        await self.delivered(adapter, order("after"))
        await adapter.close()
        assert await rig.printed(2) == ("before", "after")

    async def test_line_that_the_peer_half_closed_is_not_trusted(
        self, rig: Rig, proxy: Proxy
    ) -> None:
        """The peer closed its side between jobs: a new line is used, or nothing was sent."""
        adapter = self.through(proxy, rig)
        await adapter.open()
        await self.delivered(adapter, order("before"))
        await proxy.half_close()
        result = await self.tried(adapter, order("after"))
        if isinstance(result, StationFault):
            assert isinstance(result, NothingSent), result
            await self.delivered(adapter, order("after"))
        await adapter.close()
        assert await rig.printed(2) == ("before", "after")
