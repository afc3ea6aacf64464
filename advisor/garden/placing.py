"""Where a tree stands, since when, and how much light it comes into when that changes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from advisor.garden.model import Place
from advisor.units import NumberTable

__all__ = ["Stand"]


class Stand:
    """Place of one tree and the net over it.

    Attributes
    ----------
    place_id : str
    place_since : date or None
        None: from before the first move.
    extra_shade : float
        Share of sun that a net over this very tree takes away.
    """

    def __init__(self, place_id: str, places: Mapping[str, Place], numbers: NumberTable) -> None:
        self._places, self._numbers = places, numbers
        self._net_since: date | None = None
        self.place_id = place_id
        self.place_since: date | None = None
        self.extra_shade = 0.0

    def known(self, place_id: str) -> bool:
        """True for a place of the garden; any, where the places are not given."""
        return not self._places or place_id in self._places

    def is_store(self, place_id: str) -> bool:
        """True for a shed, garage or frost-free room. Levels: config/phenology.toml, [store]."""
        place = self._places.get(place_id)
        return place is not None and place.shelter_level >= self._numbers.value("store.level", "count")

    @property
    def in_store(self) -> bool:
        """True while the tree is in store."""
        return self.is_store(self.place_id)

    def _shade(self) -> float:
        place = self._places.get(self.place_id)
        light = 1.0 - (place.shade_fraction if place is not None else 0.0)
        return 1.0 - light * (1.0 - self.extra_shade)

    def _into_light(self, before: float, since: date | None, day: date) -> bool:
        """True when a long stay in deep shade ends; a stay of unknown length counts as long."""
        value = self._numbers.value
        long = since is None or (day - since).days >= value("store.deep_shade_stay_d", "d")
        deep = before >= value("store.deep_shade_share", "share")
        return long and deep and before - self._shade() >= value("store.less_shade_share", "share")

    def move(self, place_id: str, day: date) -> bool:
        """Move on ``day``; return True when that is out of a long stay in deep shade."""
        before, since = self._shade(), self.place_since
        self.place_id, self.place_since = place_id, day
        return self._into_light(before, since, day)

    def shade(self, share: float | None, day: date) -> None:
        """Put a net over the tree; without a share the usual one."""
        usual = self._numbers.value("shaded.default_share", "share")
        self.extra_shade = usual if share is None else min(max(share, 0.0), 1.0)
        self._net_since = self._net_since or day

    def unshade(self, day: date) -> bool:
        """Take the net away; return True when that ends a long stay in deep shade."""
        before, since = self._shade(), self._net_since
        self.extra_shade, self._net_since = 0.0, None
        return since is not None and self._into_light(before, since, day)
