"""A station that serves HTTP, on h11 and bare sockets so that it can also misbehave."""

import asyncio
import json
import tempfile
from collections.abc import AsyncIterator, Mapping
from contextlib import suppress
from pathlib import Path
from urllib.parse import unquote

import h11

from adapters.callbacks import sign
from adapters.contract import StationAdapter
from adapters.http_station import HttpStation
from adapters.line import Line, LineLost
from adapters.simulator.cycle import Bag
from adapters.simulator.faces import label_in, size_in
from adapters.simulator.faults import FaultKind
from adapters.simulator.serve import SimulatedStation
from schemas.station import Fate, OptionValue, Signal
from tests.rigs.simulated import SimulatedRig

SECRET = "a secret of the rig"


class _HttpFace:
    """One connection: requests in, the simulated machine behind."""

    def __init__(self, station: SimulatedStation, line: Line) -> None:
        self._station, self._line = station, line
        self._http = h11.Connection(h11.SERVER)

    async def serve(self) -> None:
        with suppress(LineLost, h11.RemoteProtocolError):
            request, body = await self._request()
            await self._answer(request.method.decode(), request.target.decode(), body)
        await self._line.close()

    async def _request(self) -> tuple[h11.Request, bytes]:
        request, body, seen = None, b"", 0
        while True:
            event = self._http.next_event()
            if event is h11.NEED_DATA:
                await self._station.reading()
                data = await self._line.read(self._station.bite(16), None)
                await self._station.reading()
                await self._station.pace()
                self._http.receive_data(data)
                seen += len(data)
                if (
                    self._station.script.coming(FaultKind.CUT)
                    and seen > self._station.script.cut_at
                ):
                    self._station.script.befalls()
                    raise LineLost("cut by the script")
            elif isinstance(event, h11.Request):
                request = event
            elif isinstance(event, h11.Data):
                body += bytes(event.data)
            elif isinstance(event, h11.EndOfMessage) and request is not None:
                return request, body
            else:
                raise LineLost("no request")

    async def _answer(self, method: str, path: str, body: bytes) -> None:
        station = self._station
        match method, path.split("/")[1:]:
            case "POST", ["jobs"]:
                await self._job(json.loads(body))
            case "GET", ["jobs", job]:
                await self._say(200, {"fate": station.fate(unquote(job)).value})
            case "GET", ["state"]:
                await self._say(200, station.condition().model_dump(mode="json"))
            case "GET", ["count"]:
                await self._say(200, {"count": station.printed_count})
            case "POST", ["hold"]:
                station.hold(json.loads(body)["reason"])
                await self._say(200, {})
            case "POST", ["release"]:
                station.release()
                await self._say(200, {})
            case "POST", ["pass-by"]:
                station.passed.append(json.loads(body)["code"])
                await self._say(200, {})
            case _:
                await self._say(404, {"title": "no such page"})

    async def _job(self, job: dict[str, object]) -> None:
        station, job_id = self._station, str(job["job_id"])
        fault, label = station.script.befalls(), label_in(job)
        if station.fate(job_id) is Fate.PRINTED:
            await self._say(200, {"stage": "printed", "repeated": True})
        elif station.fate(job_id) is Fate.WAITING:
            await self._say(409, {"title": "the same job is under way"})
        elif fault is FaultKind.REFUSE or label is None:
            await self._say(422, {"title": "told to refuse"})
        elif station.shown_faults:
            await self._say(503, {"needs_person": True, "title": "paper out"})
        elif fault is FaultKind.GARBAGE:
            await self._line.write(b"\x00\x01 what? \r\n\r\n", 1.0)
        else:
            done: asyncio.Future[Bag] = asyncio.get_running_loop().create_future()
            station.queue_label(label, job_id, done.set_result, 1, size_in(job))
            bag = await done
            if fault is FaultKind.LOSES_LINE:
                raise LineLost("cut by the script")
            await self._say(200, {"stage": "printed", "device_job": str(bag.number)})

    async def _say(self, status: int, what: dict[str, object]) -> None:
        body = json.dumps(what).encode()
        head = h11.Response(
            status_code=status,
            headers=[("Content-Length", str(len(body))), ("Content-Type", "application/json")],
        )
        parts = (head, h11.Data(data=body), h11.EndOfMessage())
        data = b"".join(self._http.send(part) or b"" for part in parts)
        await self._line.write(data, 5.0)


class _HttpRoom(SimulatedStation):
    """A simulated station whose first face is HTTP."""

    async def serve_station(self, line: Line) -> None:
        await self._serve(line, _HttpFace(self, line).serve())


class HttpRig(SimulatedRig):
    """Jobs over HTTP; reports come signed."""

    def __init__(self) -> None:
        super().__init__()
        self.station = _HttpRoom()
        self._folder = tempfile.TemporaryDirectory()
        self._secret_file = Path(self._folder.name) / "secret"
        self._secret_file.write_text(SECRET)
        self._name = ""
        self._posted: list[tuple[str, bytes]] = []
        self._number = 0

    async def stop(self) -> None:
        await super().stop()
        self._folder.cleanup()

    def address(self) -> None:
        """The options hold a URL."""

    def options(self) -> Mapping[str, OptionValue]:
        """Its address and short deadlines."""
        host, port = self.station.station_address
        return {
            "url": f"http://{host}:{port}",
            "connect_s": 0.5,
            "answer_s": 1.0,
            "state_s": 1.0,
            "secret_file": str(self._secret_file),
        }

    def build(self, kind: str | type[StationAdapter], station: str) -> StationAdapter:
        """Keeps its name, which the signature of a report covers."""
        self._name = station
        return super().build(kind, station)

    def report(self, signal: Signal) -> None:
        """Signed, as the gateway's web server would get it."""
        self._number += 1
        body = signal.model_copy(update={"number": self._number}).model_dump_json().encode()
        self._posted.append((sign(SECRET.encode(), self._name, body), body))

    async def heard(self, adapter: StationAdapter) -> AsyncIterator[Signal]:
        """What was posted, read by the adapter."""
        assert isinstance(adapter, HttpStation)
        while self._posted:
            yield adapter.read_report(*self._posted.pop(0))
