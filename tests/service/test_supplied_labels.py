"""Labels that the WMS supplies: passed on byte for byte, or refused with the reason."""

import asyncio
import base64
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from tests.service.gateway_rig import Rig, running, station


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    """One station whose bags are verified by scan."""
    async with running(tmp_path, station("s1", verify="required")) as running_rig:
        yield running_rig


def _zpl(code: str, more: str = "") -> bytes:
    return (
        f"^XA^PW812^LL1218{more}^FO60,80^A0N,60,60^FDPARCEL^FS"
        f"^FO60,400^BY3^BCN,240,Y,N,N,N^FD{code}^FS^PQ1^XZ"
    ).encode()


def _supplied(content: bytes, **more: object) -> dict[str, Any]:
    return {
        "language": "zpl",
        "content": base64.b64encode(content).decode(),
        "dots_per_mm": 8.0,
        **more,
    }


async def test_supplied_label_reaches_the_station_byte_for_byte(rig: Rig) -> None:
    """Nothing is stripped, reordered or added; the code to scan is read from the label itself."""
    content = _zpl("EX12345XX")
    await rig.scan("s1", "o1", labels=[_supplied(content)])
    job = await rig.job_in("o1", "printed")
    kept = (await rig.client.get(f"/v1/jobs/{job['job_id']}/label")).json()
    assert content == base64.b64decode(kept["content_base64"])
    assert ["EX12345XX"] == job["expected_scans"]
    assert (("EX12345XX",),) == rig.stations["s1"].printed_codes
    assert "match" == (await rig.verify("s1", "EX12345XX"))["verdict"]


@pytest.mark.parametrize(
    ("label", "why"),
    [
        (_supplied(_zpl("EX1", "~JR")), "~JR"),
        (_supplied(_zpl("EX1", "^JUS")), "^JU"),
        (_supplied(_zpl("EX1") + _zpl("EX2")), "label"),
        (_supplied(_zpl("EX1").replace(b"^PQ1", b"^PQ3")), "3"),
        (_supplied(b"^XA^FO10,10^A0N,30,30^FDno code^FS^XZ"), "code"),
        ({**_supplied(b'N\nA10,10,0,1,1,1,N,"x"\nP1\n'), "language": "epl"}, "epl"),
    ],
)
async def test_label_that_would_do_harm_goes_to_manual_packing(
    rig: Rig, label: dict[str, Any], why: str
) -> None:
    """A reset, a saved setting, two labels, three copies, no code, another language: refused."""
    answer = await rig.scan("s1", "o1", labels=[label])
    assert "manual" == answer["outcome"]
    assert why.lower() in answer["text"].lower()
    assert 0 == rig.stations["s1"].printed_count


async def test_code_of_another_open_order_is_refused_even_at_the_same_moment(rig: Rig) -> None:
    """Two open bags with one code could not be told apart by any scan."""
    label = _supplied(_zpl("EX777XX"))
    answers = await asyncio.gather(*(rig.scan("s1", name, labels=[label]) for name in ("o1", "o2")))
    outcomes = sorted(answer["outcome"] for answer in answers)
    assert ["manual", "queued"] == outcomes
    refused = next(answer for answer in answers if answer["outcome"] == "manual")
    assert "EX777XX" in refused["text"]


async def test_too_few_labels_for_the_parcels_is_manual(rig: Rig) -> None:
    """An order that makes two parcels and brings one label is never half labelled."""
    lines = [
        {
            "line_id": "1",
            "quantity": 2,
            "item": {"sku": "slab", "size": {"length": 240, "width": 170, "height": 45}},
        }
    ]
    labels = [_supplied(_zpl("EX1XX"))]
    answer = await rig.scan("s1", "o1", labels=labels, lines=lines)
    assert "manual" == answer["outcome"]
    assert "labels" in answer["text"]
