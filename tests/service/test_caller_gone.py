"""A caller that hangs up amid its request is no fault of the gateway's."""

import asyncio
from pathlib import Path

import structlog
from gateway_rig import running, station, until


async def test_caller_that_hangs_up_is_told_as_such(tmp_path: Path) -> None:
    """Half a body and a reset: one quiet line, no error, and nothing was accepted."""
    async with running(tmp_path, station("s1")) as rig:
        with structlog.testing.capture_logs() as lines:
            where = rig.client.base_url
            _, writer = await asyncio.open_connection(where.host, where.port)
            writer.write(
                b"POST /v1/events HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 1000\r\n"
                b"content-type: application/cloudevents+json\r\n\r\n{"
            )
            await writer.drain()
            await asyncio.sleep(0.2)
            writer.transport.abort()

            async def told() -> bool:
                return any(line["event"] == "request.gone" for line in lines)

            await until(told, "the lost caller to be told")
        assert not [line for line in lines if line["log_level"] == "error"]
        assert [] == (await rig.client.get("/v1/orders")).json()
