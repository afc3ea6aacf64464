"""Which session goes on which day: exact, so that no fine day is wasted on a tree that has others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

__all__ = ["assign_days"]


def assign_days(wishes: Sequence[Sequence[int]], free: Sequence[int]) -> list[int | None]:
    """Give each session a day, or none where the days are full.

    In the order given, a session is taken if all taken so far still find a place; then, in the same
    order, each gets the first of its days that leaves a place to all others taken. A session done, or
    days gone by, leave the rest where it was.

    Parameters
    ----------
    wishes : sequence of sequences of int
        For each session, most pressing first, the days that suit it, best first.
    free : sequence of int
        Sessions that each day still takes.

    Returns
    -------
    list of int or None
        A day of ``wishes`` for each session.

    Source: maximum bipartite matching (Hopcroft and Karp 1973, SciPy). Checked:
    tests/advice/test_plan_days.py.
    """
    taken: dict[int, Sequence[int]] = {}
    for session, days in enumerate(wishes):
        wider = {**taken, session: days}
        if _all_placed(wider, free):
            taken = wider
    for session in taken:
        for day in taken[session]:
            settled = {**taken, session: (day,)}
            if _all_placed(settled, free):
                taken = settled
                break
    return [taken[session][0] if session in taken else None for session in range(len(wishes))]


def _all_placed(wishes: Mapping[int, Sequence[int]], free: Sequence[int]) -> bool:
    """True where each session finds a day of its own among its wishes."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import maximum_bipartite_matching

    slot_day = np.repeat(np.arange(len(free)), free)
    if len(wishes) > slot_day.size or not all(wishes.values()):
        return False
    wanted = np.zeros((len(wishes), len(free)), dtype=bool)
    for row, days in enumerate(wishes.values()):
        wanted[row, list(days)] = True
    matched = maximum_bipartite_matching(csr_array(wanted[:, slot_day]), perm_type="column")
    return bool((np.asarray(matched) >= 0).all())
