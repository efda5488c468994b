"""The guided check in the daemon: one under way at most, and when the last ones before and after the work were kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from daemon.config.config import Config
from daemon.errors import AddedRunDeclined, DuctwardenError

if TYPE_CHECKING:
    from daemon.comparing.guided import CheckTour, Side

Document = dict[str, Any]

TO_CHECK = {"ready": "done", "skip": "skip", "back": "back"}
"""What the dashboard says, and what the tour of the check calls it."""


class GuidedCheck:
    """Begins a check, passes on what the owner says to it, and keeps it. The check itself lies beside the store."""

    def __init__(self, config: Config) -> None:
        self._config = config
        self._tour: CheckTour | None = None
        self._side: Side = "before"
        self._status: Document = {}
        self._kept: dict[str, float] = {}

    @property
    def side(self) -> Side:
        """Whether the check under way, or else the last one, is before the work or after it."""
        return self._side

    def begin(self, side: object, run: str = "") -> str:
        """Begin a check ``before`` or ``after`` the work, ``run`` being where it is cut; returns words for the owner. Raises
        :class:`AddedRunDeclined`."""
        if side not in ("before", "after"):
            raise AddedRunDeclined("a check is done either before or after the work")
        if self._tour is not None:
            raise AddedRunDeclined("a check is already in progress; save or discard it first")
        if run and run not in self._config.design.run_names:
            raise AddedRunDeclined(f"there is no duct {run!r}; the ducts are {', '.join(self._config.design.run_names)}")
        from daemon.comparing.guided import CheckTour
        from daemon.store.reader import Reader

        reader = Reader(self._config.at(self._config.file.store.file))
        try:
            self._tour = CheckTour(self._config, reader, side, run=run)
        except DuctwardenError as error:
            reader.close()
            raise AddedRunDeclined(str(error)) from error
        self._side = side
        return self._tour.ask({"action": "start"})[1]

    def follow(self) -> str:
        """Take in what was measured since the last look; what is in the way of that, "" for nothing.

        A store that cannot be read just now is looked at again.
        """
        if self._tour is not None:
            try:
                self._status = self._tour.status()
            except DuctwardenError as error:
                return str(error)
        return ""

    def say(self, action: str, t: float) -> str:
        """Pass on what the owner says; returns words for him. ``t`` is when a check that he keeps was made [s].

        Raises :class:`AddedRunDeclined`, and OSError where the check cannot be kept.
        """
        tour = self._tour
        if tour is None:
            raise AddedRunDeclined("no check is in progress")
        if action == "leave":
            tour.ask({"action": "cancel"})
            self.leave()
            return "the check has been discarded"
        taken, words = tour.ask({"action": "finish" if action == "keep" else TO_CHECK[action]})
        if not taken:
            raise AddedRunDeclined(words)
        if action == "keep":
            self.leave()
            self.keep(self._side, t)
        return words

    def keep(self, side: Side, t: float) -> None:
        """Remember that a check was kept; one before the work begins a new pair."""
        self._kept = {**({} if side == "before" else self._kept), side: t}

    def leave(self) -> None:
        """Close what is under way."""
        if self._tour is not None:
            self._tour.close()
        self._tour, self._status = None, {}

    def document(self) -> Document:
        """The check under way and the times of those kept, for the status document "added_run"."""
        told: Document = {}
        if self._tour is not None:
            told["check"] = {**self._status, "side": self._side}
        if self._kept:
            told["kept"] = dict(self._kept)
        return told

    def snapshot(self) -> dict[str, object]:
        """What is to survive a restart: when checks were kept."""
        return {"kept": dict(self._kept)} if self._kept else {}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take up the times of a snapshot; anything else is left behind."""
        kept = data.get("kept")
        if isinstance(kept, Mapping):
            self._kept = {side: float(kept[side]) for side in ("before", "after") if isinstance(kept.get(side), int | float)}
