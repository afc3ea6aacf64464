"""What the journal confirms: design rule, a confirmed measure silences the same hazard for five days."""

from datetime import UTC, datetime, timedelta

import pytest

from advisor.garden.model import Garden, Holdings, JournalEntry, Place
from advisor.service.evaluate import confirmed_measures
from advisor.store.config_files import load_tables

NOW = datetime(2026, 7, 14, 4, tzinfo=UTC)
PLACES = {
    "bench": Place("bench", "Bench"),
    "net": Place("net", "Net", shade_fraction=0.5, shelter_level=1),
    "shed": Place("shed", "Shed", shelter_level=4),
}


def holdings(*lines):
    entries = tuple(
        JournalEntry(NOW - timedelta(days=days), "ember", entry, amount, "", "", order, order)
        for order, (days, entry, amount) in enumerate(lines)
    )
    garden = Garden("Yard", 47.9, 8.2, 640.0, "Europe/Berlin")
    return Holdings(garden, PLACES, (), entries)


@pytest.mark.parametrize(
    ("lines", "hazards"),
    [
        ([(1, "moved", "net")], {"heat"}),
        ([(1, "moved", "shed")], {"frost", "gale", "hail"}),  # a roof alone may be hotter than the bench
        ([(1, "moved", "bench")], set()),  # carried out into the open answers nothing
        ([(2, "moved", "shed"), (1, "moved", "bench")], set()),
        ([(1, "shaded", 0.5)], {"heat"}),
        ([(2, "shaded", 0.5), (1, "unshaded", None)], set()),
        ([(6, "moved", "shed")], set()),  # older than five days
        ([(-1, "moved", "shed")], set()),  # not yet
    ],
)
def test_confirmed_measures_only_what_still_stands(lines, hazards):
    assert {
        hazard for hazard, tree in confirmed_measures(holdings(*lines), NOW, load_tables().limits)
    } == hazards
