"""The three files of a new garden, with comments, for ``advisor start DIR``."""

from __future__ import annotations

from pathlib import Path

from advisor.errors import SettingsError, StoreError
from advisor.store.atomic_files import write_atomically
from advisor.store.journal_files import HEADER

__all__ = ["write_starter"]

_GARDEN = """\
# Your garden. Everything with a # before it may be left out.

[garden]
name = "My garden"
latitude = 47.5                # degrees north; south is negative
longitude = 8.5                # degrees east; west is negative
elevation_m = 400
timezone = "Europe/Zurich"     # IANA name
# units = "metric"             # or "us": what is shown; this file stays metric
# watering_times = ["07:00", "13:00", "19:00"]
# working_hours = ["08:00", "18:00"]

[[place]]
id = "bench"
name = "Bench"
# shade_fraction = 0.0         # share of sunlight a net or roof takes away
# sky_view = 0.8               # share of the sky seen
# horizon = [[90, 20], [180, 10], [270, 35]]   # azimuth from north, height below which the sun is hidden
# wind_shelter = 0.2           # share of the wind taken away
# rain = "open"                # or "covered"
# ground = "gravel"            # gravel, paving, grass, boards
# height_m = 0.8
# shelter_level = 0            # 0 open bench, 1 under a net, 2 by a wall, 3 roofed, 4 shed, 5 frost-free room
# room = 12                    # pots it can hold

# A tree needs an id, a species and a size; exact measures win over the size class.
[[tree]]
id = "first"
name = "First"
species = "acer-palmatum"      # botanical name, genus or genus-species
size = "shohin"                # mame, shohin-small, shohin, kifu, chuhin, chuhin-large, large
# place = "bench"
# strength = 4                 # 1 weak to 5 strong
# pot = { shape = "oval", length_cm = 34, width_cm = 26, depth_cm = 7, wall = "glazed-dark" }
# substrate = "akadama-pumice-lava"
# crown = { width_cm = 45, height_cm = 38 }
"""
_SERVICE = """\
# How the advisor works. Without [mail] the messages are written to state/mail.

[weather]
forecast = ["open-meteo"]
contact = ""                   # your mail address: goes into the request so that the service can reach you

# [mail]
# host = "mail.example.org"
# port = 465
# security = "tls"             # tls, starttls; plain only to this machine
# username = "advisor"
# password_file = "smtp-password"   # a file beside this one, chmod 600
# sender = "advisor@example.org"
# recipients = ["grower@example.org"]

[digest]
at = "06:00"

[alerts]
quiet_from = "22:00"
quiet_until = "06:00"
caution = "even"               # cautious, even, bold

[state]
folder = "state"
"""


def write_starter(folder: Path) -> tuple[Path, ...]:
    """Write garden.toml, service.toml and journal.csv; return their paths.

    Raises
    ------
    SettingsError
        One of them is there already; then nothing is written.
    """
    files = {"garden.toml": _GARDEN, "service.toml": _SERVICE, "journal.csv": HEADER + "\n"}
    there = [name for name in files if (folder / name).exists()]
    if there:
        raise SettingsError(f"{folder} has {', '.join(there)} already; nothing was written; name another folder")
    made: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            write_atomically(folder / name, text.encode())
            made.append(folder / name)
    except (OSError, StoreError) as error:
        for path in made:
            path.unlink(missing_ok=True)
        raise StoreError(f"{folder} cannot be written: {error}") from error
    return tuple(made)
