"""Pot and crown of a tree from what the grower wrote and its size class.

Exact values win; the class fills the rest, in proportion. What rests on the class is named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from advisor.garden.model import Crown, Pot
from advisor.garden.tables import Tables

__all__ = [
    "DEFAULT_SHAPE",
    "DEFAULT_SUBSTRATE",
    "DEFAULT_WALL",
    "PotWish",
    "fill_crown",
    "fill_pot",
    "nearest_size",
]

DEFAULT_SHAPE = "rectangle"
DEFAULT_WALL = "unglazed"
DEFAULT_SUBSTRATE = "akadama-pumice-lava"
"""Ids in config/materials.toml, used where the grower left the key out."""

CM3_PER_L = 1000.0


@dataclass(frozen=True, slots=True)
class PotWish:
    """What the grower wrote about the pot; None where nothing."""

    shape: str | None = None
    length_cm: float | None = None
    width_cm: float | None = None
    depth_cm: float | None = None
    wall: str | None = None
    volume_l: float | None = None

    def complete_without_size(self, tables: Tables) -> bool:
        """Return True if the volume follows from what is written."""
        even = "width_per_length" in tables.shapes[self.shape or DEFAULT_SHAPE]
        sides = self.length_cm is not None and (self.width_cm is not None or even)
        return self.volume_l is not None or (sides and self.depth_cm is not None)


def nearest_size(volume_l: float, tables: Tables) -> str:
    """Return the size class whose pot volume is nearest to ``volume_l``, by ratio."""
    return min(
        tables.sizes, key=lambda size: abs(math.log(tables.sizes[size].value("volume_l", "l") / volume_l))
    )


def fill_pot(wish: PotWish, size: str, tables: Tables) -> tuple[Pot, frozenset[str]]:
    """Return the pot, and the keys that rest on the class (``pot.depth_cm`` ...).

    Volume is length x width x depth x fill share of the shape; a volume that is given wins, and sides
    that are not given are scaled to it in the proportions of the class.

    Source: pot classes of the trade (common practice), config/sizes.toml and materials.toml.
    """
    shape = wish.shape or DEFAULT_SHAPE
    row, sides_row = tables.shapes[shape], tables.sizes[size]
    share = row.value("fill_share", "share")
    usual = {side: sides_row.value(f"pot_{side}_cm", "cm") for side in ("length", "width", "depth")}
    if "width_per_length" in row:
        usual["width"] = usual["length"] * row.value("width_per_length", "1")
    given = {
        side: value
        for side, value in (("length", wish.length_cm), ("width", wish.width_cm), ("depth", wish.depth_cm))
        if value is not None
    }
    absent = [side for side in usual if side not in given]
    defaulted = {f"pot.{side}_cm" for side in absent}
    sides = dict(given)
    if wish.volume_l is not None and absent:
        product = math.prod(given.values()) * math.prod(usual[side] for side in absent)
        scale = (wish.volume_l * CM3_PER_L / (share * product)) ** (1.0 / len(absent))
        sides |= {side: usual[side] * scale for side in absent}
    else:
        scale = given["length"] / usual["length"] if "length" in given else 1.0
        if "length" not in given and "width" in given:
            scale = given["width"] / usual["width"]
        for side in absent:
            sides[side] = usual[side] * (1.0 if side == "depth" else scale)
    if wish.volume_l is not None:
        volume_l = wish.volume_l
    elif given:
        volume_l = share * math.prod(sides.values()) / CM3_PER_L
    else:
        volume_l = sides_row.value("volume_l", "l")
    if wish.volume_l is None and absent:
        defaulted.add("pot.volume_l")
    defaulted |= {f"pot.{key}" for key in ("shape", "wall") if getattr(wish, key) is None}
    if wish == PotWish():
        defaulted.add("pot")
    pot = Pot(volume_l, sides["length"], sides["width"], sides["depth"], shape, wish.wall or DEFAULT_WALL)
    return pot, frozenset(defaulted)


def fill_crown(
    width_cm: float | None, height_cm: float | None, size: str, tables: Tables
) -> tuple[Crown, frozenset[str]]:
    """Return the crown, and the keys that rest on the class; a missing side keeps the class's proportion."""
    row = tables.sizes[size]
    usual_width, usual_height = row.value("crown_width_cm", "cm"), row.value("crown_height_cm", "cm")
    defaulted = set()
    if width_cm is None:
        defaulted.add("crown.width_cm")
    if height_cm is None:
        defaulted.add("crown.height_cm")
    if len(defaulted) == 2:
        return Crown(usual_width, usual_height), frozenset(defaulted | {"crown"})
    width = width_cm if width_cm is not None else usual_width * (height_cm or usual_height) / usual_height
    height = height_cm if height_cm is not None else usual_height * width / usual_width
    return Crown(width, height), frozenset(defaulted)
