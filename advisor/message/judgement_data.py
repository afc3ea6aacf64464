"""The verdict on the advice as JSON (``judgement/1``) and as CSV, one number a line."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from statistics import median
from typing import Any

from advisor.message.judgement import Judged, WarningScore

__all__ = ["judgement_csv", "judgement_object"]


def _plain(value: float | None, digits: int = 4) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, digits)


def judgement_object(judged: Sequence[Judged]) -> dict[str, Any]:
    """Return ``judgement/1``."""
    return {"schema": "judgement/1", "replays": [_replay_object(one) for one in judged]}


def _replay_object(one: Judged) -> dict[str, Any]:
    return {
        "replay": one.name,
        "role": one.role,
        "from": one.first_day,
        "until": one.last_day,
        "trees": one.trees,
        "counts": one.counts,
        "warnings": [_warning_object(row) for row in one.warnings],
        "watering": [
            {
                "size": row.size,
                "watered": row.way,
                "pots": row.pots,
                "pot_hours": row.hours,
                "dry_h": row.dry_h,
                "unknown_h": row.unknown_h,
                "litres": _plain(row.litres, 2),
                "waterings": row.waterings,
            }
            for row in one.water
        ],
        "shade": [
            {
                "advice": row.way,
                "leaf_hours": row.leaf_hours,
                "harmful_sun_h": row.harmful_sun_h,
                "unknown_h": row.unknown_h,
                "tree_days": row.tree_days,
            }
            for row in one.shade
        ],
        "notes": list(one.notes),
    }


def _warning_object(row: WarningScore) -> dict[str, Any]:
    table = row.table
    return {
        "hazard": row.hazard,
        "happened": row.truth,
        "by": row.by,
        "hits": table.hits,
        "misses": table.misses,
        "false_alarms": table.false_alarms,
        "correct_negatives": table.correct_negatives,
        "unknown": table.unknown,
        "probability_of_detection": _plain(table.probability_of_detection),
        "false_alarm_ratio": _plain(table.false_alarm_ratio),
        "frequency_bias": _plain(table.frequency_bias),
        "critical_success_index": _plain(table.critical_success_index),
        "heidke_skill_score": _plain(table.heidke_skill_score),
        "events": row.events,
        "events_warned": len(row.lead_h),
        "lead_h": [_plain(lead, 2) for lead in row.lead_h],
        "lead_median_h": _plain(median(row.lead_h) if row.lead_h else None, 2),
        "lead_least_h": _plain(min(row.lead_h, default=None), 2),
        "mails": row.mails,
        "value": [
            {"cost_loss": _plain(ratio), "value": _plain(value)}
            for ratio, value in zip(row.ratios, row.values, strict=True)
        ],
        "brier": None if row.brier is None else {"score": _plain(row.brier.score), "days": row.brier.days},
    }


def judgement_csv(judged: Sequence[Judged]) -> str:
    """Return a line for each number: replay, role, question, of what, by whom, quantity, value."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["replay", "role", "question", "of", "by", "quantity", "value"])
    for one in judged:
        lead = [one.name, one.role]
        for row in one.warnings:
            data = _warning_object(row)
            head = [*lead, row.hazard, row.truth, row.by]
            for name, value in data.items():
                if isinstance(value, int | float) or value is None:
                    writer.writerow([*head, name, "" if value is None else value])
            for pair in data["value"]:
                value = pair["value"]
                writer.writerow([*head, f"value_at_{pair['cost_loss']:g}", "" if value is None else value])
            if row.brier is not None:
                score = _plain(row.brier.score)
                writer.writerow([*head, "brier_score", "" if score is None else score])
        for name, rows in (
            ("watering", _replay_object(one)["watering"]),
            ("shade", _replay_object(one)["shade"]),
        ):
            for data in rows:
                head = [*lead, name, data.get("size", ""), data.get("watered", data.get("advice"))]
                for key, value in data.items():
                    if key not in {"size", "watered", "advice"}:
                        writer.writerow([*head, key, value])
    return out.getvalue()
