"""Pots run side by side warm and cool as each does alone."""

from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.pot_heat import pot_thermal, simulate_pot_temperature
from advisor.service.sensitivity_pots import PotRuns, PotsWanted

HOURS = 72


def pots(absorptance: float):
    return pot_thermal(
        np.array([0.5, 6.0]),
        np.array([4.5, 7.0]),
        wall_absorptance=np.full(2, absorptance),
        wall_resistance_m2k_w=np.full(2, 0.012),
        wall_wetness=np.zeros(2),
        solid_fraction=np.full(2, 0.3),
        solid_heat_capacity_mj_m3_k=np.full(2, 2.05),
        conductivity_w_m_k=np.full(2, 0.5),
        water_share=np.full(2, 0.32),
    )


def call(run, absorptance: float, colder: float = 0.0, **options):
    """Three days from hot sun to a night of frost, with two hours unknown."""
    hour = np.arange(HOURS)
    sun = np.maximum(np.sin((hour - 6) * np.pi / 12), 0.0)
    air = np.where(hour == 30, np.nan, 8.0 - colder - hour / 6.0 + 12.0 * sun)[np.newaxis, np.newaxis]
    options.setdefault("substeps", 2)
    return run(
        pots(absorptance),
        np.broadcast_to(air, (1, 2, HOURS)),
        np.full((1, 2, HOURS), 0.8),
        np.full((1, 2, HOURS), 1.5),
        700.0 * sun[np.newaxis, np.newaxis],
        90.0 * sun[np.newaxis, np.newaxis],
        (90.0 + 600.0 * sun) * (sun > 0),
        60.0 * sun,
        np.full((1, 2, HOURS), 280.0),
        np.array([[8.0], [3.0]]),
        side_lit_share=0.7,
        top_cover_share=np.array([[0.5], [0.2]]),
        theta=np.full((1, 2, HOURS), 0.3),
        **options,
    )


VARIANTS = [(0.85, 0.0, {}), (0.4, 0.0, {}), (0.85, 6.0, {}), (0.85, 0.0, {"emissivity": 0.9})]


def test_pots_side_by_side_come_out_as_each_alone():
    runs = PotRuns()
    runs.gathering = True
    for absorptance, colder, options in VARIANTS:
        with pytest.raises(PotsWanted):
            call(runs, absorptance, colder, **options)
    runs.gathering = False
    runs.run_wanted()
    for absorptance, colder, options in VARIANTS:
        alone = call(simulate_pot_temperature, absorptance, colder, **options)
        found = call(runs, absorptance, colder, **options)
        for name in ("rim_sunlit_c", "rim_shaded_c", "core_c"):
            assert getattr(found, name).shape == getattr(alone, name).shape
            np.testing.assert_allclose(getattr(found, name), getattr(alone, name), atol=1e-6, err_msg=name)
    assert np.nanmin(alone.core_c) < 0.0 < np.nanmax(alone.core_c), "both sides of freezing were tried"


def test_what_was_kept_is_not_run_again():
    runs = PotRuns()
    first = call(runs, 0.85)
    runs.keep()
    runs.gathering = True
    assert call(runs, 0.85) is first
    with pytest.raises(PotsWanted):
        call(runs, 0.84)
