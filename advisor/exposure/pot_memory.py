"""Pots that remember: the hours before now are run once, and go on from there at the next pass.

Forty days of the past are run hour by hour at each pass, and but for the last of them they come out as they
did at the pass before. A run with the same pots and the same hours up to some hour takes its temperatures up
to there as they were found, and goes on from them: number by number what a run from the start would give.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from advisor.physics.missing import FloatArray, as_float
from advisor.physics.pot_heat import START_H, PotTemperatures, PotThermal, simulate_pot_temperature

__all__ = ["PotMemory"]

_HOURLY = ("top_cover_share", "theta")
"""Options that are arrays over pot and hour."""


@dataclass(frozen=True, slots=True)
class _Run:
    pots: PotThermal
    arrays: tuple[FloatArray, ...]
    others: Mapping[str, Any]
    found: PotTemperatures


class PotMemory:
    """Runs pots as ``simulate_pot_temperature`` does and remembers its last run, which it goes on from.

    For one garden, pass after pass: another garden, another place of a tree or other numbers are run from
    the start. Runs that begin with a given warmth (``initial_c``) are neither remembered nor gone on with.
    """

    def __init__(self) -> None:
        self._last: _Run | None = None
        self.reused_h = 0
        """Hours of the newest run that were taken from the one before."""

    def __call__(self, pots: PotThermal, *forcing: FloatArray, **options: Any) -> PotTemperatures:
        """Run the pots; see ``simulate_pot_temperature``."""
        self.reused_h = 0
        if options.get("initial_c") is not None:
            return simulate_pot_temperature(pots, *forcing, **options)
        hourly = tuple(as_float(values) for values in (*forcing, *(options[name] for name in _HOURLY)))
        others = {name: value for name, value in options.items() if name not in _HOURLY}
        first = self._same_until(pots, hourly, others)
        if first:
            found = self._gone_on(pots, hourly, others, first)
        else:
            found = simulate_pot_temperature(pots, *forcing, **options)
        self._last = _Run(pots, hourly, others, found)
        self.reused_h = first
        return found

    def _same_until(self, pots: PotThermal, arrays: Sequence[FloatArray], others: Mapping[str, Any]) -> int:
        """Hours from the first that are the same as in the last run and end with all pots known."""
        last = self._last
        if last is None or not _alike(last, pots, arrays, others):
            return 0
        hours = min(last.found.core_c.shape[-1], max(values.shape[-1] for values in arrays) - 1)
        for now, then in zip(arrays, last.arrays, strict=True):
            if now.shape[-1] == 1:
                hours = hours if _same(now, then).all() else 0
            else:
                axes = tuple(range(now.ndim - 1))
                other = ~_same(now[..., :hours], then[..., :hours]).all(axis=axes)
                hours = int(other.argmax()) if other.any() else hours
        if hours < START_H:  # the first day says how warm the pots begin
            return 0
        nodes = np.stack([getattr(last.found, one.name)[..., :hours] for one in fields(PotTemperatures)])
        known = np.isfinite(nodes).all(axis=tuple(range(nodes.ndim - 1)))
        return int(known.nonzero()[0][-1]) + 1 if known.any() else 0

    def _gone_on(
        self, pots: PotThermal, arrays: Sequence[FloatArray], others: Mapping[str, Any], first: int
    ) -> PotTemperatures:
        last = self._last
        assert last is not None  # noqa: S101 - asked by _same_until
        nodes = [getattr(last.found, one.name) for one in fields(PotTemperatures)]
        *forcing, cover, theta = (
            values if values.shape[-1] == 1 else values[..., first:] for values in arrays
        )
        more = simulate_pot_temperature(
            pots,
            *forcing,
            **{
                **others,
                "initial_c": PotTemperatures(*(node[..., first - 1] for node in nodes)),
                "top_cover_share": cover,
                "theta": theta,
            },
        )
        added = [getattr(more, one.name) for one in fields(PotTemperatures)]
        return PotTemperatures(
            *(
                np.concatenate([node[..., :first], new], axis=-1)
                for node, new in zip(nodes, added, strict=True)
            )
        )


def _alike(last: _Run, pots: PotThermal, arrays: Sequence[FloatArray], others: Mapping[str, Any]) -> bool:
    """True where two runs have the same pots, plain numbers and shapes but for the count of hours."""
    shapes = all(
        now.shape[:-1] == then.shape[:-1] and (now.shape[-1] == 1) == (then.shape[-1] == 1)
        for now, then in zip(arrays, last.arrays, strict=True)
    )
    return (
        shapes
        and others == last.others
        and all(np.array_equal(getattr(pots, one.name), getattr(last.pots, one.name)) for one in fields(pots))
    )


def _same(now: FloatArray, then: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((now == then) | (np.isnan(now) & np.isnan(then)))
