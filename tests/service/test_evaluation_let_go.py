"""A process that makes pass after pass holds no evaluation that is done with."""

from __future__ import annotations

import gc
import weakref
from datetime import UTC, datetime

from advice.placing_builders import ZONE, holdings, tables, weather
from advice.test_told_moves import told_of

from advisor.advice.work import judge
from advisor.message.calendar import calendar_bytes
from advisor.service.compose import digest_input
from advisor.service.evaluate import AlertSettings, evaluate

NOW = datetime(2026, 7, 11, 6, tzinfo=ZONE)


def test_weather_and_pots_of_a_pass_are_gone_with_its_evaluation() -> None:
    """Reference counts alone, without the search for rings, which may come many passes later."""
    case = {
        "now": NOW,
        "places": ["bench", "net", "wall"],
        "trees": [
            {"id": one, "species": species, "volume_l": 1.2}
            for one, species in (("sorrel", "acer-palmatum"), ("tansy", "fagus"), ("larkin", "acer-palmatum"))
        ],
        "journal": [[9, "tansy", "defoliated"], [20, "larkin", "repotted"]],
        "told": [{"tree": "sorrel", "from": "bench", "to": "net", "kind": "shade", "before_d": 2}],
    }
    hot = weather([{"from": -9, "to": 8, "high_c": 34.0, "low_c": 19.0, "dew_c": 8.0}], NOW)
    gc.collect()
    gc.disable()
    try:
        found = evaluate(
            holdings(case), tables(), hot, NOW.astimezone(UTC), AlertSettings(), told_moves=told_of(case)
        )
        calendar = calendar_bytes(digest_input(found, (), ()))
        asked = judge(found.situation, "big-cut", "tansy", found.situation.day)
        exposure = found.situation.exposure
        assert exposure is not None
        core_c = exposure.pot_core_c
        pots = weakref.ref(core_c if core_c.base is None else core_c.base)
        del found, exposure, core_c
        assert calendar
        assert asked.checks
        assert pots() is None
    finally:
        gc.enable()
