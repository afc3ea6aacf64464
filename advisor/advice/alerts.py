"""Alerts between the morning mails: few, one for each event, silent about what is already done.

Each function judges whole days or nights, past ones of the same event included, so that an event keeps
its first day while the hours move on. The service's ledger tells each event once.
"""

from __future__ import annotations

from typing import Protocol

from advisor.advice.alert_dry import dry_alert
from advisor.advice.alert_frost import frost_alert
from advisor.advice.alert_gale import gale_alert, hail_alert
from advisor.advice.alert_heat import heat_alert
from advisor.advice.model import AlertEvent, Situation

__all__ = ["ALERTS", "Alert", "alert_events"]


class Alert(Protocol):
    """A warning: who is in danger of one hazard, when and how sure, and what to do about it; None for nobody.

    Without ``steps`` the event has no ``advice``, which of heat is far more work than the rest; all else is
    the same.
    """

    def __call__(self, situation: Situation, *, steps: bool = True) -> AlertEvent | None:
        """Judge one situation."""


ALERTS: dict[str, Alert] = {
    "heat": heat_alert,
    "frost": frost_alert,
    "gale": gale_alert,
    "hail": hail_alert,
    "dry": dry_alert,
}
"""Every alert by hazard."""


def alert_events(situation: Situation) -> tuple[AlertEvent, ...]:
    """Return every hazard that is worth a mail now."""
    found = [alert(situation) for alert in ALERTS.values()]
    return tuple(event for event in found if event is not None)
