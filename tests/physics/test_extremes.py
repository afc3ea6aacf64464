"""Every public formula at the ends of the earth: calm air, polar day and night, the south, 2 000 m.

The rows are those of the NaN table, which is held against ``__all__`` of every module. A formula must give
finite numbers there, or say that it cannot know (NaN) where the list below says why; it never warns, because
warnings are errors in these tests.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from typing import Any

import numpy as np
import pytest
from physics.test_nan_table import ROWS, Row, label, outputs, public_functions

import advisor.physics

JUNE = np.datetime64("2024-06-21T09:00", "s") + np.arange(6) * np.timedelta64(1, "h")
EXTREMES: dict[str, dict[str, float]] = {
    "calm": {"wind_speed_m_s": 0.0, "wind_speed_10m_m_s": 0.0, "wind_speed_2m_m_s": 0.0, "wind_m_s": 0.0},
    "polar-day": {"latitude_deg": 78.0},
    "polar-night": {"latitude_deg": -78.0},
    "south": {"latitude_deg": -34.0},
    "2000-m": {"elevation_m": 2000.0, "pressure_kpa": 79.5, "pressure_hpa": 795.0},
}
"""Arguments by name, and what they become; the hours are those of 21 June, when it is night at 78° S.

795 hPa at 2 000 m: FAO-56 Annex 2, table 2.1 (79.8 kPa there for 20 °C).
"""
UNKNOWN = {
    ("polar-night", "cloudiness_factor"): "no sun from which to tell the cloud",
    ("polar-night", "reference_et_hourly_mm"): "asks that, where it is not given the cloudiness",
    ("polar-night", "reference_et_daily_mm"): "its docstring: Rs/Rso has no meaning then",
}


def put(row: Row, changes: dict[str, float]) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """The arguments of a row with those of an extreme; None where it has none of them."""
    data, fixed = dict(row.data), dict(row.fixed)
    named = set(changes) & ({*data, *fixed})
    if not named:
        return None
    for name in named:
        if name in data:
            data[name] = np.full_like(data[name], changes[name], dtype=np.float64)
        else:
            fixed[name] = changes[name]
    return data, fixed


CASES = [(extreme, row) for extreme, changes in EXTREMES.items() for row in ROWS if put(row, changes)]


@pytest.mark.parametrize(("extreme", "row"), CASES, ids=[f"{extreme}-{label(row)}" for extreme, row in CASES])
def test_formula_holds_at_the_extreme(extreme: str, row: Row) -> None:
    given = put(row, EXTREMES[extreme])
    assert given is not None
    found = outputs(row.function(**given[0], **given[1]))
    unknown = (extreme, row.function.__name__) in UNKNOWN
    for values in found:
        assert np.asarray(values).dtype == np.float64
        assert np.isfinite(values).all() != unknown


@pytest.mark.parametrize("extreme", EXTREMES)
def test_each_extreme_reaches_some_formula(extreme: str) -> None:
    assert len([each for each, _ in CASES if each == extreme]) >= 3


def test_polar_days_and_nights_are_as_long_as_they_are() -> None:
    """Beyond the polar circles the sun does not set or does not rise: 24 h and 0 h (definition)."""
    from advisor.physics.radiation import extraterrestrial_daily_mj_m2
    from advisor.physics.sun import day_length_h

    np.testing.assert_allclose(day_length_h([78.0, -78.0], [172.0, 172.0]), [24.0, 0.0], atol=1e-9)
    day, night = extraterrestrial_daily_mj_m2([78.0, -78.0], [172.0, 172.0])
    assert day > 35.0
    assert night == 0.0


def test_every_public_name_stands_in_all() -> None:
    """A function without an underscore that ``__all__`` forgets would be missed by the tables."""
    listed = public_functions()
    for info in pkgutil.iter_modules(advisor.physics.__path__):
        module = importlib.import_module(f"advisor.physics.{info.name}")
        for name, value in vars(module).items():
            if inspect.isfunction(value) and value.__module__ == module.__name__ and not name.startswith("_"):
                assert (module.__name__, name) in listed, f"{module.__name__}.{name}"
