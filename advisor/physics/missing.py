"""Missing data: the one place where arrays with gaps are reduced.

``(t > 10).sum()`` counts a gap as "not above ten". Here every reduction says what share of the
values it saw and gives NaN where that share is too small.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FloatArray",
    "How",
    "Reduced",
    "as_float",
    "covered",
    "hours_at_or_above",
    "longest_run",
    "reduce_over",
    "reduce_stretches",
]

How = Literal["sum", "mean", "max", "min"]
"""What a reduction gives."""

FloatArray = NDArray[np.float64]

_ROUNDING = 1e-9


def as_float(values: ArrayLike) -> FloatArray:
    """Return ``values`` as a float64 array; integers and lists are converted, NaN stays NaN."""
    return np.asarray(values, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Reduced:
    """A reduced value and how much it rests on.

    Attributes
    ----------
    value : float array
        NaN where the coverage was below the wanted minimum, or nothing was known.
    coverage : float array, same shape
        Share (0..1) of the reduced values, or of their weight, that was known.
    """

    value: FloatArray
    coverage: FloatArray


def reduce_over(
    values: ArrayLike,
    how: How,
    axis: int = -1,
    minimum_coverage: float = 1.0,
    weights: ArrayLike | None = None,
) -> Reduced:
    """Sum, mean, maximum or minimum along an axis, with the share of values known.

    Parameters
    ----------
    values : float array, shape (..., n, ...)
        NaN is missing.
    how : {"sum", "mean", "max", "min"}
        A sum over a partly known axis sums what is there; it is not scaled up.
    axis : int
        The axis that goes.
    minimum_coverage : float
        Share 0..1 that must be known; below it the value is NaN. Nothing known is always NaN.
    weights : float array, optional
        Broadcast to ``values``; for sum and mean only. Coverage is then the share of weight known.

    Returns
    -------
    Reduced
        Value and coverage without the axis.

    Raises
    ------
    ValueError
        Unknown ``how``; weights with max or min; shapes that cannot be broadcast.

    Source: definition. Checked: tests/physics/test_missing.py.
    """
    array = as_float(values)
    known = ~np.isnan(array)
    if weights is None:
        total = np.float64(array.shape[axis])
        seen = as_float(known.sum(axis=axis))
        weighed = array
    elif how in ("sum", "mean"):
        weight = np.broadcast_to(as_float(weights), array.shape)
        total = weight.sum(axis=axis)
        seen = np.where(known, weight, 0.0).sum(axis=axis)
        weighed = array * weight
    else:
        raise ValueError(f"weights mean nothing for {how!r}; leave them out")
    with np.errstate(invalid="ignore", divide="ignore"):
        coverage = np.where(total > 0.0, seen / total, 0.0)
        if how == "sum":
            value = np.where(known, weighed, 0.0).sum(axis=axis)
        elif how == "mean":
            value = np.where(known, weighed, 0.0).sum(axis=axis) / seen
        elif how == "max":
            value = np.where(known, array, -np.inf).max(axis=axis, initial=-np.inf)
        elif how == "min":
            value = np.where(known, array, np.inf).min(axis=axis, initial=np.inf)
        else:
            raise ValueError(f"how must be 'sum', 'mean', 'max' or 'min', not {how!r}")
    enough = (coverage >= minimum_coverage - _ROUNDING) & (seen > 0.0)
    return Reduced(np.where(enough, value, np.nan), as_float(coverage))


def reduce_stretches(
    values: ArrayLike,
    how: Literal["max", "min"],
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    minimum_coverage: float = 1.0,
) -> Reduced:
    """Maximum or minimum of many stretches of the last axis, each as ``reduce_over`` gives it, at once.

    Parameters
    ----------
    values : float array, shape (..., n)
        NaN is missing.
    how : {"max", "min"}
        What rounding cannot touch: a sum would hang on the order in which it is taken.
    first, last : integer array, shape (D,)
        Each stretch holds the rows from ``first`` to before ``last``; none is empty, and each begins at or
        after the end of the one before it.
    minimum_coverage : float
        Share 0..1 of a stretch that must be known; nothing known is always NaN.

    Returns
    -------
    Reduced
        Arrays of shape (..., D).

    Raises
    ------
    ValueError
        Stretches that are empty, overlap or reach beyond the axis.

    Source: definition. Checked: tests/physics/test_missing.py.
    """
    array = as_float(values)
    edges = np.stack([first, last], axis=-1).ravel()
    if not first.size:
        none = np.zeros((*array.shape[:-1], 0))
        return Reduced(none, none)
    if edges[0] < 0 or edges[-1] > array.shape[-1] or (last <= first).any() or (last[:-1] > first[1:]).any():
        raise ValueError("stretches must hold rows, follow one another and lie within the axis")
    known = ~np.isnan(array)
    fill, pick = (-np.inf, np.maximum) if how == "max" else (np.inf, np.minimum)
    # reduceat takes every other stretch from an end to the next beginning, and an end at the edge for granted
    edges = edges[:-1] if edges[-1] == array.shape[-1] else edges
    value = pick.reduceat(np.where(known, array, fill), edges, axis=-1)[..., ::2]
    seen = as_float(np.add.reduceat(known, edges, axis=-1, dtype=np.intp)[..., ::2])
    coverage = seen / as_float(last - first)
    enough = (coverage >= minimum_coverage - _ROUNDING) & (seen > 0.0)
    return Reduced(np.where(enough, value, np.nan), coverage)


def covered(values: ArrayLike, minimum_coverage: float = 1.0) -> bool:
    """Tell whether enough of a row of values is known for ``reduce_over`` to give a value.

    Parameters
    ----------
    values : float array, shape (n,)
        NaN is missing.
    minimum_coverage : float
        Share 0..1 that must be known; nothing known is never enough.

    Source: definition. Checked: tests/physics/test_missing.py.
    """
    array = as_float(values)
    seen = array.size - int(np.count_nonzero(np.isnan(array)))
    return seen > 0 and seen / array.size >= minimum_coverage - _ROUNDING


def hours_at_or_above(
    values: ArrayLike, limit: ArrayLike, axis: int = -1, minimum_coverage: float = 1.0
) -> Reduced:
    """Count the hours in which a value reaches its limit.

    Parameters
    ----------
    values, limit : float array
        Broadcast against each other; NaN in either makes the hour unknown. For "at or below" pass
        both with the sign turned.
    axis : int
        The hour axis.
    minimum_coverage : float
        Share of hours that must be known.

    Returns
    -------
    Reduced
        Hours (of the hours known), and the share known.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: definition. Checked: tests/physics/test_missing.py.
    """
    value, threshold = np.broadcast_arrays(as_float(values), as_float(limit))
    with np.errstate(invalid="ignore"):
        reached = (value >= threshold).astype(np.float64)
    flags = np.where(np.isnan(value) | np.isnan(threshold), np.nan, reached)
    return reduce_over(flags, "sum", axis=axis, minimum_coverage=minimum_coverage)


def longest_run(mask_values: ArrayLike, axis: int = -1, minimum_coverage: float = 1.0) -> Reduced:
    """Longest unbroken run of true values.

    Parameters
    ----------
    mask_values : float array
        0 is false, NaN is unknown, anything else is true.
    axis : int
        The axis along which runs are counted.
    minimum_coverage : float
        Share that must be known.

    Returns
    -------
    Reduced
        Length of the longest run. NaN breaks a run, so with a coverage below one the length is a
        lower bound.

    Raises
    ------
    ValueError
        The array has no axis.

    Source: definition. Checked: tests/physics/test_missing.py.
    """
    mask = as_float(mask_values)
    if mask.ndim == 0:
        raise ValueError("a run needs an axis; got a single value")
    mask = np.moveaxis(mask, axis, -1)
    true = (mask != 0.0) & ~np.isnan(mask)
    position = np.arange(mask.shape[-1])
    last_break = np.maximum.accumulate(np.where(true, -1, position), axis=-1)
    longest = (position - last_break).max(axis=-1, initial=0).astype(np.float64)
    coverage = reduce_over(mask, "sum", minimum_coverage=0.0).coverage
    enough = (coverage >= minimum_coverage - _ROUNDING) & (coverage > 0.0)
    return Reduced(np.where(enough, longest, np.nan), coverage)
