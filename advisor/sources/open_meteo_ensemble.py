"""Ensemble members from Open-Meteo: one named model, so that the spread means the same every day.

Source: https://open-meteo.com/en/docs/ensemble-api. The control run has the plain name, the others
``_member01`` and so on; the service may append the name of the model.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from advisor.sources.budget import Budget
from advisor.sources.columns import column, converted, placed, refuse
from advisor.sources.http import HttpClient
from advisor.sources.model import Foreign, Site
from advisor.sources.open_meteo import (
    ATTRIBUTION,
    ID,
    VARIABLES_ASKED,
    call_weight,
    check_json,
    hourly_block,
    query_of,
)
from advisor.weather.members import Ensemble
from advisor.weather.quality import in_range
from advisor.weather.table import FloatArray

__all__ = [
    "DAYS",
    "ENSEMBLE_URL",
    "MEMBERS",
    "MEMBERS_ASKED",
    "MODEL",
    "FetchedEnsemble",
    "fetch_ensemble",
    "parse_ensemble",
]

ENSEMBLE_URL = "https://ensemble-api.open-meteo.com"
MODEL = "ncep_gefs_seamless"
"""Covers the whole world for more than ten days, with radiation, gusts and cloud (the service's docs)."""
MEMBERS = 31
DAYS = 10
_ASKED = (
    "temperature_2m", "relative_humidity_2m", "precipitation", "cloud_cover", "wind_speed_10m",
    "wind_gusts_10m", "shortwave_radiation",
)  # fmt: skip
MEMBERS_ASKED: tuple[Foreign, ...] = tuple(one for one in VARIABLES_ASKED if one.name in _ASKED)


@dataclass(frozen=True, slots=True)
class FetchedEnsemble:
    """A fetched ensemble: the members, the body as it came, and what the call counts."""

    ensemble: Ensemble
    body: bytes
    weight: float


def fetch_ensemble(
    client: HttpClient,
    site: Site,
    now_utc: datetime,
    budget: Budget,
    *,
    base_url: str = ENSEMBLE_URL,
    days: int = DAYS,
) -> FetchedEnsemble:
    """Fetch the members for ``site``, from 00 UTC today on.

    Raises
    ------
    SourceError
        No usable answer.
    """
    query = query_of(site, MEMBERS_ASKED, 0, days)
    query["models"] = MODEL
    reply = client.get(
        f"{base_url.rstrip('/')}/v1/ensemble",
        query,
        source=f"{ID}-ensemble",
        budget=budget,
        now_utc=now_utc,
        check=check_json(now_utc),
    )
    ensemble = parse_ensemble(reply.body, now_utc)
    weight = call_weight(len(MEMBERS_ASKED), MEMBERS, int(query["forecast_days"]))
    return FetchedEnsemble(ensemble, reply.body, weight)


def parse_ensemble(body: bytes, fetched_at_utc: datetime) -> Ensemble:
    """Return the members of an ensemble reply.

    A variable counts only if it has the same members as the air temperature; the others are listed in
    ``derived``.

    Raises
    ------
    SourceError
        The structure is wrong, or there are not two members of the air temperature.
    """
    axis, units, hourly = hourly_block(body)
    first = MEMBERS_ASKED[0]
    suffix, keys = _members_of(first.name, hourly, None)
    if len(keys) < 2:
        refuse(ID, f"there are no members of {first.name} in it")
    members: dict[str, FloatArray] = {}
    notes: list[str] = []
    lacking: list[str] = []
    for variable in MEMBERS_ASKED:
        own = _members_of(variable.name, hourly, suffix)[1]
        array = _stack(variable, own, units, hourly, axis.size) if own.keys() == keys.keys() else None
        if array is None or not bool(np.isfinite(array).any()):
            lacking.append(variable.ours)
            continue
        members[variable.ours], note = in_range(variable.ours, placed(variable, array))
        notes += [f"members: {note}"] if note else []
    if first.ours not in members:
        refuse(ID, f"its members have no {first.name}")
    return Ensemble(
        start_utc=axis,
        members=members,
        model=suffix or MODEL,
        fetched_at_utc=fetched_at_utc,
        derived=tuple(lacking),
        attribution=(ATTRIBUTION,),
        notes=tuple(notes),
    )


def _members_of(name: str, hourly: Mapping[str, Any], suffix: str | None) -> tuple[str, dict[int, str]]:
    """Return the model's name and its columns by member number, 0 for the control run.

    ``suffix`` None takes the first model that has numbered members.
    """
    pattern = re.compile(rf"{re.escape(name)}(?:_member(\d{{1,3}}))?(?:_([a-z][a-z0-9_]*))?")
    found: dict[str, dict[int, str]] = {}
    for key in hourly:
        match = pattern.fullmatch(key)
        if match and not (match[1] is None and (match[2] or "").startswith("member")):
            found.setdefault(match[2] or "", {})[int(match[1] or 0)] = key
    if suffix is None:
        suffix = next((model for model, keys in found.items() if len(keys) > 1), "")
    return suffix, found.get(suffix, {})


def _stack(
    variable: Foreign,
    keys: Mapping[int, str],
    units: Mapping[str, Any],
    hourly: Mapping[str, Any],
    hours: int,
) -> FloatArray | None:
    """Return (M, H) in our unit, in the order of the member numbers; None where undefined."""
    rows = []
    for number in sorted(keys):
        key = keys[number]
        row = converted(ID, variable, units.get(key), column(ID, key, hourly[key], hours))
        if row is None:
            return None
        rows.append(row)
    return np.stack(rows)
