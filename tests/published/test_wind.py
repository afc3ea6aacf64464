"""Wind profile against FAO-56 and the ASCE example."""

from __future__ import annotations

import numpy as np
import pytest
from published.reading import load

from advisor.physics.wind import wind_at_height_m_s

EXAMPLE = load("fao56_examples.json")["examples"]


@pytest.mark.parametrize("name", ["14", "18"])
def test_wind_at_two_metres_fao_examples(name: str) -> None:
    example = EXAMPLE[name]
    assert wind_at_height_m_s(example["u10"], 10) == pytest.approx(example["u2"][0], abs=example["u2"][1])


def test_wind_factor_of_the_asce_example() -> None:
    """Printed in ASCE-EWRI 2005 appendix C for an anemometer at 3 m: 0.921."""
    assert wind_at_height_m_s(1.0, 3.0) == pytest.approx(0.921, abs=0.0005)


def test_wind_there_and_back_is_unchanged() -> None:
    at_pot = wind_at_height_m_s(4.0, 10.0, 0.8)
    np.testing.assert_allclose(wind_at_height_m_s(at_pot, 0.8, 10.0), 4.0)
    assert at_pot < wind_at_height_m_s(4.0, 10.0)
