"""A change of the bag size is planned, shown and priced before anybody makes it."""

from pathlib import Path

from tests.service.gateway_rig import running, station

WIDE = [
    {
        "line_id": "1",
        "item": {"sku": "slab", "size": {"length": 240, "width": 230, "height": 30}},
    }
]


async def test_plan_names_printed_bags_waiting_orders_and_waste(tmp_path: Path) -> None:
    """Printed bags keep their size; of those that wait, who fits no longer goes to manual."""
    bench = station(
        "s1",
        verify="required",
        bags_ahead=1,
        changeover_min=4,
        loaded=[{"bag": "large", "pieces_left": 50}],
    )
    async with running(tmp_path, bench) as rig:
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
            await rig.job_in(name, "printed")
        await rig.scan("s1", "o3")
        await rig.scan("s1", "o4", lines=WIDE)
        answer = await rig.client.get("/v1/stations/s1/size-change", params={"bag": "small"})
        plan = answer.json()
        assert ["o1", "o2"] == [bag["order_id"] for bag in plan["finish_first"]]
        assert {"o3": "packed", "o4": "manual"} == {
            one["order_id"]: one["outcome"] for one in plan["orders"]
        }
        assert (1, 3, 4.0) == (plan["to_manual"], plan["waste_bags"], plan["minutes"])
        assert plan["film_difference_mm2"] < 0
        assert ["queued"] == await rig.states("o4")


async def test_unknown_bag_is_not_found(tmp_path: Path) -> None:
    """A plan for a bag that the site hasn't got would be a plan for nothing."""
    async with running(tmp_path, station("s1")) as rig:
        answer = await rig.client.get("/v1/stations/s1/size-change", params={"bag": "none"})
        assert 404 == answer.status_code


async def test_station_with_bags_ahead_takes_only_what_fits_its_web(tmp_path: Path) -> None:
    """The row already made keeps its size, so an order can't have a bag of its own."""
    loaded = [{"bag": "small", "slot": 1}, {"bag": "large", "slot": 2}]
    for ahead, expected in ((0, "queued"), (1, "manual")):
        folder = tmp_path / str(ahead)
        folder.mkdir()
        one = station("s1", verify="required", bags_ahead=ahead, loaded=loaded)
        async with running(folder, one) as rig:
            assert expected == (await rig.scan("s1", "o1", lines=WIDE))["outcome"]
