"""Checks: labels arrive whole, once, in order, whatever is in them."""

import itertools
import time

import pytest

from adapters.contract import StationAdapter
from adapters.kit.conformance import Conformance, Proved, eventually, needs, proves, tasks
from adapters.kit.rig import Rig, RigCannot
from adapters.trial_label import epl_with, graphic, order, zpl_with
from schemas.order import LabelLanguage
from schemas.station import ReceiptStage


class DeliveryChecks(Conformance):
    """One job, one label."""

    async def test_one_job_is_one_label(self, rig: Rig, adapter: StationAdapter) -> None:
        """One delivery prints one label, and the receipt names its job."""
        receipt = await self.delivered(adapter, order("one"))
        assert receipt.job_id == "one"
        assert await rig.printed(1) == ("one",)

    async def test_receipt_tells_the_bytes_that_left(self, adapter: StationAdapter) -> None:
        """The count of bytes covers at least the label."""
        asked = order("bytes")
        receipt = await self.delivered(adapter, asked)
        assert receipt.bytes_sent >= len(asked.label)

    async def test_twenty_jobs_keep_their_order(self, rig: Rig, adapter: StationAdapter) -> None:
        """Labels come out in the order of the deliveries."""
        names = tuple(f"job-{n:02}" for n in range(20))
        for name in names:
            await self.delivered(adapter, order(name))
        assert names == await rig.printed(20)

    async def test_many_jobs_leave_no_tasks(self, adapter: StationAdapter) -> None:
        """Delivering doesn't pile up tasks."""
        await self.delivered(adapter, order("first"))
        before = len(tasks())
        for n in range(10):
            await self.delivered(adapter, order(f"more-{n}"))
        await eventually(lambda: len(tasks()) <= before, "deliveries piled up tasks")

    async def test_label_in_other_scripts_arrives(self, rig: Rig, adapter: StationAdapter) -> None:
        """Letters beyond ASCII and the language's own prefixes come through."""
        code = "Žluťoučký 袋 _5E^~"
        await self.delivered(adapter, order("scripts", code=code))
        assert (code,) == await rig.printed(1)

    async def test_job_id_with_odd_signs_is_kept_apart(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A job id is any 64 printable signs; it must not break paths, topics or messages."""
        for odd in ("../../up", 'a/b+c#d"e\\f', "袋" * 64, "a b", "%2e%2e", "."):
            receipt = await self.delivered(adapter, order(odd, code="odd"))
            assert receipt.job_id == odd
        assert await rig.printed(6) == ("odd",) * 6

    async def test_big_label_arrives_whole(self, rig: Rig, adapter: StationAdapter) -> None:
        """A label with half a megabyte of graphics keeps its code at the end."""
        label = zpl_with("big", before=graphic(500_000))
        await self.delivered(adapter, order("big", label=label))
        assert await rig.printed(1) == ("big",)

    async def test_every_byte_value_passes(self, rig: Rig, adapter: StationAdapter) -> None:
        """No byte is swallowed or turned on the way: flow control, line ends, zero bytes."""
        label = zpl_with("bytes", before=graphic(512))
        await self.delivered(adapter, order("bytes", label=label))
        assert await rig.printed(1) == ("bytes",)

    async def test_label_in_the_line_language_arrives(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """EPL is passed on as it is."""
        label = epl_with('say "hi"')
        await self.delivered(adapter, order("epl", label=label, language=LabelLanguage.EPL))
        assert await rig.printed(1) == ('say "hi"',)

    async def test_clock_that_jumps_changes_nothing(
        self, rig: Rig, adapter: StationAdapter, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Deadlines don't stand on the wall clock: it may jump by a day amid a delivery."""
        jumps = itertools.cycle([1_800_000_000.0, 1_800_086_400.0, 1_799_913_600.0])
        monkeypatch.setattr(time, "time", lambda: next(jumps))
        await self.delivered(adapter, order("jump"))
        assert await rig.printed(1) == ("jump",)

    @needs("drops_repeats")
    @proves("drops_repeats")
    async def test_same_job_again_prints_no_second_label(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A kind that claims to drop repeats drops them, and says so."""
        await self.delivered(adapter, order("twice"))
        again = await self.delivered(adapter, order("twice"))
        await self.delivered(adapter, order("after"))
        assert again.repeated is True
        assert await rig.printed(2) == ("twice", "after")

    @needs("drops_repeats")
    async def test_same_job_on_a_new_line_prints_no_second_label(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """The memory for repeats outlives the line."""
        await self.delivered(adapter, order("twice"))
        await adapter.close()
        await adapter.open()
        again = await self.delivered(adapter, order("twice"))
        await self.delivered(adapter, order("after"))
        assert again.repeated is True
        assert await rig.printed(2) == ("twice", "after")

    async def test_printed_is_said_only_of_what_was_printed(
        self, rig: Rig, adapter: StationAdapter, proved: Proved
    ) -> None:
        """When a receipt says printed, the label is there; when it says sealed, the bag is too."""
        receipt = await self.delivered(adapter, order("there"))
        said_out = receipt.stage in {ReceiptStage.PRINTED, ReceiptStage.SEALED}
        assert await rig.printed(0 if said_out else 1) == ("there",)
        if receipt.stage is ReceiptStage.SEALED:
            try:
                bags = rig.made()
            except RigCannot:
                return
            assert len(bags) == 1, "no bag was made"
        proved(receipt.stage.value)

    @needs("makes_bags")
    @proves("makes_bags")
    async def test_size_of_the_bag_is_that_of_the_order(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A station that makes bags makes each as wide and as long as its own order says."""
        sizes = ((210.0, 310.5), (180.5, 240.0))
        for n, (width_mm, length_mm) in enumerate(sizes):
            await self.delivered(
                adapter, order(f"size-{n}", width_mm=width_mm, length_mm=length_mm)
            )
        await rig.printed(len(sizes))
        assert [pytest.approx(size, abs=0.051) for size in sizes] == list(rig.made())
