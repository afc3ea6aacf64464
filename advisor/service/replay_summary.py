"""The summary of a replay: days, mails by kind, failures, what was missing."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from advisor.garden.model import Holdings

__all__ = ["summary_text"]

_NAMED = 20


def summary_text(
    out: Path, holdings: Holdings, described: Sequence[str], lines: Sequence[str], tally: Mapping[str, int]
) -> str:
    """Return summary.txt.

    Parameters
    ----------
    described : sequence of str
        What was asked for.
    lines : sequence of str
        What had to be said about files and weather.
    tally : mapping
        Passes, and those without weather or with failures.
    """
    kinds: Counter[str] = Counter()
    events: dict[str, set[str]] = {}
    days: set[str] = set()
    failures: Counter[str] = Counter()
    subjects: list[str] = []
    with (out / "mornings.jsonl").open(encoding="utf-8") as mornings:
        for line in mornings:
            morning = json.loads(line)
            days.add(morning["day"])
            failures.update(morning["failures"])
            for message in morning["messages"]:
                kinds[message["kind"]] += 1
                events.setdefault(message["kind"], set()).add(message["event"])
                if message["kind"] != "digest":
                    subjects.append(f"  {message['at']}  {message['kind']}: {message['subject']}")
    text = [f"Replay of {holdings.garden.name}, {len(holdings.trees)} trees", *described, ""]
    text.append(f"{len(days)} days, {tally.get('passes', 0)} passes")
    text.append("Mails that would have been sent:")
    for kind in sorted(kinds):
        about = "" if kind == "digest" else f" about {len(events[kind])} events"
        text.append(f"  {kind}: {kinds[kind]}{about}")
    if subjects:
        text += ["Warnings:", *subjects]
    text.append(f"Passes without usable weather: {tally.get('without weather', 0)}")
    text.append(f"Passes with something that failed: {tally.get('failed', 0)}")
    text += [f"  {count} times: {what}" for what, count in failures.most_common(_NAMED)]
    if len(failures) > _NAMED:
        text.append(f"  and {len(failures) - _NAMED} kinds more, in mornings.jsonl")
    if lines:
        text += ["Said of files and weather:", *(f"  {line}" for line in lines)]
    text += [
        "The garden is as garden.toml has it now; the journal as it would have stood on each day.",
        "Forecasts are made from the record; they are no forecasts that were ever given.",
    ]
    return "\n".join(text) + "\n"
