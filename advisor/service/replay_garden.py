"""The garden of a replay: copies of the grower's files in a folder of their own, the journal day by day.

Nothing of the grower's is written to. The copy's settings switch every weather service off and have no
mail and no state folder of their own; a journal line is there from its own day on.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from advisor.errors import Fault, SettingsError
from advisor.garden.model import Garden, Holdings
from advisor.garden.tables import Tables
from advisor.store.atomic_files import write_atomically
from advisor.store.garden_files import GARDEN_FILE, holdings_of, load_garden_file
from advisor.store.journal_files import HEADER, JOURNAL_FILE, JournalRow, journal_text, read_rows, row_text
from advisor.store.service_files import SERVICE_FILE, ServiceSettings, load_service

__all__ = ["ReplayGarden", "take_garden", "write_garden"]

_FAR = datetime(9000, 1, 1, tzinfo=UTC)
"""Later than any line, so that no line counts as lying in the future while faults are looked for."""


@dataclass(frozen=True, slots=True)
class ReplayGarden:
    """What a replay works with.

    Attributes
    ----------
    holdings : all of it, the whole journal included: only for names and actions in the sheets.
    rows : usable journal lines up to the last day, in file order.
    later : lines after the last day, not used.
    faults : of the grower's files; what they drop is left out.
    """

    holdings: Holdings
    settings: ServiceSettings
    garden_text: str
    rows: tuple[JournalRow, ...]
    later: int
    faults: tuple[Fault, ...]

    @property
    def garden(self) -> Garden:
        """The garden itself."""
        return self.holdings.garden

    def journal_up_to(self, day: date) -> str:
        """Return the journal of the evening of ``day``, had every line been written on its own day."""
        there = [row_text(row) for row in self.rows if date.fromisoformat(row.date) <= day]
        return "\n".join([HEADER, *there, ""])


def take_garden(folder: Path, last_day: date, tables: Tables) -> ReplayGarden:
    """Read the grower's folder for a replay that ends on ``last_day``.

    Raises
    ------
    SettingsError
        garden.toml or service.toml cannot be used.
    """
    settings = load_service(folder / SERVICE_FILE)
    garden_file = load_garden_file(folder / GARDEN_FILE, tables)
    text, unreadable = journal_text(folder)
    holdings, faults = holdings_of(garden_file, text, _FAR)
    if holdings is None:
        raise SettingsError((*faults, *unreadable))
    rows, _ = read_rows(text)
    dropped = {fault.line for fault in faults if fault.file == JOURNAL_FILE and fault.drops == "line"}
    usable = [row for row in rows if row.line not in dropped]
    there = tuple(row for row in usable if date.fromisoformat(row.date) <= last_day)
    later = len(usable) - len(there)
    return ReplayGarden(holdings, settings, garden_file.text, there, later, (*faults, *unreadable))


def service_copy(settings: ServiceSettings) -> str:
    """Return service.toml for a replay: when and how to warn as the grower has it, no network, no mail."""
    return (
        "# Written by a replay: no weather service is asked and no mail is sent.\n"
        f'[weather]\nforecast = ["open-meteo"]\ncorrection = "{settings.correction}"\n'
        '[weather.open-meteo]\nbase_url = ""\nensemble_url = ""\n'
        '[weather.met-norway]\nbase_url = ""\n'
        '[weather.us-nws]\nbase_url = ""\n'
        '[weather.meteostat]\nbase_url = ""\n'
        f'[digest]\nat = "{settings.digest_at:%H:%M}"\n'
        f'[alerts]\nquiet_from = "{settings.quiet_from:%H:%M}"\n'
        f'quiet_until = "{settings.quiet_until:%H:%M}"\n'
        f'caution = "{settings.caution}"\n'
    )


def write_garden(taken: ReplayGarden, folder: Path, day: date) -> None:
    """Write the three files into ``folder`` with the journal up to ``day``.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    files = {
        GARDEN_FILE: taken.garden_text,
        SERVICE_FILE: service_copy(taken.settings),
        JOURNAL_FILE: taken.journal_up_to(day),
    }
    for name, text in files.items():
        path = folder / name
        data = text.encode()
        if not path.is_file() or path.read_bytes() != data:
            write_atomically(path, data)
