"""The static files: read once, compressed once, served under a path that changes when any of them does.

The chart library's two files come out of an installed wheel; the wheel's Python code is never run.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import importlib.util
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from daemon.errors import DuctwardenError
from dashboard.problems import Refused

_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
    ".png": "image/png",
}
CHART_FILES = {"uplot.js": "uplot.iife.min.js", "uplot.css": "uplot.min.css"}
"""Name it is served by -> name in the wheel."""


@dataclass(frozen=True, slots=True)
class Asset:
    """One static file, plain and compressed."""

    media_type: str
    packed: bytes
    size: int


def chart_folder() -> Path:
    """Where the wheel that carries the chart library was installed."""
    spec = importlib.util.find_spec("youplot")
    if spec is None or not spec.submodule_search_locations:
        raise DuctwardenError("the package youplot, which carries the chart library, is not installed")
    return Path(spec.submodule_search_locations[0]) / "vendor"


def lean(suffix: str, data: bytes) -> bytes:
    r"""A style sheet or script without its indents, empty lines and lines of comment: a phone need not load them.

    >>> lean(".js", b"// says a\n  a();\n\n/** and b */\nb(); // kept\n")
    b'a();\nb(); // kept\n'
    """
    if suffix not in (".css", ".js"):
        return data
    return re.sub(rb"^\s*(?://.*|/\*(?:(?!\*/).)*\*/)?\s*\n|^[ \t]+", b"", data, flags=re.MULTILINE)


@cache
def sheet() -> tuple[str, str]:
    """The style sheet as it stands in every page, which then shows itself without waiting for another file, and the hash by
    which the browser knows that it is ours."""
    text = lean(".css", (Path(__file__).parent / "static" / "app.css").read_bytes())
    return text.decode(), "sha256-" + base64.b64encode(hashlib.sha256(text).digest()).decode()


class Assets:
    """All static files. ``base`` is the path that they are under; it holds a hash of them all."""

    def __init__(self, folder: Path | None = None) -> None:
        folder = folder or Path(__file__).parent / "static"
        files = {path.name: lean(path.suffix, path.read_bytes()) for path in sorted(folder.iterdir()) if path.suffix in _TYPES}
        vendor = chart_folder()
        files |= {name: (vendor / source).read_bytes() for name, source in CHART_FILES.items()}
        digest = hashlib.sha256()
        self.files: dict[str, Asset] = {}
        for name, data in sorted(files.items()):
            digest.update(name.encode() + b"\0" + data)
            self.files[name] = Asset(_TYPES[Path(name).suffix], gzip.compress(data, 9, mtime=0), len(data))
        self.base = f"/static/{digest.hexdigest()[:12]}"

    def url(self, name: str) -> str:
        """The path of a static file, for templates. Raises KeyError for a file that is not there."""
        if name not in self.files:
            raise KeyError(name)
        return f"{self.base}/{name}"

    def answer(self, request: Request, name: str, keep: bool = True) -> Response:
        """The file, compressed where the browser takes it, to be kept for good."""
        asset = self.files.get(name)
        if asset is None:
            raise Refused(404, f"There is no static file {name!r}.")
        lasting = "public, max-age=31536000, immutable" if keep else "no-cache"
        headers = {"cache-control": lasting, "vary": "accept-encoding"}
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
            return Response(asset.packed, media_type=asset.media_type, headers=headers)
        return Response(gzip.decompress(asset.packed), media_type=asset.media_type, headers=headers)
