"""From checked rows of garden.toml to places and trees, with what the size class fills in."""

from __future__ import annotations

from advisor.garden.model import Garden, Place, SunHours, Tree
from advisor.garden.sizing import DEFAULT_SUBSTRATE, PotWish, fill_crown, fill_pot, nearest_size
from advisor.garden.tables import Tables
from advisor.store.garden_rows import MONTHS, PlaceRow, PotRow, TreeRow

__all__ = ["place_from", "pot_wish", "tree_from"]


def place_from(row: PlaceRow, garden: Garden | None) -> Place:
    """Return the place that a row describes; hours of sun mean something only in a garden."""
    return Place(
        id=row.id,
        name=row.name or row.id.replace("-", " ").capitalize(),
        shade_fraction=row.shade_fraction,
        sky_view=row.sky_view,
        horizon_deg=tuple((azimuth, elevation) for azimuth, elevation in row.horizon),
        wind_shelter=row.wind_shelter,
        rain=row.rain,
        ground=row.ground,
        height_m=row.height_m,
        night_gain_c=row.night_gain_c,
        shelter_level=row.shelter_level,
        room=row.room,
        drip_l_per_h=row.drip_l_per_h,
        drip_minutes=row.drip_minutes,
        tray_l=row.tray_l,
        sun_hours=None if garden is None else _sun_hours(row, garden),
        thermometer=row.thermometer or "",
    )


def _sun_hours(row: PlaceRow, garden: Garden) -> SunHours | None:
    if row.sun is None or row.sun_in is None:
        return None
    return SunHours(
        from_time=row.sun[0],
        until_time=row.sun[1],
        month=MONTHS.index(row.sun_in) + 1,
        latitude_deg=garden.latitude_deg,
        longitude_deg=garden.longitude_deg,
        elevation_m=garden.elevation_m,
        timezone=garden.timezone,
    )


def pot_wish(pot: PotRow | None) -> PotWish:
    """Return what the grower wrote about the pot."""
    if pot is None:
        return PotWish()
    return PotWish(pot.shape, pot.length_cm, pot.width_cm, pot.depth_cm, pot.wall, pot.volume_l)


def tree_from(row: TreeRow, place_id: str, tables: Tables) -> Tree:
    """Return the tree that a row describes; ``defaulted`` names what rests on its class or group."""
    group = tables.group_of(row.species)
    if group is None:  # TreeRow lets only known species through
        raise KeyError(row.species)
    wish, defaulted = pot_wish(row.pot), set()
    size = row.size
    if size is None:
        defaulted.add("size")
        whole, _ = fill_pot(wish, next(iter(tables.sizes)), tables)
        size = nearest_size(whole.volume_l, tables)
    pot, from_class = fill_pot(wish, size, tables)
    crown_width_cm, crown_height_cm = (row.crown.width_cm, row.crown.height_cm) if row.crown else (None, None)
    crown, crown_from_class = fill_crown(crown_width_cm, crown_height_cm, size, tables)
    defaulted |= from_class | crown_from_class
    defaulted |= {key for key in ("place", "substrate") if getattr(row, key) is None}
    if row.species not in group.species:
        defaulted.add("species")
    return Tree(
        id=row.id,
        name=row.name or row.id.replace("-", " ").capitalize(),
        species_id=row.species,
        group_id=group.id,
        place_id=place_id,
        size=size,
        pot=pot,
        crown=crown,
        substrate=row.substrate or DEFAULT_SUBSTRATE,
        strength=row.strength,
        defaulted=frozenset(defaulted),
    )
