"""Checks: the declaration, building, opening, closing, and leaving nothing behind."""

import asyncio
from dataclasses import fields

import pytest

from adapters import registry
from adapters.contract import LineSettings
from adapters.errors import Misconfigured, NothingSent
from adapters.kit.conformance import Conformance, eventually, tasks
from adapters.kit.rig import Rig
from adapters.trial_label import order


class LifecycleChecks(Conformance):
    """An adapter is built without effect, opened, closed and opened again."""

    async def test_declaration_claims_and_methods_agree(self) -> None:
        """What is claimed has its method, and what has a method is claimed."""
        name = self.kind if isinstance(self.kind, str) else self.kind.__name__
        assert registry.checked(name, self.adapter_class()) is self.adapter_class()

    async def test_declaration_claims_a_stage_and_deadlines(self) -> None:
        """Every kind knows at least one stage and answers within a stated time."""
        assert self.claims.knows
        assert 0 < self.claims.deliver_within_s <= 120
        assert 0 < self.claims.state_within_s <= 60

    async def test_line_claims_no_more_than_its_kind(self, rig: Rig) -> None:
        """Options may take from what the kind can do, and never add to it."""
        line, kind = rig.build(self.kind, "kit").claims, self.claims
        assert line.knows <= kind.knows
        assert line.reports <= kind.reports
        assert line.deliver_within_s <= kind.deliver_within_s
        assert line.state_within_s <= kind.state_within_s
        flags = [one.name for one in fields(kind) if isinstance(getattr(kind, one.name), bool)]
        assert [name for name in flags if getattr(line, name) and not getattr(kind, name)] == []

    async def test_unknown_option_is_refused_by_name(self, rig: Rig) -> None:
        """A misspelt option must not fall back to a default in silence."""
        options = {**rig.options(), "no_such_option": 1}
        with pytest.raises(Misconfigured, match="no_such_option"):
            self.adapter_class().from_settings(LineSettings("kit", options))

    async def test_option_of_a_wrong_sort_is_refused_by_name(self, rig: Rig) -> None:
        """Each simple option that is given a list instead is refused, and named."""
        for name, value in rig.options().items():
            if isinstance(value, list | dict):
                continue
            with pytest.raises(Misconfigured, match=name):
                self.adapter_class().from_settings(
                    LineSettings("kit", {**rig.options(), name: ["wrong"]})
                )

    async def test_built_only_it_touches_nothing(self, rig: Rig) -> None:
        """Building opens no line and starts no task."""
        before = tasks()
        rig.build(self.kind, "kit")
        assert tasks() <= before
        assert rig.lines() == 0

    async def test_closed_without_opening_it_does_nothing(self, rig: Rig) -> None:
        """Closing twice, and closing what was never open, is allowed."""
        adapter = rig.build(self.kind, "kit")
        await self.in_time(adapter.close())
        await self.in_time(adapter.close())

    async def test_opened_twice_it_has_one_line(self, rig: Rig) -> None:
        """The second `open` does nothing."""
        adapter = rig.build(self.kind, "kit")
        await self.in_time(adapter.open())
        await eventually(lambda: rig.lines() > 0, "the far end saw no line")
        before = rig.lines()
        await self.in_time(adapter.open())
        assert before == rig.lines()
        await adapter.close()

    async def test_opened_by_two_tasks_at_once_it_has_one_line(self, rig: Rig) -> None:
        """The lane and the listener may both open it; no line is lost on the way."""
        one = rig.build(self.kind, "kit")
        await one.open()
        await eventually(lambda: rig.lines() > 0, "the far end saw no line")
        usual = rig.lines()
        await one.close()
        await eventually(lambda: rig.lines() == 0, "a closed adapter left its line open")
        both = rig.build(self.kind, "kit")
        await asyncio.gather(both.open(), both.open())
        await eventually(lambda: rig.lines() >= usual, "the far end saw no line")
        assert usual == rig.lines()
        await both.close()

    async def test_closed_it_leaves_no_line(self, rig: Rig) -> None:
        """After closing, the far end sees every line end."""
        adapter = rig.build(self.kind, "kit")
        await adapter.open()
        await self.delivered(adapter, order("leaves-1"))
        await self.in_time(adapter.close())
        await eventually(lambda: rig.lines() == 0, "a closed adapter left its line open")

    async def test_closed_and_opened_again_it_delivers(self, rig: Rig) -> None:
        """A closed adapter can be used again."""
        adapter = rig.build(self.kind, "kit")
        for turn in ("first", "second"):
            await adapter.open()
            await self.delivered(adapter, order(f"again-{turn}"))
            await adapter.close()
        assert await rig.printed(2) == ("again-first", "again-second")

    async def test_opened_while_the_station_is_off_nothing_is_sent(self, rig: Rig) -> None:
        """A station that can't be reached is `NothingSent`, within the deadline."""
        await rig.off()
        adapter = rig.build(self.kind, "kit")
        with pytest.raises(NothingSent):
            await self.in_time(adapter.open())
        await adapter.close()

    async def test_closed_while_listened_to_the_reports_end(self, rig: Rig) -> None:
        """`signals` ends when the adapter is closed, and ends without an error."""
        adapter = rig.build(self.kind, "kit")
        await adapter.open()

        async def listen() -> str:
            async for _ in adapter.signals():
                pass
            return "ended"

        listening = asyncio.create_task(listen(), name="rig listener")
        await asyncio.sleep(0)
        await adapter.close()
        assert await self.in_time(asyncio.wait_for(listening, 5)) == "ended"
