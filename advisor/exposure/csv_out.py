"""The exposure of one tree as CSV (RFC 4180): one line an hour, an empty field where nothing is known."""

from __future__ import annotations

import csv
import io
import math

import numpy as np

from advisor.exposure.model import HOURLY, Exposure
from advisor.physics.missing import FloatArray

__all__ = ["exposure_csv"]

DECIMALS = {"water_use_l": 4, "water_left_share": 4, "direct_sun_share": 3, "vpd_kpa": 3}
"""Digits after the point where two are not enough."""


def exposure_csv(
    exposure: Exposure,
    tree_id: str,
    member: int | None = None,
    *,
    hours: slice = slice(None),
    header: bool = True,
) -> str:
    """Write the hours of one tree.

    Parameters
    ----------
    exposure : Exposure
    tree_id : str
    member : int, optional
        Row of the member axis; required of an exposure with members, refused otherwise.
    hours : slice
        Rows wanted, all unless told.
    header : bool
        False leaves the first line out, for appending.

    Returns
    -------
    str
        A header and a line for each hour [start, start + 1 h), ``start_utc`` as ``YYYY-MM-DDTHH:MM:SSZ``.

    Raises
    ------
    ValueError
        No such tree; ``member`` does not fit.
    """
    has_members = exposure.water_use_l.ndim == 3
    if has_members != (member is not None):
        raise ValueError("name a member of an exposure with members, and none of one without")
    row = exposure.row(tree_id)
    columns: list[list[str]] = []
    for name in HOURLY:
        array: FloatArray = getattr(exposure, name)
        values = array[row, hours] if member is None else array[member, row, hours]
        decimals = DECIMALS.get(name, 2)
        columns.append([_text(value, decimals) for value in values.tolist()])
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    if header:
        writer.writerow(("start_utc", *HOURLY))
    stamps = np.datetime_as_string(exposure.start_utc[hours], unit="s").tolist()
    writer.writerows(zip((f"{stamp}Z" for stamp in stamps), *columns, strict=True))
    return out.getvalue()


def _text(value: float, decimals: int) -> str:
    """Return a number without a sign on zero, or nothing for a missing one."""
    if math.isnan(value):
        return ""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text
