"""A weather station: where it stands, and how well it stands for a garden."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Station"]


@dataclass(frozen=True, slots=True)
class Station:
    """A station near the garden.

    Attributes
    ----------
    id : str
        Identifier of the service that publishes its record; letters, digits and hyphens.
    name : str
        For the grower.
    latitude_deg, longitude_deg : float
        North and east positive.
    elevation_m : float
        Above sea level.
    distance_km : float
        From the garden; 0 where unknown (a grower's own record).
    height_difference_m : float
        Station minus garden, positive where the station stands higher.
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    distance_km: float = 0.0
    height_difference_m: float = 0.0
