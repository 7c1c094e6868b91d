"""Style, script and pictures of the pages: read once, packed once, named by their digest."""

import gzip
import mimetypes
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from fastapi import APIRouter, Request, Response

from gateway.errors import NotFound

FOLDER = Path(__file__).parent / "static"
_SERVED = (".css", ".js", ".svg")


@dataclass(frozen=True, slots=True)
class _Asset:
    content: bytes
    packed: bytes
    media_type: str
    digest: str


def _read(path: Path) -> _Asset:
    content = path.read_bytes()
    media_type = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    return _Asset(
        content, gzip.compress(content, mtime=0), media_type, sha256(content).hexdigest()[:12]
    )


class Assets:
    """The files under `static`, kept in memory."""

    def __init__(self, folder: Path = FOLDER) -> None:
        self._files = {
            path.relative_to(folder).as_posix(): _read(path)
            for path in sorted(folder.rglob("*"))
            if path.suffix in _SERVED
        }

    def url(self, name: str) -> str:
        """Where a file is served; the address changes with its content, so it may be kept."""
        return f"/static/{name}?v={self._files[name].digest}"

    def routes(self) -> APIRouter:
        """The route of the files."""
        router = APIRouter(include_in_schema=False)

        @router.get("/static/{name:path}")
        async def static(name: str, request: Request) -> Response:
            asset = self._files.get(name)
            if asset is None:
                raise NotFound(f"There is no file {name!r}.")
            packed = "gzip" in request.headers.get("accept-encoding", "")
            headers = {
                "Cache-Control": "public, max-age=31536000, immutable",
                "Vary": "Accept-Encoding",
                "X-Content-Type-Options": "nosniff",
            }
            if packed:
                headers["Content-Encoding"] = "gzip"
            return Response(
                asset.packed if packed else asset.content,
                media_type=asset.media_type,
                headers=headers,
            )

        return router
