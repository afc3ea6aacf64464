"""Send what is due: claim one message, send it, note what became of it, until none is left.

Every step is a commit of its own, so that a process may die anywhere. One message that fails does
not keep the others back; a fault of the whole channel holds the lanes instead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from advisor.delivery.envelope import Envelope, Send, mask_address, mask_addresses
from advisor.errors import DeliveryError, StoreError
from advisor.store import outbox, outbox_verdicts, outbox_view
from advisor.store.database import Store

__all__ = ["DeliveryOutcome", "deliver_due"]


@dataclass(frozen=True, slots=True)
class DeliveryOutcome:
    """What one round of delivery did.

    Attributes
    ----------
    sent : int
        Taken by the server.
    failed : int
        Refused for good, or given up.
    waiting : int
        Put back to be tried again.
    unknown : int
        Newly in doubt and held for the operator.
    held : int
        Lanes held because of a fault of the whole channel.
    expired : int
        Not sent because their time was over.
    messages : tuple of str
        One line for each thing worth telling, addresses masked.
    """

    sent: int = 0
    failed: int = 0
    waiting: int = 0
    unknown: int = 0
    held: int = 0
    expired: int = 0
    messages: tuple[str, ...] = ()

    @property
    def clean(self) -> bool:
        """True when nothing failed, is in doubt, waits, is held or expired."""
        return not (self.failed or self.waiting or self.unknown or self.held or self.expired)


@dataclass
class _Tally:
    sent: int = 0
    failed: int = 0
    waiting: int = 0
    unknown: int = 0
    expired: int = 0
    lines: list[str] = field(default_factory=list)


def deliver_due(
    store: Store,
    channel_send: Send,
    now_utc: datetime,
    time_left_s: float,
    monotonic: Callable[[], float],
    *,
    stop: Callable[[], bool] = lambda: False,
    alone: bool = False,
) -> DeliveryOutcome:
    """Send every message that is due, urgent first.

    Parameters
    ----------
    store : Store
        The outbox.
    channel_send : callable
        ``send(envelope, on_payload) -> receipt`` from ``delivery.registry.bind``.
    now_utc : datetime
        The service clock at the start; leases and waits run on it plus what ``monotonic`` counts.
    time_left_s : float
        No further message is begun after this time; one that has begun is finished.
    monotonic : callable
        A clock that only goes forward [s].
    stop : callable
        Asked between messages; True (after SIGTERM) ends the round with the outbox in order.
    alone : bool
        True only while this process holds the pass lock: leases left by dead processes are then
        ended at once instead of when they run out.

    Raises
    ------
    StoreError
        The outcome of a message could not be noted (full or read-only disk). The round ends at once;
        the message stays leased and is settled by its policy later.
    """
    began_s = monotonic()

    def now() -> datetime:
        return now_utc + timedelta(seconds=max(0.0, monotonic() - began_s))

    tally = _Tally()
    settled = outbox.settle(store, now(), alone=alone)
    tally.expired, tally.unknown = settled.expired, settled.held_unknown
    if settled.put_back:
        tally.lines.append(f"{settled.put_back} messages of a process that died wait again")
    if settled.held_unknown:
        tally.lines.append(f"{settled.held_unknown} messages may have arrived before a process died; held")
    if settled.expired:
        tally.lines.append(f"{settled.expired} messages were past their time and were not sent")
    while not stop() and monotonic() - began_s < time_left_s:
        claimed = outbox.claim(store, now())
        if claimed is None:
            break
        _deliver_one(store, channel_send, claimed, now, tally)
    held = outbox_view.held_lanes(store, now())
    if held:
        tally.lines.append(f"mail is held until {held[0].not_before_utc:%Y-%m-%d %H:%M} UTC: {held[0].why}")
    return DeliveryOutcome(
        tally.sent, tally.failed, tally.waiting, tally.unknown, len(held), tally.expired, tuple(tally.lines)
    )


def _deliver_one(
    store: Store, channel_send: Send, claimed: outbox.Claimed, now: Callable[[], datetime], tally: _Tally
) -> None:
    begun = False

    def on_payload() -> None:
        nonlocal begun
        outbox.mark_data_started(store, claimed, now())
        begun = True

    envelope = Envelope(claimed.envelope_sender, claimed.recipient, claimed.message_id, claimed.raw)
    what = _named(claimed)
    try:
        receipt = channel_send(envelope, on_payload)
    except outbox.LeaseLostError as error:
        tally.lines.append(f"{what}: {error}")
    except StoreError:
        raise
    except DeliveryError as error:
        _note_failure(store, claimed, error, now(), tally)
    except Exception as error:  # noqa: BLE001 - one broken message must not keep the others back
        words = f"the channel broke: {type(error).__name__}: {mask_addresses(str(error))}"
        verdict = DeliveryError(words, verdict="unknown" if begun else "transient")
        _note_failure(store, claimed, verdict, now(), tally)
    else:
        if outbox_verdicts.record_sent(store, claimed, receipt, now()):
            tally.sent += 1
            outbox_verdicts.release_lanes(store)
        else:
            tally.lines.append(f"{what}: sent, but another process had taken it over; it may arrive twice")


def _note_failure(
    store: Store, claimed: outbox.Claimed, error: DeliveryError, now_utc: datetime, tally: _Tally
) -> None:
    why = str(error)
    if error.verdict == "permanent":
        outbox_verdicts.record_permanent(store, claimed, why, now_utc)
        became = "failed"
    elif error.verdict == "unknown":
        became = outbox_verdicts.record_unknown(store, claimed, why, now_utc)
    else:
        if error.lane_fault:
            outbox_verdicts.hold_lanes(store, now_utc, why)
        became = outbox_verdicts.record_transient(
            store, claimed, why, now_utc, spend_attempt=not error.lane_fault
        )
    words = {
        "failed": "not delivered",
        "unknown": "may have arrived, held",
        "waiting": "waits for another try",
    }
    tally.lines.append(f"{_named(claimed)}: {words[became]}: {why}")
    setattr(tally, became, getattr(tally, became) + 1)


def _named(claimed: outbox.Claimed) -> str:
    return f"{claimed.kind} of {claimed.day} to {mask_address(claimed.recipient)}"
