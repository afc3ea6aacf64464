"""Pots of many variations run through the hours together.

The heat balance of pots walks hour by hour, and an hour costs about the same for ten pots as for five
hundred. So the variations of a morning first say which pots they want run; these run side by side, each pot
by itself, and are then handed out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from hashlib import blake2b
from typing import Any

import numpy as np

from advisor.physics.missing import FloatArray
from advisor.physics.pot_heat import PotTemperatures, PotThermal, simulate_pot_temperature

__all__ = ["PotRuns", "PotsWanted"]

_NAMES = (
    "air_temperature_c",
    "vapour_pressure_kpa",
    "wind_speed_m_s",
    "direct_normal_w_m2",
    "diffuse_w_m2",
    "shortwave_w_m2",
    "sun_elevation_deg",
    "sky_longwave_w_m2",
    "ground_heating_k",
)
"""Arguments of ``simulate_pot_temperature`` after the pots, in its order."""
_ARRAYS = (*_NAMES, "side_lit_share", "top_cover_share", "theta")


class PotsWanted(Exception):  # noqa: N818 - no error: a note that the pots come later
    """Raised in place of a result while calls are gathered."""


@dataclass(frozen=True, slots=True)
class _Call:
    """One call: pots, arrays over (pots, hours), and plain numbers that all its pots share."""

    pots: PotThermal
    arrays: Mapping[str, FloatArray]
    shared: tuple[tuple[str, float], ...]

    @property
    def key(self) -> bytes:
        digest = blake2b(repr(self.shared).encode())
        for one in fields(self.pots):
            digest.update(np.ascontiguousarray(getattr(self.pots, one.name)).tobytes())
        for name in _ARRAYS:
            digest.update(np.ascontiguousarray(self.arrays[name]).tobytes())
        return digest.digest()


def _call_of(pots: PotThermal, forcing: tuple[Any, ...], options: Mapping[str, Any]) -> _Call:
    named = dict(zip(_NAMES, forcing, strict=True)) | dict(options)
    rows = named.pop("stands", None)
    if rows is not None:  # each pot with the weather of its spot, since the spots of other calls are others
        for name in _NAMES:
            values = np.asarray(named[name], dtype=np.float64)
            named[name] = values[..., list(rows), :] if values.ndim > 1 else values
    # With a leading axis of one, as the exposure without members has it.
    given = np.broadcast_arrays(*(np.asarray(named.pop(name), dtype=np.float64) for name in _ARRAYS))
    arrays = {name: array.reshape(array.shape[-2:]) for name, array in zip(_ARRAYS, given, strict=True)}
    return _Call(pots, arrays, tuple(sorted((name, float(value)) for name, value in named.items())))


def _run(calls: list[_Call]) -> list[PotTemperatures]:
    """Run calls with the same shared numbers side by side."""
    pots = PotThermal(
        **{
            one.name: np.concatenate([getattr(call.pots, one.name) for call in calls])
            for one in fields(PotThermal)
        }
    )
    stacked = {name: np.concatenate([call.arrays[name] for call in calls]) for name in _ARRAYS}
    shared: dict[str, Any] = dict(calls[0].shared)
    shared["substeps"] = round(shared["substeps"])
    forcing = [stacked.pop(name) for name in _NAMES]
    simulate: Callable[..., PotTemperatures] = simulate_pot_temperature
    found = simulate(pots, *forcing, **stacked, **shared)
    results, row = [], 0
    for call in calls:
        rows = slice(row, row + call.pots.volume_l.size)
        row = rows.stop
        results.append(
            PotTemperatures(
                found.rim_sunlit_c[np.newaxis, rows],
                found.rim_shaded_c[np.newaxis, rows],
                found.core_c[np.newaxis, rows],
            )
        )
    return results


class PotRuns:
    """Stands in for ``simulate_pot_temperature``: remembers what it ran, and runs many calls as one.

    Call it as the function it stands in for. While ``gathering`` is true an unknown call raises
    ``PotsWanted`` and is noted; ``run_wanted`` runs what was noted.
    """

    def __init__(self) -> None:
        self.gathering = False
        self._kept: dict[bytes, PotTemperatures] = {}
        self._handed: dict[bytes, PotTemperatures] = {}
        self._wanted: dict[bytes, _Call] = {}

    def __call__(self, pots: PotThermal, *forcing: Any, **options: Any) -> PotTemperatures:
        """Return what ``simulate_pot_temperature`` gives for one table, shape (1, pots, hours)."""
        call = _call_of(pots, forcing, options)
        key = call.key
        for known in (self._kept, self._handed):
            if key in known:
                return known[key]
        if self.gathering:
            self._wanted[key] = call
            raise PotsWanted
        (found,) = _run([call])
        self._handed[key] = found
        return found

    def keep(self) -> None:
        """Keep what is known for good; what is run later is dropped at the next ``run_wanted``."""
        self._kept |= self._handed
        self._handed = {}

    def run_wanted(self) -> None:
        """Run the calls that were noted, those that share their plain numbers side by side."""
        self._handed = {}
        groups: dict[tuple[tuple[str, float], ...], list[tuple[bytes, _Call]]] = {}
        for key, call in self._wanted.items():
            groups.setdefault(call.shared, []).append((key, call))
        self._wanted = {}
        for group in groups.values():
            results = _run([call for _, call in group])
            self._handed |= {key: found for (key, _), found in zip(group, results, strict=True)}
