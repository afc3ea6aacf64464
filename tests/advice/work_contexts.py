"""A fine day for each of the sixteen kinds of work: what the properties begin with, and how it gets worse."""

from __future__ import annotations

from typing import Any

from advice.work_builders import situation_of

from advisor.advice.model import WorkJudgement
from advisor.advice.windows import VERDICT_ORDER
from advisor.advice.work import judge

__all__ = ["CONTEXTS", "HARSHER", "asked", "rank"]

_LEAF: dict[str, Any] = {"species": "acer-palmatum", "events": [["leaves-hard", 10]]}
_JUNIPER: dict[str, Any] = {"species": "juniperus-chinensis", "events": []}

CONTEXTS: dict[str, dict[str, Any]] = {
    "big-cut": _LEAF,
    "defoliate": _LEAF,
    "part-defoliate": _LEAF,
    "carve": _LEAF,
    "wire": _LEAF,
    "start-layer": _LEAF,
    "small-cut": _LEAF,
    "unwire": {**_LEAF, "events": [["leaves-hard", 10], ["wired", 42]], "flags": [["wired", 42]]},
    "seal": {**_LEAF, "events": [["leaves-hard", 10], ["cut", 0, 0.1]]},
    "feed": _LEAF,
    "carve-deadwood": _JUNIPER,
    "lime-sulphur": _JUNIPER,
    "candle-cut": {"species": "pinus-thunbergii", "events": []},
    "bend": {
        "species": "juniperus-chinensis", "events": [], "now": "2026-03-05T08:00", "stage": "DORMANT",
        "weather": {"tmax": 13.0, "tmin": 6.0},
    },
    "repot": {
        "species": "acer-palmatum", "events": [], "now": "2026-03-25T08:00", "stage": "BUD_SWELL",
        "weather": {"tmax": 14.0, "tmin": 6.0},
    },
    "separate-layer": {
        "species": "acer-palmatum", "now": "2026-07-20T08:00",
        "weather": {"tmax": 22.0, "tmin": 13.0, "rh": 70.0}, "flags": [["layer-running", 70]],
        "events": [["leaves-hard", 40], ["layer-started", 70], ["roots-seen", 3]],
    },
}  # fmt: skip

_HOURS = (9, 11, 14, 16)

HARSHER: dict[str, tuple[float, ...]] = {
    "hot": (0.0, 3.0, 6.0, 9.0, 12.0, 18.0),
    "hot-later": (0.0, 6.0, 10.0, 14.0, 20.0),
    "cold": (0.0, 4.0, 8.0, 12.0, 20.0, 30.0),
    "cold-later": (0.0, 5.0, 10.0, 15.0, 25.0),
    "wind": (0.0, 3.0, 5.0, 8.0, 12.0),
    "gust-later": (0.0, 5.0, 10.0, 20.0),
    "rain": (0.0, 0.3, 1.0, 3.0, 10.0),
    "rain-later": (0.0, 1.0, 5.0, 40.0),
    "rain-before": (0.0, 1.0, 10.0),
    "worker-heat": (0.0, 5.0, 8.0, 12.0),
    "thunder": (0.0, 94.0),
    "drier-pot": (0.0, 0.3, 0.5, 0.75),
}
"""How much worse, step by step, for each thing that can be worse."""


def _case(work: str, harsh: dict[str, float]) -> dict[str, Any]:
    base = CONTEXTS[work]
    weather = {"tmax": 23.0, "tmin": 12.0, "wind": 2.0, "gust": 5.0, "wbgt": 20.0, "code": 1.0}
    weather |= base.get("weather", {})
    get = harsh.get
    days = {
        0: {
            "tmax": weather["tmax"] + get("hot", 0.0), "tmin": weather["tmin"] - get("cold", 0.0),
            "wind": weather["wind"] + get("wind", 0.0), "wbgt": weather["wbgt"] + get("worker-heat", 0.0),
            "code": weather["code"] + get("thunder", 0.0),
        },
    }  # fmt: skip
    if get("cold"):
        days[0]["tmax"] -= get("cold", 0.0)
    for ahead in (2, 3, 4):
        days[ahead] = {
            "tmax": weather["tmax"] + get("hot-later", 0.0), "tmin": weather["tmin"] - get("cold-later", 0.0),
            "gust": weather["gust"] + get("gust-later", 0.0),
        }  # fmt: skip
    rain = [[0, hour, get("rain", 0.0)] for hour in _HOURS]
    rain += [[ahead, 2, get("rain-later", 0.0)] for ahead in (1, 2, 3)] + [[0, 20, get("rain-later", 0.0)]]
    rain += [[-1, 14, get("rain-before", 0.0)]]
    return {**base, "weather": weather, "days": days, "rain": rain, "water_left": 0.8 - get("drier-pot", 0.0)}


def asked(work: str, harsh: dict[str, float] | None = None, **case: Any) -> WorkJudgement:
    """Judge a kind of work on its fine day, made worse by ``harsh``, with other keys of the case."""
    situation, day = situation_of({**_case(work, harsh or {}), **case})
    return judge(situation, work, "t1", day)


def rank(judgement: WorkJudgement) -> int:
    """Place of a verdict, best first."""
    return VERDICT_ORDER.index(judgement.verdict)
