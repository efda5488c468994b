"""The baseline tour as a page: one instruction at a time.

Driven by the status document "tour": ``phase`` (zero, set, measure, refused, done), ``step``, ``steps``, ``open_ports``,
``words``, ``reason``, ``progress``, ``measured``, ``skipped``, and after the fit ``report``: a list of lines with ``kind``,
``name``, ``ratio``, ``sd`` and ``words``, with ``notes``. Without the document no tour is under way.
"""

from __future__ import annotations

from dashboard.machine_view import ports_words
from dashboard.shapes import Out, dig, number, rows, shape_of, text, texts
from dashboard.snapshot import Document, Snapshot
from dashboard.words import day_and_time, sentence, unbroken

PHASES = ("zero", "set", "measure", "refused", "done")


def tour_out(snapshot: Snapshot, baselines: list[Document]) -> Out:
    """The tour made from a snapshot."""
    tour = snapshot.tour
    phase = text(tour, "phase")
    active = phase in PHASES and tour.get("active") is not False
    step, steps = int(number(tour, "step") or 0), int(number(tour, "steps") or 0)
    opened = dig(tour, "open_ports")
    opened = [str(port) for port in opened] if isinstance(opened, list) else []
    gates = [text(port, "name") for port in rows(snapshot.shop, "ports") if port.get("has_gate") is not False]
    title = {
        "zero": "Before the first step",
        "done": "The tour is complete",
        "refused": f"Step {step + 1} of {steps} was not steady",
    }.get(phase, f"Step {step + 1} of {steps}")
    measured, skipped, report = _steps(tour, "measured"), _steps(tour, "skipped"), [_line(row) for row in rows(tour, "report")]
    return {
        "active": active,
        "phase": phase if active else "",
        "title": title if active else "No tour is under way",
        "words": text(tour, "words") if active else "",
        "reason": unbroken(text(tour, "reason")) if active else "",
        "tone": {"refused": "soon", "done": "ok", "measure": "plan", "set": "plan"}.get(phase, "wait") if active else "quiet",
        "percent": round(100 * min(1.0, max(0.0, number(tour, "progress") or 0.0))),
        "gates": [{"name": name, "is_open": name in opened} for name in gates]
        if phase in ("set", "measure", "refused") and active
        else [],
        "may_ready": active and phase in ("zero", "set", "refused"),
        "may_skip": active and phase in ("zero", "set", "refused", "measure"),
        "may_back": active and step > 0,
        "measured": measured,
        "skipped": skipped,
        "report": report,
        "shape": shape_of(active, phase, step, measured, skipped, report, [number(row, "id") for row in baselines]),
        "notes": [sentence(note) for note in texts(tour, "notes")],
        "baselines": [
            {"name": text(row, "name"), "when": day_and_time(number(row, "t")), "t": number(row, "t")} for row in baselines
        ],
    }


def _steps(tour: Document, key: str) -> list[str]:
    found = dig(tour, key)
    return [ports_words(step) for step in found] if isinstance(found, list) else []


def _line(row: Document) -> Out:
    kind, name, ratio, sd = text(row, "kind"), text(row, "name"), number(row, "ratio"), number(row, "sd")
    what = f"run to the {name}" if kind == "port" else name if kind == "run" else f"{kind}: {name}" if name else kind
    spread = "" if ratio is None or sd is None else f", ± {1.96 * sd * ratio:.2f}"
    return {
        "what": what,
        "shown": "not known" if ratio is None else f"{ratio:.2f} times the drawing{spread}",
        "words": text(row, "words"),
    }
