"""The stage of the year: what the grower saw first, then warmth, then the calendar.

Fewer cold days in winter want more warmth in spring. A sighting resets the model, and its ratio of observed
to predicted warmth rescales the rest of the season.
Within three weeks of a sighting the model goes at most one stage beyond it; later it may move on, as a guess.

Source of the stages: BBCH scale (Hack et al. 1992; Meier 2001). Steps: config/phenology.toml.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from advisor.garden.model import Garden
from advisor.garden.seasons import (
    SEQUENCE,
    SPRING,
    How,
    Modelled,
    autumn_start,
    calendar_leaf_out,
    days_ago,
    in_autumn,
    season_start,
)
from advisor.garden.spring_warmth import SpringWarmth
from advisor.garden.state_model import Certainty, Stage, StageKnown
from advisor.garden.tables import SpeciesGroup
from advisor.garden.warmth import Warmth
from advisor.units import NumberTable

__all__ = ["LEAF_SIGHTINGS", "Sighting", "StageModel"]

LEAF_SIGHTINGS = frozenset({"buds-swelling", "leaves-open", "leaves-hard", "colour", "leaf-fall"})
"""Journal entries that tell of a stage."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """A stage that the grower saw on a local day."""

    day: date
    stage: Stage
    entry: str


class StageModel:
    """The stage of the trees of one group with one warmth, on any day, given what was seen up to then.

    Days once worked out are remembered: trees of a kind side by side ask the same.
    """

    def __init__(
        self, group: SpeciesGroup, garden: Garden, warmth: Warmth | None, numbers: NumberTable
    ) -> None:
        self._group = group
        self._garden = garden
        self._warmth = warmth
        self._numbers = numbers
        self._spring_warmth = SpringWarmth(group, garden, warmth, numbers)
        self._leaf_out = self._spring_warmth.leaf_out
        self._worked_out: dict[tuple[date, tuple[Sighting, ...]], StageKnown] = {}
        self._days_from_leaf_out: dict[Stage, int] = {}

    @property
    def restless(self) -> bool:
        """True for trees that grow without a rest."""
        return self._group.habit == "tropical" or "no-dormancy" in self._group.marks

    @property
    def evergreen(self) -> bool:
        """True for trees that are never bare by themselves."""
        return not self._group.habit.startswith("deciduous") or "no-dormancy" in self._group.marks

    def _d(self, key: str) -> int:
        return round(self._numbers.value(key, "d"))

    # --- which sightings count ---------------------------------------------------------------

    def _early(self, sighting_day: date, entry: str) -> bool:
        """True for buds that move so late in the season that they are those of the next one."""
        start = season_start(sighting_day, self._garden.southern)
        following = season_start(start + timedelta(days=370), self._garden.southern)
        return entry in {"buds-swelling", "leaves-open"} and (following - sighting_day).days <= self._d(
            "sighting.early_d"
        )

    def in_season(self, day: date, sightings: Sequence[Sighting]) -> list[Sighting]:
        """Return the sightings that belong to the season of ``day``, oldest first."""
        if not sightings:
            return []
        if self.restless:
            return [seen for seen in sightings if 0 <= (day - seen.day).days <= 365]
        start = season_start(day, self._garden.southern)
        before = start - timedelta(days=self._d("sighting.early_d"))
        return [
            seen
            for seen in sightings
            if start <= seen.day <= day or (before <= seen.day <= day and self._early(seen.day, seen.entry))
        ]

    def reading(self, day: date, entry: str, sightings: Sequence[Sighting]) -> tuple[Stage | None, str]:
        """Return the stage a sighting stands for, and what does not fit about it.

        ``None`` leaves the stage as it is. New leaves on a tree whose leaves were hard are a second
        flush; that is the only way to one.
        """
        before = self.on(day, sightings)
        leafed = any(seen.entry in {"leaves-open", "leaves-hard"} for seen in self.in_season(day, sightings))
        stage: Stage | None = Stage.LEAVES_HARD
        fault = ""
        if entry in {"colour", "leaf-fall"}:
            stage = Stage.AUTUMN_COLOUR if entry == "colour" else Stage.LEAF_FALL
            soon = day < autumn_start(day, self._garden.southern, self._numbers) and before.stage.in_leaf
            if soon and not self.evergreen:
                fault = f"{entry} on {day} is too early for autumn; the stage was left as it was"
            if soon or self.evergreen:
                stage = None
        elif entry == "buds-swelling":
            past = leafed or before.stage.order >= Stage.LEAVES_HARD.order
            stage = None if past and not self._early(day, entry) else Stage.BUD_SWELL
        elif entry == "leaves-open":
            hard = before.stage in {Stage.LEAVES_HARD, Stage.SECOND_FLUSH}
            flushed = hard and (leafed or before.certainty != "guess") and not self.restless
            stage = Stage.SECOND_FLUSH if flushed else Stage.LEAVES_UNFOLDING
        return stage, fault

    # --- the model ----------------------------------------------------------------------------

    def _offsets(self) -> dict[Stage, int]:
        """Days from leaf-out by the calendar."""
        self._days_from_leaf_out = self._days_from_leaf_out or {
            Stage.DORMANT: -365,
            Stage.BUD_SWELL: -self._d("calendar.bud_swell_before_d"),
            Stage.BUD_BREAK: -self._d("calendar.bud_break_before_d"),
            Stage.LEAVES_UNFOLDING: 0,
            Stage.SHOOTS_EXTENDING: self._d("calendar.extending_after_d"),
            Stage.LEAVES_HARD: self._d("calendar.hard_after_d"),
        }
        return self._days_from_leaf_out

    def ratio(self, day: date, sightings: Sequence[Sighting]) -> float:
        """Observed over predicted warmth of the season's last sighting in spring; 1 where unknown."""
        if self._leaf_out is None or self.restless:
            return 1.0
        start = season_start(day, self._garden.southern)
        found, warm = 1.0, self._spring_warmth
        for seen in self.in_season(day, sightings):
            if seen.stage not in SPRING[1:] or seen.day <= start:
                continue
            sums = warm.met(start, seen.day)
            if sums is None or not sums.size or seen.stage is Stage.LEAVES_HARD:
                continue
            found = float(sums[-1]) / float(warm.wanted(warm.to_leaf_out(start, seen.day), seen.stage)[-1])
        low, high = (self._numbers.value(f"spring.ratio_{end}", "1") for end in ("low", "high"))
        return min(max(found, low), high)

    def _spring(self, day: date, anchor: Sighting | None, ratio: float) -> Modelled:
        """Walk from the anchor, or from the start of the season, through spring."""
        start, warm = season_start(day, self._garden.southern), self._spring_warmth
        at = anchor.stage if anchor is not None else Stage.DORMANT
        if at is Stage.SECOND_FLUSH:
            at = Stage.LEAVES_UNFOLDING
        if at not in SPRING:
            return Modelled(at, anchor.day if anchor else None, "start", place=SEQUENCE.index(at))
        first = anchor.day if anchor is not None else start
        sums = warm.met(first, day)
        leafed = at in {Stage.LEAVES_UNFOLDING, Stage.SHOOTS_EXTENDING, Stage.LEAVES_HARD}
        by_warmth = sums is not None and (leafed or self._leaf_out is not None)
        offsets = self._offsets()
        wanted = warm.to_leaf_out(first, day)
        leaf_out = (
            first - timedelta(days=offsets[at])
            if anchor is not None
            else calendar_leaf_out(
                start, self._garden.latitude_deg, self._garden.elevation_m, self._leaf_out, self._numbers
            )
        )
        place = SPRING.index(at)
        found = Modelled(
            anchor.stage if anchor is not None else at, anchor.day if anchor else None, "start", place=place
        )
        bud_break = first - timedelta(days=self._d("calendar.bud_break_before_d")) if leafed else None
        how: How = "warmth" if by_warmth else ("days" if anchor is not None else "calendar")
        total = float(sums[-1]) if sums is not None and sums.size else 0.0
        for later in range(place + 1, len(SPRING)):
            stage = SPRING[later]
            if by_warmth and sums is not None:
                need = (
                    np.full(sums.size, warm.after_leaf_out(ratio, stage) - warm.after_leaf_out(ratio, at))
                    if leafed
                    else ratio * (warm.wanted(wanted, stage) - warm.wanted(wanted, at))
                )
                rows = np.flatnonzero(sums >= need)
                reached = first + timedelta(days=int(rows[0]) + 1) if rows.size else None
            else:
                reached = max(leaf_out + timedelta(days=offsets[stage]), first)
            if stage is Stage.LEAVES_HARD and reached is not None and bud_break is not None:
                reached = max(reached, bud_break + timedelta(days=self._d("spring.hard_after_bud_break_d")))
            if reached is None or reached > day:
                break
            if stage is Stage.BUD_BREAK:
                bud_break = reached
            found = Modelled(stage, reached, how, total, later)
        return found if found.how != "start" else Modelled(found.stage, found.since, how, total, place)

    def modelled(self, day: date, anchor: Sighting | None, ratio: float) -> Modelled:
        """The stage by model alone, started from ``anchor``."""
        if anchor is None and self.restless:
            return Modelled(Stage.LEAVES_HARD, None, "habit", place=5)
        spring = self._spring(day, anchor, ratio)
        if self.restless or (anchor is not None and self._early(anchor.day, anchor.entry)):
            return spring
        return in_autumn(day, spring, self._garden, self._warmth, self._numbers, evergreen=self.evergreen)

    # --- the answer ---------------------------------------------------------------------------

    def on(self, day: date, sightings: Sequence[Sighting]) -> StageKnown:
        """Return the stage on a local day, from sightings up to that day.

        Parameters
        ----------
        day : date
        sightings : sequence of Sighting, oldest first
            Later ones and those of other seasons are left aside.

        Returns
        -------
        StageKnown
            Certainty is ``seen`` up to 21 days after a sighting of that very stage.
        """
        season = tuple(self.in_season(day, sightings))
        asked = (day, season)
        if asked not in self._worked_out:
            self._worked_out[asked] = self._on(day, season)
        return self._worked_out[asked]

    def _on(self, day: date, season: Sequence[Sighting]) -> StageKnown:
        """Return the stage on a day from the sightings of its season."""
        if not season:
            found = self.modelled(day, None, 1.0)
            return self._unseen(found, day)
        seen = season[-1]
        found = self.modelled(day, seen, self.ratio(day, season))
        at = (
            SEQUENCE.index(Stage.SHOOTS_EXTENDING)
            if seen.stage is Stage.SECOND_FLUSH
            else SEQUENCE.index(seen.stage)
        )
        age, holds = (day - seen.day).days, self._d("sighting.holds_d")
        moved = found.place > at
        if moved and age <= holds and found.place > at + 1:
            found = Modelled(SEQUENCE[at + 1], found.since, found.how, found.warmth_k_d, at + 1)
        said = f"{seen.stage.label} seen {days_ago(seen.day, day)}"
        if not moved:
            certainty: Certainty = "seen" if age <= holds else "estimated"
            return StageKnown(seen.stage, certainty, f"seen {days_ago(seen.day, day)}", seen.day, seen.day)
        sure = found.how in {"warmth", "autumn"} and age <= holds
        basis = self._basis(found, day)
        text = f"estimated {basis}; {said}" if sure else f"guess {basis}; {said}"
        return StageKnown(found.stage, "estimated" if sure else "guess", text, found.since, None)

    def _basis(self, found: Modelled, day: date) -> str:
        text = {
            "warmth": f"from {found.warmth_k_d:.0f} degree days",
            "days": "by days since",
            "calendar": "by the calendar",
            "autumn": "from day length" if self.evergreen else "from day length and cold",
            "autumn guess": "from day length",
        }.get(found.how, "by habit")
        if found.how == "warmth" and found.place <= SEQUENCE.index(Stage.LEAVES_UNFOLDING):
            text = f"{text} {self._spring_warmth.short_of_cold(day)}".rstrip()
        return text

    def _unseen(self, found: Modelled, day: date) -> StageKnown:
        if found.how == "habit":
            return StageKnown(found.stage, "estimated", "estimated: grows without a rest", None, None)
        if found.how in {"warmth", "autumn"}:
            return StageKnown(
                found.stage, "estimated", f"estimated {self._basis(found, day)}", found.since, None
            )
        why = "" if self._leaf_out is not None else "; no degree days known for this species"
        return StageKnown(found.stage, "guess", f"guess {self._basis(found, day)}{why}", found.since, None)
