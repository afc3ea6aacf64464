"""The time a pass may spend on the network, counted by a clock that is handed in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["PASS_S", "SOURCE_S", "Budget"]

SOURCE_S = 30.0
PASS_S = 120.0
"""Manners of the program itself, not knowledge of the trade: a pass must end before the next tick."""


class Budget:
    """Seconds left for the network: so many for each source, so many in all.

    Parameters
    ----------
    monotonic : callable
        Returns seconds of a clock that never goes back, for example ``time.monotonic``.
    source_s, pass_s : float
        Seconds for one source, and for the whole pass.

    Only time spent inside ``spending`` counts, so that slow work elsewhere takes nothing away.
    """

    def __init__(
        self, monotonic: Callable[[], float], *, source_s: float = SOURCE_S, pass_s: float = PASS_S
    ) -> None:
        self._monotonic = monotonic
        self._source_s = source_s
        self._pass_s = pass_s
        self._spent: dict[str, float] = {}
        self._running: tuple[str, float] | None = None

    def left_s(self, source: str) -> float:
        """Seconds that ``source`` may still use; zero or less when it must stop."""
        spent = dict(self._spent)
        if self._running is not None:
            name, since = self._running
            spent[name] = spent.get(name, 0.0) + self._monotonic() - since
        return min(self._source_s - spent.get(source, 0.0), self._pass_s - sum(spent.values()))

    @contextmanager
    def spending(self, source: str) -> Iterator[None]:
        """Count the time inside the block as spent by ``source``; blocks do not nest."""
        began = self._monotonic()
        self._running = (source, began)
        try:
            yield
        finally:
            self._running = None
            self._spent[source] = self._spent.get(source, 0.0) + self._monotonic() - began
