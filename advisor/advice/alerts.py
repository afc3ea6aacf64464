"""Alerts between the morning mails: few, one for each event, silent about what is already done.

Each function judges whole days or nights, past ones of the same event included, so that an event keeps
its first day while the hours move on. The service's ledger tells each event once.
"""

from __future__ import annotations

from collections.abc import Callable

from advisor.advice.alert_dry import dry_alert
from advisor.advice.alert_frost import frost_alert
from advisor.advice.alert_gale import gale_alert, hail_alert
from advisor.advice.alert_heat import heat_alert
from advisor.advice.model import AlertEvent, Situation

__all__ = ["ALERTS", "alert_events"]

ALERTS: dict[str, Callable[[Situation], AlertEvent | None]] = {
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
