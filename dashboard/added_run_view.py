"""Before and after a change of the ducts: the answer in three lines, the table, and the check that finds out.

Driven by the status document "added_run": ``phase`` (after, done), ``name``, ``words``, ``verdict`` (kept, lost, unclear),
``lines`` (the answer), ``what`` (the periods), ``notes``, ``others`` (other measures), ``offer_check``, ``ports``: a list of
``name``, ``gates``, ``before_m3s``, ``after_m3s``, ``duct``, ``filter``, ``drawn``; ``truth`` (a rehearsal's own words);
``busy`` and ``trouble`` (words); ``check``: the status of a tour with its ``side``; ``kept``: when a check was kept on each
side.
"""

from __future__ import annotations

from pathlib import Path

from dashboard.shapes import DASH, Out, Screen, day_and_time, dig, number, rows, sentence, shape_of, table, text, texts
from dashboard.snapshot import Document, Snapshot

VERDICTS = {
    "kept": ("ok", "No – your ports still get their air"),
    "lost": ("soon", "Yes – some ports lost air"),
    "unclear": ("wait", "Cannot tell yet"),
}
_CHECK_TONES = {"refused": "soon", "done": "ok", "measure": "plan", "set": "plan"}
REPORT = "report.html"


def added_run_out(snapshot: Snapshot, screen: Screen) -> Out:
    """The check made from a snapshot."""
    document = snapshot.added_run
    known = bool(text(document, "phase") or text(document, "verdict") or text(document, "words"))
    unknown = ("wait", "Comparing…" if known else "Did a new run take air from the others?")
    tone, title = VERDICTS.get(text(document, "verdict"), unknown)
    kept = [side for side in ("before", "after") if number(document, "kept", side) is not None]
    ports = [_port(row, screen) for row in rows(document, "ports")]
    check, lines = _check(snapshot), texts(document, "lines")
    busy, trouble = text(document, "busy"), text(document, "trouble")
    what = text(document, "what")
    watched = number(document, "entry") is not None
    return {
        "known": known,
        "watched": watched,
        "name": text(document, "name"),
        "tone": tone if known else "quiet",
        "title": title,
        "words": text(document, "words"),
        "what": what,
        "busy": busy,
        "trouble": sentence(trouble),
        "ports": ports,
        "lines": lines,
        "others": texts(document, "others"),
        "notes": [sentence(note) for note in texts(document, "notes")],
        "truth": texts(document, "truth"),
        "offer_check": dig(document, "offer_check") is True,
        "check": check,
        "kept": [f"{side} the work: {day_and_time(number(document, 'kept', side))}" for side in kept],
        "may_compare_checks": len(kept) == 2,
        "shape": shape_of(
            known,
            watched,
            text(document, "name"),
            what,
            [port["name"] for port in ports],
            busy,
            trouble,
            kept,
            lines,
            None if check is None else (check["side"], check["phase"], check["title"]),
        ),
    }


def _check(snapshot: Snapshot) -> Out | None:
    check = table(snapshot.added_run, "check")
    side, phase = text(check, "side"), text(check, "phase")
    if side not in ("before", "after") or not phase:
        return None
    step, steps = int(number(check, "step") or 0), int(number(check, "steps") or 0)
    opened = dig(check, "open_ports")
    opened = [str(port) for port in opened] if isinstance(opened, list) else []
    steady = dig(check, "measured")
    gates = [text(port, "name") for port in rows(snapshot.shop, "ports") if port.get("has_gate") is not False]
    where = {"zero": "before the first step", "done": "all steps measured"}.get(phase, f"step {step + 1} of {steps}")
    return {
        "side": side,
        "phase": phase,
        "title": f"{side.capitalize()} the work: {where}",
        "words": text(check, "words"),
        "reason": text(check, "reason"),
        "tone": _CHECK_TONES.get(phase, "wait"),
        "measured": [" and ".join(map(str, gates)) or "all shut" for gates in steady] if isinstance(steady, list) else [],
        "percent": round(100 * min(1.0, max(0.0, number(check, "progress") or 0.0))),
        "gates": [{"name": name, "is_open": name in opened} for name in gates] if phase in ("set", "measure", "refused") else [],
    }


def _port(row: Document, screen: Screen) -> Out:
    before, after = (number(row, key) for key in ("before_m3s", "after_m3s"))
    return {
        "name": text(row, "name"),
        "gates": text(row, "gates"),
        "before": screen.quantity(before, "flow", why=DASH),
        "after": screen.quantity(after, "flow", why=DASH),
        "duct": text(row, "duct") or DASH,
        "filter": text(row, "filter") or DASH,
        "drawn": text(row, "drawn") or DASH,
    }


def report_file(store: Path, name: str) -> Path | None:
    """The path of the report of the comparison beside the store, None for anything else."""
    path = store.with_name(f"{store.stem}.added-run") / REPORT
    return path if name == REPORT and path.is_file() else None
