"""Commands whose help and whose refusals name no type of the program: a number is a number, a file a file."""

from __future__ import annotations

import re
from typing import Any

import typer
from typer.core import TyperCommand

_KINDS = {"str": "text", "list[str]": "text", "int": "number", "float": "number", "dir": "folder", "directory": "folder"}
_REFUSALS = (
    (r"Input should be a valid integer\b.*", "a whole number is needed"),
    (r"Input should be a valid number\b.*", "a number is needed"),
    (r"Input should be less than or equal to (\S+)", r"the most that is allowed is \1"),
    (r"Input should be greater than or equal to (\S+)", r"the least that is allowed is \1"),
)


def plain_kind(words: str | None) -> str | None:
    """What stands beside an option's name: ``<int range>`` becomes ``<number>``, a switch takes nothing.

    >>> plain_kind("<str,str>..."), plain_kind("<float range>"), plain_kind("<bool>"), plain_kind("NUMBER")
    ('<text,text>...', '<number>', None, 'NUMBER')
    """
    if words is None or words == "<bool>":
        return None

    def said(found: re.Match[str]) -> str:
        return "<" + ",".join(_KINDS.get(kind, kind) for kind in found[1].removesuffix(" range").split(",")) + ">"

    return re.sub(r"<([a-z\[\], ]+)>", said, words, count=1)


def plain_refusal(words: str) -> str:
    """The sentence for a value that cannot be taken.

    >>> plain_refusal("Input should be less than or equal to 65535")
    'the most that is allowed is 65535'
    """
    for pattern, instead in _REFUSALS:
        words = re.sub(pattern, instead, words)
    return words


class _PlainKind:
    def __init__(self, kind: Any) -> None:
        self._kind = kind

    def __call__(self, *args: Any, **kwargs: Any) -> str | None:
        return plain_kind(self._kind(*args, **kwargs))


class PlainCommand(TyperCommand):
    """A command in plain words."""

    def get_params(self, ctx: Any) -> Any:
        """All parameters, that of the help among them."""
        params = super().get_params(ctx)
        for param in params:
            kind = getattr(param, "display_type_rich", None)
            if kind is not None and not isinstance(kind, _PlainKind):
                setattr(param, "display_type_rich", _PlainKind(kind))  # noqa: B010  a method of one instance
        return params

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """As ever, with plain words for what is refused."""
        try:
            return super().parse_args(ctx, args)
        except typer.BadParameter as error:
            error.message = plain_refusal(error.message)
            raise
