"""Checks for the person: working time left, and measured limits (through ``during`` and ``thunder``)."""

from __future__ import annotations

from advisor.advice.model import Check, CheckVerdict
from advisor.advice.work_case import WorkCase

__all__ = ["time_left"]


def time_left(case: WorkCase) -> Check:
    """Hold the working time left in the half day against what the work takes."""
    number = case.row.numbers["minutes"]
    source = case.row.numbers.source("minutes")
    left = max(0.0, (case.until_utc - case.from_utc).total_seconds() / 60.0)
    if left <= 0.0:
        text = f"{case.row.text}: the working hours of this day are over"
        return case.check("fail", text, value=0.0, unit=number.unit, limit=number.value, source=source)
    verdict: CheckVerdict = "pass" if left >= number.value else "fail"
    text = f"{case.row.text}: {left:.0f} min left; takes about {number.value:.0f}"
    return case.check(verdict, text, value=left, unit=number.unit, limit=number.value, source=source)
