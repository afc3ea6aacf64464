"""Reading an exposure: hours of a span or local day, sun that counts, hours of direct sun."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.exposure.model import Exposure
from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.physics.missing import FloatArray, Reduced, as_float, reduce_over
from advisor.weather.table import stamp_of

__all__ = ["day_slice", "direct_sun_hours", "span_slice", "sun_on", "sun_share"]


def span_slice(exposure: Exposure, from_utc: datetime, until_utc: datetime) -> slice:
    """Return the hours that overlap [from, until) as a slice of the hour axis; empty outside the table."""
    hour = np.timedelta64(3600, "s")
    first = np.searchsorted(exposure.start_utc + hour, stamp_of(from_utc), side="right")
    last = np.searchsorted(exposure.start_utc, stamp_of(until_utc), side="left")
    return slice(int(first), max(int(first), int(last)))


def day_slice(exposure: Exposure, day: date, garden: Garden) -> slice:
    """Return the hours of a garden-local day, 23 or 25 of them when the clock changes."""
    midnight = datetime.combine(day, time(0), tzinfo=garden.zone)
    next_midnight = datetime.combine(day + timedelta(days=1), time(0), tzinfo=garden.zone)
    return span_slice(exposure, midnight, next_midnight)


def sun_on(exposure: Exposure, tables: Tables) -> NDArray[np.bool_]:
    """Tell where direct sun counts: the beam at right angles, after net and cloud, reaches its limit.

    Returns
    -------
    bool array, shape (T, H) or (M, T, H)
        False where the beam is unknown: ask ``sun_share`` where gaps matter.

    Source: WMO-No. 8, sunshine is direct irradiance above 120 W/m2.
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(sun_share(exposure, tables) > 0.0)


def sun_share(exposure: Exposure, tables: Tables) -> FloatArray:
    """Share of each hour with direct sun that counts; NaN where the beam is unknown.

    Returns
    -------
    float array, shape (T, H) or (M, T, H)
    """
    get = tables.physics.value
    limit, lowest_deg = get("sun.beam_limit_w_m2", "W/m2"), get("sun.lowest_elevation_deg", "deg")
    high = exposure.sun_elevation_deg > lowest_deg
    sine = np.sin(np.radians(np.where(high, exposure.sun_elevation_deg, 90.0)))
    share = exposure.direct_sun_share
    lit = high & (share > 0.0)
    beam_while_lit = exposure.sun_w_m2 / (sine * np.where(lit, share, 1.0))
    with np.errstate(invalid="ignore"):
        counts = np.where(lit & (beam_while_lit >= limit), share, 0.0)
    return as_float(np.where(lit & np.isnan(beam_while_lit), np.nan, counts))


def direct_sun_hours(
    exposure: Exposure,
    tree_id: str,
    from_utc: datetime,
    until_utc: datetime,
    tables: Tables,
    *,
    minimum_coverage: float = 1.0,
) -> Reduced:
    """Hours of direct sun that counts on one tree between two times.

    Parameters
    ----------
    exposure : Exposure
    tree_id : str
    from_utc, until_utc : datetime
        Aware; whole hours that overlap the span.
    tables : Tables
    minimum_coverage : float
        Share of the hours that must be known.

    Returns
    -------
    Reduced
        Hours, a single value or one for each member, and the share known. NaN outside the table.

    Raises
    ------
    ValueError
        No such tree.
    """
    hours = span_slice(exposure, from_utc, until_utc)
    share = sun_share(exposure, tables)[..., exposure.row(tree_id), hours]
    return reduce_over(share, "sum", minimum_coverage=minimum_coverage)
