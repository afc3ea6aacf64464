"""The three files of a new garden folder, with comments, ready to be edited."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from advisor.errors import SettingsError, StoreError
from advisor.store.atomic_files import fsync_folder
from advisor.store.garden_files import GARDEN_FILE
from advisor.store.journal_files import HEADER, JOURNAL_FILE
from advisor.store.service_files import SERVICE_FILE

__all__ = ["STARTER_FILES", "write_starter"]

_GARDEN = """\
# Your garden. Change what stands here to your own, then run: advisor check
# Everything is metric in this file; units = "us" changes only what is shown.

[garden]
name = "My garden"
latitude = 47.91                    # degrees, north positive       <- yours
longitude = 8.24                    # degrees, east positive        <- yours
elevation_m = 640                   # metres above sea level        <- yours
timezone = "Europe/Berlin"          # IANA name                     <- yours
units = "metric"                    # or "us"
watering_times = ["07:00", "19:00"] # when somebody can water
working_hours = ["08:00", "18:00"]  # when you work on trees
works_per_day = 2                   # trees a day for major work, for `advisor plan`
# former_trees = ["old-elm"]        # no longer yours, still in the journal

# [practice]                        # where growers disagree; left out, the careful side counts
# big_cuts = "both"                 # or "summer", "late-winter"; all eight settings: README

# Where pots stand. A tree without a place stands on the first one.

[[place]]
id = "south-bench"                  # lower-case letters, digits, hyphens
name = "South bench"
shade_fraction = 0.0                # share of sunlight a net or roof takes away
sky_view = 0.8                      # share of the sky dome seen, 0..1
horizon = [[90, 20], [180, 10], [270, 35]]  # azimuth from north clockwise, height of what hides the sun
wind_shelter = 0.2                  # share of the wind taken away
rain = "open"                       # or "covered"
ground = "gravel"                   # gravel, paving, grass, boards
height_m = 0.8                      # of the pots above ground
night_gain_c = 0.0                  # warmer than the open bench on a clear night
shelter_level = 0                   # 0 open, 1 net, 2 under bench or by a wall, 3 roof, 4 shed, 5 frost-free
room = 24                           # pots it can hold

# [[place]]
# id = "shed"
# rain = "covered"
# sky_view = 0.0
# shelter_level = 4
# room = 10

# Your trees. id, species and size are enough; the rest has a default by size class.
# Sizes: mame, shohin-small, shohin, kifu, chuhin, chuhin-large, large.
# Species: botanical, genus or genus and species: acer-palmatum, juniperus, ulmus-parvifolia ...

[[tree]]
id = "first"
species = "acer-palmatum"
size = "shohin"

# [[tree]]
# id = "ember"
# name = "Ember"
# species = "acer-palmatum"
# place = "south-bench"
# size = "shohin"
# pot = { shape = "oval", length_cm = 34, width_cm = 26, depth_cm = 7, wall = "glazed-dark" }
# substrate = "akadama-pumice-lava" # a pot known by its volume: pot = { volume_l = 3 }
# crown = { width_cm = 45, height_cm = 38 }
# strength = 4                      # 1 weak .. 5 strong; leave out if you do not know
"""

_SERVICE = """\
# How the advisor asks for weather and whom it writes to. Run: advisor check

[weather]
forecast = ["open-meteo"]           # tried in this order
contact = ""                        # your mail address: weather services ask for one
[weather.meteostat]                 # what weather stations observed
stations = []                       # ids such as "10532"; empty: the nearest good ones

[digest]
at = "06:00"                        # garden-local

[alerts]
quiet_from = "22:00"
quiet_until = "06:00"
caution = "even"                    # cautious, even or bold

[state]
folder = "state"                    # the advisor's own memory

# Without [mail] the messages are written into state/mail.
# The password goes into a file of its own, readable by you alone:
#   printf '%s\\n' 'the password' > smtp-password && chmod 600 smtp-password

# [mail]
# host = "mail.example.org"
# port = 465
# security = "tls"                  # tls or starttls
# username = "advisor"
# password_file = "smtp-password"
# sender = "advisor@example.org"
# recipients = ["grower@example.org"]
"""

STARTER_FILES: dict[str, str] = {GARDEN_FILE: _GARDEN, SERVICE_FILE: _SERVICE, JOURNAL_FILE: f"{HEADER}\n"}
"""File name to text."""


def write_starter(folder: Path) -> tuple[Path, ...]:
    """Write the three files into ``folder``, made if missing; all of them or none.

    Raises
    ------
    SettingsError
        One of the files is there already; nothing is written.
    StoreError
        The disk refuses; nothing is left behind.
    """
    targets = tuple(folder / name for name in STARTER_FILES)
    there = [path.name for path in targets if os.path.lexists(path)]
    if there:
        raise SettingsError(
            f"{folder} holds {', '.join(there)} already; nothing was written; choose another folder"
        )
    if os.path.lexists(folder) and not folder.is_dir():
        raise SettingsError(f"{folder} is not a folder; nothing was written; choose another name")
    made_folder = not folder.exists()
    left_behind: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for target, text in zip(targets, STARTER_FILES.values(), strict=True):
            draft = folder / f".{target.name}.{os.getpid()}"
            left_behind.append(draft)
            _write_new(draft, text.encode("utf-8"))
        drafts = tuple(left_behind)
        for draft, target in zip(drafts, targets, strict=True):
            os.link(draft, target)  # unlike a rename this never replaces
            left_behind.append(target)
        for draft in drafts:
            draft.unlink()
        fsync_folder(folder)
    except OSError as error:
        for path in left_behind:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
        if made_folder:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise StoreError(
            f"cannot write into {folder}: {error.strerror or error}; nothing was written"
        ) from error
    return targets


def _write_new(path: Path, data: bytes) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
    with os.fdopen(descriptor, "wb") as handle:
        handle.write(data)
        handle.flush()
        os.fsync(handle.fileno())
