"""Gate sets as a person writes them on the command line."""

from __future__ import annotations

import difflib

from analysis.duct.design import DuctDesign
from daemon.errors import ConfigError


def read_gates(text: str, design: DuctDesign, where: str = "--open") -> tuple[str, ...]:
    """Port names from ``"planer, bandsaw"``, ``"all"`` or ``"none"``, in the order of the design.

    Raises :class:`ConfigError` for a port that the shop does not have.
    """
    written = text.strip()
    if written.lower() == "none":
        return ()
    if written.lower() == "all":
        return design.port_names
    whole = [name for name in design.port_names if "," in name and name.lower() in written.lower()]
    for name in whole:
        at = written.lower().index(name.lower())
        written = written[:at] + written[at + len(name):]
    names = [name.strip() for name in written.split(",") if name.strip()]
    return known_ports([*whole, *names], design.port_names, where)


def known_ports(names: list[str], known: tuple[str, ...], where: str) -> tuple[str, ...]:
    """``names`` in the order of ``known``, matched without regard to case; :class:`ConfigError` for any other."""
    folded = {name.lower(): name for name in known}
    problems = []
    chosen = set()
    for name in names:
        if name.lower() in folded:
            chosen.add(folded[name.lower()])
            continue
        close = difflib.get_close_matches(name.lower(), list(folded), n=1, cutoff=0.6)
        meant = f"; did you mean {folded[close[0]]!r}?" if close else ""
        problems.append(f"{where}: there is no port {name!r}{meant} (ports: {', '.join(known)})")
    if problems:
        raise ConfigError(problems)
    return tuple(name for name in known if name in chosen)


def gates_in_words(open_ports: tuple[str, ...], design: DuctDesign) -> str:
    """``planer and bandsaw open``, ``all gates shut`` or ``all ports open``."""
    gated = [port.name for port in design.ports if port.has_gate]
    if not [name for name in open_ports if name in gated]:
        return "all gates shut"
    if set(open_ports) == set(design.port_names) and len(open_ports) > 2:
        return "all ports open"
    if len(open_ports) == 1:
        return f"{open_ports[0]} open"
    return f"{', '.join(open_ports[:-1])} and {open_ports[-1]} open"
