"""Secrets in the text of a configuration: named when it is checked, and left out wherever the text is kept."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from daemon.config.model import ShopFile

LEFT_OUT = "left out"
_USER = re.compile(r"(://)[^\s/\"'@]+@")
_OUTLET = re.compile(r"^\s*\[\[\s*outlet\s*\]\].*?(?=^\s*\[|\Z)", re.MULTILINE | re.DOTALL)
_QUOTED = re.compile(r"(\"\"\"|'''|\"|')(?:\\.|(?!\1).)*\1", re.DOTALL)
_ADDRESS = re.compile(r"^(\s*#?\s*urls?\s*=)(.*?)(?=^\s*#?\s*[A-Za-z_]+\s*=|\Z)", re.MULTILINE | re.DOTALL)


def inline_secrets(file: ShopFile) -> Iterator[str]:
    """What a check says of addresses that hold a password or a token, each with its key path."""
    for index, outlet in enumerate(file.outlet):
        if outlet.kind == "apprise" and outlet.urls:
            yield (
                f"outlet[{index}].urls: these addresses hold passwords or tokens for whoever reads the file; put them, one a "
                'line, into a file that only the daemon may read (chmod 600), and name it: urls_file = "addresses"'
            )
        if outlet.kind == "webhook" and outlet.url and without_secret(outlet.url) != outlet.url:
            yield (
                f"outlet[{index}].url: what follows the host may be a token for whoever reads the file; put the address into "
                'a file that only the daemon may read (chmod 600), and name it: url_file = "address"'
            )


def without_secret(url: str) -> str:
    """An address with its scheme and host alone.

    >>> without_secret("https://me:pw@chat.example/hook/T0KEN?x=1")
    'https://chat.example/left out'
    >>> without_secret("http://10.0.0.5:8080/")
    'http://10.0.0.5:8080/'
    """
    scheme, _, rest = url.partition("://")
    if scheme not in ("http", "https"):
        return f"{scheme}://{LEFT_OUT}"
    host, _, path = rest.partition("/")
    return f"{scheme}://{host.rpartition('@')[2]}/{LEFT_OUT if path else ''}"


def scrubbed(text: str) -> str:
    """The text of a configuration without the addresses of its outlets, fit to be kept in the record.

    Comments and line numbers stay. Where an address can still be found in what the text means, written in some unusual way,
    every outlet is left out whole.
    """
    made = _USER.sub(rf"\1{LEFT_OUT}@", _OUTLET.sub(lambda table: _ADDRESS.sub(_address, table[0]), text))
    kept = set(_strings(made))
    if any(secret != without_secret(secret) and secret in kept for secret in _addresses(text)):
        return _OUTLET.sub(f"# an outlet: {LEFT_OUT}\n", made)
    return made


def _address(found: re.Match[str]) -> str:
    def cut(quoted: re.Match[str]) -> str:
        return f'"{without_secret(quoted[0].strip(chr(34) + chr(39)))}"' if "://" in quoted[0] else quoted[0]

    return found[1] + _QUOTED.sub(cut, found[2])


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return {}


def _addresses(text: str) -> Iterator[str]:
    outlets = _parsed(text).get("outlet")
    for outlet in outlets if isinstance(outlets, list) else []:
        if isinstance(outlet, dict):
            yield from _strings({key: outlet.get(key) for key in ("url", "urls")})


def _strings(tree: Any) -> Iterator[str]:
    tree = _parsed(tree) if isinstance(tree, str) and "\n" in tree else tree
    if isinstance(tree, str):
        yield tree
    elif isinstance(tree, dict | list):
        for inner in tree.values() if isinstance(tree, dict) else tree:
            yield from _strings(inner)
