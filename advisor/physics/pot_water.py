"""Water in a pot: how much it can hold, what reaches it, what leaves it, what is left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.physics.missing import FloatArray, as_float

__all__ = [
    "PotBalance",
    "container_capacity_share",
    "crown_area_m2",
    "deplete",
    "litres_from_mm",
    "pot_volume_l",
    "rain_reaching_pot_mm",
    "run_balance",
    "stress_factor",
    "substrate_evaporation_l",
    "top_area_m2",
    "transpiration_l",
    "water_share_at_suction",
]

CM_PER_KPA = 10.19716
"""Height of a water column; kPa / (rho g) with g = 9.80665."""
LEAF_AREA_PER_REFERENCE = 2.88
"""One reference evapotranspiration is spread over so much leaf area: Kc = 0.347 LAI below LAI 3,
Pereira et al. 2011, Bragantia 70."""


def water_share_at_suction(
    suction_kpa: ArrayLike,
    saturated_share: ArrayLike,
    residual_share: ArrayLike,
    alpha_per_cm: ArrayLike,
    n: ArrayLike,
) -> FloatArray:
    """Water content of a substrate under suction.

    Parameters
    ----------
    suction_kpa : float array
        Zero or more; NaN below.
    saturated_share, residual_share, alpha_per_cm, n : float array
        Parameters of the retention curve, n above one. Broadcast.

    Returns
    -------
    float array
        Volume share of water.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: van Genuchten 1980, Soil Sci. Soc. Am. J. 44: 892-898, with m = 1 - 1/n. Checked:
    tests/physics/test_pot_water.py.
    """
    height = as_float(suction_kpa) * CM_PER_KPA
    return _retention(height, *(as_float(p) for p in (saturated_share, residual_share, alpha_per_cm, n)))


def _retention(
    height_cm: FloatArray, saturated: FloatArray, residual: FloatArray, alpha: FloatArray, n: FloatArray
) -> FloatArray:
    with np.errstate(invalid="ignore"):
        height = np.where(height_cm >= 0.0, height_cm, np.nan)
    return as_float(residual + (saturated - residual) / (1.0 + (alpha * height) ** n) ** (1.0 - 1.0 / n))


def container_capacity_share(
    depth_cm: ArrayLike,
    saturated_share: ArrayLike,
    residual_share: ArrayLike,
    alpha_per_cm: ArrayLike,
    n: ArrayLike,
) -> FloatArray:
    """Water a pot of a given depth holds after it has drained.

    The bottom is saturated, the top under a suction of the pot's depth: a shallow tray is wetter
    per volume than a deep pot of the same mix.

    Parameters
    ----------
    depth_cm : float array
        Of the substrate, above zero; NaN otherwise.
    saturated_share, residual_share, alpha_per_cm, n : float array
        Parameters of the retention curve. Broadcast.

    Returns
    -------
    float array
        Volume share of water.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: equilibrium capacity model (mean of the retention curve over the depth), Fonteno 1993;
    curve of van Genuchten 1980. Checked: tests/physics/test_pot_water.py.
    """
    depth = as_float(depth_cm)
    with np.errstate(invalid="ignore"):
        depth = np.where(depth > 0.0, depth, np.nan)
    parameters = [as_float(p)[..., np.newaxis] for p in (saturated_share, residual_share, alpha_per_cm, n)]
    nodes, weights = np.polynomial.legendre.leggauss(48)
    heights = depth[..., np.newaxis] * (nodes + 1.0) / 2.0
    return as_float((_retention(heights, *parameters) * weights / 2.0).sum(axis=-1))


def crown_area_m2(width_cm: ArrayLike) -> FloatArray:
    """Ground that a round crown covers.

    Parameters
    ----------
    width_cm : float array, shape (...)
        Of the crown.

    Returns
    -------
    float array, same shape
        [m2].

    Source: area of a circle. Checked: tests/physics/test_pot_water.py.
    """
    return as_float(np.pi / 4.0 * (as_float(width_cm) / 100.0) ** 2)


def top_area_m2(length_cm: ArrayLike, width_cm: ArrayLike, fill_share: ArrayLike = np.pi / 4.0) -> FloatArray:
    """Open surface of a pot.

    Parameters
    ----------
    length_cm, width_cm : float array
        Inside, at the rim.
    fill_share : float array
        Share of the surrounding rectangle: pi/4 for round and oval, 1 for rectangular. Broadcast.

    Returns
    -------
    float array
        [m2].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: geometry. Checked: tests/physics/test_pot_water.py.
    """
    return as_float(as_float(length_cm) * as_float(width_cm) * as_float(fill_share) / 1e4)


def pot_volume_l(top_area_m2: ArrayLike, depth_cm: ArrayLike, taper_share: ArrayLike = 1.0) -> FloatArray:
    """Inside volume of a pot.

    Parameters
    ----------
    top_area_m2, depth_cm : float array
        At the rim; inside.
    taper_share : float array
        Volume over that of straight walls. Broadcast.

    Returns
    -------
    float array
        [l].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: geometry. Checked: tests/physics/test_pot_water.py.
    """
    return as_float(10.0 * as_float(top_area_m2) * as_float(depth_cm) * as_float(taper_share))


def litres_from_mm(depth_mm: ArrayLike, area_m2: ArrayLike) -> FloatArray:
    """Litres from a depth of water on an area.

    Parameters
    ----------
    depth_mm, area_m2 : float array
        Broadcast.

    Returns
    -------
    float array
        [l]; one millimetre on a square metre is a litre.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: definition. Checked: tests/physics/test_pot_water.py.
    """
    return as_float(as_float(depth_mm) * as_float(area_m2))


def transpiration_l(
    reference_et_mm: ArrayLike, leaf_area_m2: ArrayLike, shape_factor: ArrayLike = 1.0
) -> FloatArray:
    """Water that leaves want, with water at will.

    Parameters
    ----------
    reference_et_mm : float array
        Short reference evapotranspiration of the hour or day; dew (below zero) counts as none.
    leaf_area_m2 : float array
        One side.
    shape_factor : float array
        More for a crown standing free in the wind. Broadcast.

    Returns
    -------
    float array
        [l] over the same time.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Pereira et al. 2011, Bragantia 70 (Kc = 0.347 LAI, so E = LA x ET0 / 2.88). Checked:
    tests/physics/test_pot_water.py.
    """
    demand = np.maximum(as_float(reference_et_mm), 0.0) / LEAF_AREA_PER_REFERENCE
    return as_float(demand * as_float(leaf_area_m2) * as_float(shape_factor))


def substrate_evaporation_l(
    reference_et_mm: ArrayLike, top_area_m2: ArrayLike, evaporation_coefficient: ArrayLike
) -> FloatArray:
    """Water that the surface of the substrate loses.

    Parameters
    ----------
    reference_et_mm : float array
        Of the hour or day; dew counts as none.
    top_area_m2 : float array
        Open surface.
    evaporation_coefficient : float array
        Ke: near one bare and wet, less under a crown or when dry. Broadcast.

    Returns
    -------
    float array
        [l] over the same time.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 69, evaporation part (Ke ET0). Checked: tests/physics/test_pot_water.py.
    """
    evaporation = np.maximum(as_float(reference_et_mm), 0.0) * as_float(evaporation_coefficient)
    return as_float(evaporation * as_float(top_area_m2))


def rain_reaching_pot_mm(
    rain_mm: ArrayLike,
    crown_storage_mm: ArrayLike,
    capture_share: ArrayLike,
    covered: ArrayLike,
    dry_hours: int = 6,
) -> FloatArray:
    """Hourly rain that reaches the substrate.

    Each event first wets the crown; what comes after falls through. An event ends after ``dry_hours``
    dry hours.

    Parameters
    ----------
    rain_mm : float array, shape (..., H)
        Of the hour.
    crown_storage_mm : float array
        What the crown holds back of each event; broadcasting with (..., H), constant over an event.
    capture_share : float array
        Share of the rest that gets into the pot (stem flow may take it above one).
    covered : bool array
        Under a roof: nothing, even where the rain is unknown. Broadcast.
    dry_hours : int
        Hours without rain that let the crown dry.

    Returns
    -------
    float array, shape (..., H)
        [mm] on the open surface. NaN in hours of unknown rain, which neither wet nor dry the crown.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: interception bucket per event (own form, estimate). Checked:
    tests/physics/test_pot_water.py.
    """
    rain, storage, capture, roof = np.broadcast_arrays(
        as_float(rain_mm),
        as_float(crown_storage_mm),
        as_float(capture_share),
        np.asarray(covered, dtype=bool),
    )
    dry = np.maximum(*_dry_spells_h(rain))
    out = np.where(np.isnan(rain), np.nan, 0.0) * capture
    held = np.zeros(rain.shape[:-1])
    with np.errstate(invalid="ignore"):
        wet = (np.nan_to_num(rain, nan=0.0) != 0.0).any(axis=tuple(range(rain.ndim - 1)))
    for hour in np.flatnonzero(wet):  # nothing falls in the others, and the crown dries by the count of them
        now = rain[..., hour]
        held = np.where(dry[..., hour] >= dry_hours, 0.0, held)
        caught = np.minimum(now, np.maximum(storage[..., hour] - held, 0.0))
        held = np.where(np.isnan(caught), held, held + caught)
        out[..., hour] = (now - caught) * capture[..., hour]
    return as_float(np.where(roof, 0.0, out))


def _dry_spells_h(rain: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Hours without rain since it last rained, before each hour and with it; unknown hours do not count."""
    with np.errstate(invalid="ignore"):
        rains = rain > 0.0
    count = np.cumsum(~rains & ~np.isnan(rain), axis=-1)
    with_hour: NDArray[np.int64] = count - np.maximum.accumulate(np.where(rains, count, 0), axis=-1)
    before = np.zeros(rain.shape)
    before[..., 1:] = with_hour[..., :-1]
    return before, as_float(with_hour)


def stress_factor(water_l: ArrayLike, capacity_l: ArrayLike, stress_from_share: ArrayLike) -> FloatArray:
    """Share of its demand that a tree still takes up from a drying pot.

    Parameters
    ----------
    water_l, capacity_l : float array
        Usable water left, and when full.
    stress_from_share : float array
        Share of usable water below which uptake falls (1 - p in the source). Broadcast.

    Returns
    -------
    float array
        1 above, falling in a straight line to 0 at none.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 84, Ks = (TAW - Dr) / ((1 - p) TAW). Checked: tests/physics/test_pot_water.py.
    """
    onset = as_float(capacity_l) * as_float(stress_from_share)
    water = as_float(water_l)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        falling = np.clip(water / np.where(onset > 0.0, onset, np.nan), 0.0, 1.0)
        factor = np.where(onset > 0.0, falling, (water > 0.0).astype(np.float64))
    return as_float(np.where(np.isnan(water + onset), np.nan, factor))


@dataclass(frozen=True, slots=True)
class PotBalance:
    """``deplete`` for pots that are stepped through many hours in which all is known.

    Attributes
    ----------
    capacity_l : float array
        Usable water when full.
    onset_l : float array
        Water below which uptake falls; NaN where it does not fall until nothing is left.
    """

    capacity_l: FloatArray
    onset_l: FloatArray

    @classmethod
    def of(cls, capacity_l: ArrayLike, stress_from_share: ArrayLike) -> PotBalance:
        """Return the balance of pots; shapes broadcast, see ``stress_factor``."""
        capacity = as_float(capacity_l)
        onset = capacity * as_float(stress_from_share)
        return cls(capacity, np.where(onset > 0.0, onset, np.nan))

    def step(self, water_l: FloatArray, use_l: FloatArray, rain_l: FloatArray) -> FloatArray:
        """Return the water at the end of a step without watering, from use (not below zero) and rain.

        Source and check: as ``deplete``, against it in tests/physics/test_pot_water.py.
        """
        full = water_l + rain_l
        np.minimum(full, self.capacity_l, out=full)
        share = full / self.onset_l
        np.fmin(share, 1.0, out=share)  # 1 also where uptake does not fall
        share *= use_l
        np.minimum(share, full, out=share)
        full -= share
        return full


def deplete(
    water_l: ArrayLike,
    capacity_l: ArrayLike,
    use_l: ArrayLike,
    rain_l: ArrayLike,
    watered: ArrayLike,
    stress_from_share: ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One step of the water balance: rain and watering first, then use.

    Parameters
    ----------
    water_l : float array
        Usable water at the start.
    capacity_l : float array
        Usable water when full; what is over drains at once.
    use_l : float array
        Demand of the step, with water at will; below zero counts as none.
    rain_l : float array
        Water that reaches the pot.
    watered : bool array
        Watered until it ran through: full, whatever it was before.
    stress_from_share : float array
        See ``stress_factor``; with 0 use is full until nothing is left. Broadcast.

    Returns
    -------
    water_l, drained_l, use_l : float array
        At the end of the step; run out of the pot (of what was given by watering only what rain had
        put there before); taken up. Unknown use or rain makes the water unknown until the next
        watering.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: conservation of mass; FAO-56 eqs. 84 and 85 for a pot. Checked:
    tests/physics/test_pot_water.py.
    """
    capacity = as_float(capacity_l)
    before = as_float(water_l) + as_float(rain_l)
    drained = np.maximum(before - capacity, 0.0)
    full = np.where(np.asarray(watered, dtype=bool), capacity, before - drained)
    wanted = np.maximum(as_float(use_l), 0.0)
    taken = np.minimum(wanted * stress_factor(full, capacity, stress_from_share), full)
    return as_float(full - taken), as_float(drained), as_float(taken)


def run_balance(
    initial_l: ArrayLike,
    capacity_l: ArrayLike,
    use_l: ArrayLike,
    rain_l: ArrayLike,
    water_at: ArrayLike | None = None,
    stress_from_share: ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Run the water balance of pots through hours.

    Parameters
    ----------
    initial_l, capacity_l : float array
        Usable water at the start and when full, broadcasting to (..., T).
    use_l, rain_l : float array
        Hourly demand and rain that reaches the pot, broadcasting to (..., T, H).
    water_at : bool array, optional
        Hours in which it is watered through, broadcasting to (..., T, H).
    stress_from_share : float array
        See ``stress_factor``, broadcasting to (..., T).

    Returns
    -------
    water_l, drained_l, actual_use_l : float array, shape (..., T, H)
        Usable water at the end of each hour; run out; taken up. Without watering, initial + rain
        = final + drained + used, exactly. An unknown hour makes all later ones unknown until a
        watering.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: ``deplete`` hour by hour. Checked: tests/physics/test_pot_water.py.
    """
    start, capacity = as_float(initial_l)[..., np.newaxis], as_float(capacity_l)[..., np.newaxis]
    stress = as_float(stress_from_share)[..., np.newaxis]
    use, rain, start, capacity, stress, watered = np.broadcast_arrays(
        as_float(use_l),
        as_float(rain_l),
        start,
        capacity,
        stress,
        np.asarray(False if water_at is None else water_at, dtype=bool),
    )
    water, drained, taken = (np.empty(use.shape) for _ in range(3))
    now = as_float(start[..., 0])
    for hour in range(use.shape[-1]):
        at = (..., hour)
        now, drained[at], taken[at] = deplete(now, capacity[at], use[at], rain[at], watered[at], stress[at])
        water[at] = now
    return water, drained, taken
