"""HTML forms without a script: a body of ``application/x-www-form-urlencoded``, and nothing else."""

from __future__ import annotations

from urllib.parse import parse_qsl

from fastapi import Request

from dashboard.problems import Refused

MAX_FIELDS = 20


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a plain HTML form. Raises :class:`Refused` for another kind of body or too many fields."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Refused(415, "The body is not a form.", [f"header: content-type: found {kind[:60]!r}"])
    body = await request.body()
    try:
        pairs = parse_qsl(
            body.decode("utf-8"), keep_blank_values=True, strict_parsing=bool(body), max_num_fields=MAX_FIELDS, errors="strict"
        )
    except ValueError as error:
        raise Refused(400, f"The form cannot be read: {error}.") from error
    return dict(pairs)


def local_path(path: str) -> str:
    """``path`` if it is one of ours, else the first page: nobody is sent elsewhere.

    >>> local_path("/alarms?x=1"), local_path("//elsewhere.example"), local_path("https://elsewhere.example")
    ('/alarms?x=1', '/', '/')
    """
    safe = path.startswith("/") and not path.startswith("//") and all(32 < ord(c) < 127 and c != "\\" for c in path)
    return path if safe else "/"
