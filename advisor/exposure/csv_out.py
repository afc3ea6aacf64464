"""The exposure of one tree as CSV (RFC 4180): one line an hour, an empty field where nothing is known."""

from __future__ import annotations

import re

import numpy as np

from advisor.exposure.model import HOURLY, Exposure
from advisor.physics.missing import FloatArray

__all__ = ["exposure_csv"]

DECIMALS = {"water_use_l": 4, "water_left_share": 4, "direct_sun_share": 3, "vpd_kpa": 3}
"""Digits after the point where two are not enough."""
_SIGN_ON_ZERO = re.compile(r",-(?=0\.0+[,\r])")


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
    arrays: list[FloatArray] = [getattr(exposure, name) for name in HOURLY]
    values = [array[row, hours] if member is None else array[member, row, hours] for array in arrays]
    line = ",".join(f"%.{DECIMALS.get(name, 2)}f" for name in HOURLY)
    stamps = np.datetime_as_string(exposure.start_utc[hours], unit="s").tolist()
    # one format over all hours: a call for each number takes several times as long
    lines = "".join(f"{stamp}Z,{line}\r\n" for stamp in stamps)
    text = lines % tuple(np.stack(values, axis=-1).ravel().tolist())
    head = ",".join(("start_utc", *HOURLY)) + "\r\n" if header else ""
    return head + _SIGN_ON_ZERO.sub(",", text.replace("nan", ""))
