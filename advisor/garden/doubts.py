"""Lines of the journal that do not fit one another, for the whole garden and without any weather."""

from __future__ import annotations

from datetime import datetime

from advisor.errors import Fault
from advisor.garden.model import Holdings
from advisor.garden.state import fold_all
from advisor.garden.tables import Tables

__all__ = ["journal_doubts"]


def journal_doubts(holdings: Holdings, tables: Tables, now_utc: datetime, file: str) -> tuple[Fault, ...]:
    """Return one fault for each line that does not fit the others, in order of lines; none is left out.

    Parameters
    ----------
    holdings : Holdings
    tables : Tables
    now_utc : datetime
        Aware; later lines do not count.
    file : str
        Name used in faults.

    Notes
    -----
    Stages are those of the calendar here, so that a slip that only the temperatures show is told by
    ``tree`` and ``suits`` alone.
    """
    wanted = "mend the line or delete it; until then the careful reading counts"
    found = []
    for tree_id, state in fold_all(holdings, tables, {}, now_utc).items():
        for text in state.contradictions:
            line, _, said = text.removeprefix("line ").partition(": ")
            found.append(Fault(file, int(line), tree_id, said, wanted, "nothing"))
    return tuple(sorted(found, key=lambda fault: (fault.line or 0, fault.key)))
