"""The strictest of what species, stage and flags ask for, each with who set it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta

from advisor.garden.flags import EndClock, Run
from advisor.garden.model import Garden, Tree
from advisor.garden.phenology import StageModel
from advisor.garden.state_model import Need, Needs, Stage, StageKnown
from advisor.garden.tables import FlagRule
from advisor.units import NumberTable

__all__ = ["collect_needs", "feed_from"]

_UNITS = {
    "direct_sun_h": "h", "sun_until_solar_h": "hour of day", "shade_share": "share", "wind_m_s": "m/s",
    "gust_m_s": "m/s", "frost_limit_c": "degC", "root_limit_c": "degC", "leaf_limit_c": "degC",
    "vpd_limit_kpa": "kPa",
}  # fmt: skip
_HIGHEST = frozenset({"shade_share", "frost_limit_c", "root_limit_c"})
_AUTUMN_MONTHS = {False: (10, 11), True: (4, 5)}


class _Strictest:
    """Keeps the strictest of each need; of equals the first."""

    def __init__(self) -> None:
        self.found: dict[str, Need] = {}

    def ask(self, name: str, value: float, set_by: str, source: str) -> None:
        held = self.found.get(name)
        stricter = held is None or (value > held.value if name in _HIGHEST else value < held.value)
        if stricter:
            self.found[name] = Need(value, _UNITS[name], set_by, source)

    def row(self, name: str, numbers: NumberTable, key: str, set_by: str, extra: float = 0.0) -> None:
        if key in numbers:
            self.ask(name, numbers.value(key, _UNITS[name]) + extra, set_by, numbers.source(key))


def _said(run: Run, clock: EndClock) -> str:
    day = (clock.today - run.began).days + 1
    ends = clock.end_range(run)
    if clock.today > ends.late:
        return f"{run.rule.name} (day {day}, past its time)"
    about = (ends.expected - run.began).days
    guess = ", never confirmed" if run.known == "guess" else ""
    return f"{run.rule.name} (day {day} of about {about}{guess})"


def _ask_flag(strict: _Strictest, run: Run, in_leaf: bool, clock: EndClock) -> None:
    numbers, said = run.rule.numbers, _said(run, clock)
    for name in _UNITS:
        if name in {"direct_sun_h", "sun_until_solar_h", "shade_share"} and (
            run.keeps("leaf-sun-only") and not in_leaf
        ):
            continue
        if name == "frost_limit_c" and run.keeps("frost-in-leaf-only") and not in_leaf:
            continue
        extra = 0.0
        if name == "direct_sun_h" and "sun_gain_h_per_d" in numbers:
            extra = numbers.value("sun_gain_h_per_d", "1") * (clock.today - run.began).days
        strict.row(name, numbers, name, said, extra)


def feed_from(run: Run, clock: EndClock) -> tuple[int, str] | None:
    """Days from today until this run allows feeding again (0 or less: it does), and who says so."""
    until = None
    if "no_feed_d" in run.rule.numbers:
        pause = round(run.rule.numbers.value("no_feed_d", "d"))
        until = run.began + timedelta(days=pause) if pause else None
    elif run.keeps("no-feed"):
        until = clock.end_range(run).late if run.ended is None else run.ended
    if until is None:
        return None
    return (until - clock.today).days, f"{_said(run, clock)}, until {until}"


def _roots(strict: _Strictest, tree: Tree, stage: Stage, *, south: bool, clock: EndClock) -> None:
    """Root limit of the species, raised while roots are not yet, or no longer, hardy."""
    group, numbers = clock.group, clock.numbers
    key, traits = "shelter_pot_c", group.traits
    if "small_pot_shelter_c" in traits and "small_pot_below_l" in traits:
        small = tree.pot.volume_l < traits.value("small_pot_below_l", "l")
        key = "small_pot_shelter_c" if small else key
    if key not in traits:
        return
    raised, why = 0.0, ""
    if group.trait("tropical_min_c", "degC") is None:
        if clock.today.month in _AUTUMN_MONTHS[south]:
            raised, why = numbers.value("root.autumn_raise_k", "K"), ", roots not yet hardy in autumn"
        elif Stage.BUD_SWELL.order <= stage.order < Stage.AUTUMN_COLOUR.order:
            raised, why = numbers.value("root.bud_swell_raise_k", "K"), ", roots less hardy from bud swell on"
    strict.ask("root_limit_c", traits.value(key, "degC") + raised, f"{group.name}{why}", traits.source(key))


def collect_needs(
    tree: Tree,
    garden: Garden,
    *,
    stage: StageKnown,
    active: Sequence[Run],
    every_run: Sequence[Run],
    followers: Mapping[str, FlagRule],
    model: StageModel,
    clock: EndClock,
) -> Needs:
    """Return the strictest limits that hold today.

    Parameters
    ----------
    tree, garden : Tree, Garden
    stage : StageKnown
    active, every_run : sequence of Run
        Running flags; and all, because a pause in feeding may outlast its flag.
    followers : mapping of flag id to FlagRule
        A bare tree whose leaves may be out (0.6 of the expected time) is also treated as the state that
        follows.
    model : StageModel
    clock : EndClock

    Returns
    -------
    Needs
        None where nothing asks. ``no_feed_until`` counts days from today.
    """
    group, numbers = clock.group, clock.numbers
    strict = _Strictest()
    in_leaf = model.evergreen or stage.stage.in_leaf
    leaf_name = f"{group.name}, {'open leaves' if stage.stage.tender else stage.stage.label}"
    strict.row("leaf_limit_c", group.traits, "leaf_limit_c", leaf_name)
    strict.row("vpd_limit_kpa", group.traits, "vpd_limit_kpa", leaf_name)
    _roots(strict, tree, stage.stage, south=garden.southern, clock=clock)
    strict.row("frost_limit_c", group.traits, "tropical_min_c", f"{group.name}, has no rest")
    may_be_open = stage.certainty == "guess" and stage.stage is Stage.BUD_SWELL
    if stage.stage.tender or may_be_open:
        who = f"{group.name}, leaves may be open" if may_be_open else leaf_name
        strict.row("frost_limit_c", group.traits, "open_leaf_frost_c", who)
        for name in ("leaf_limit_c", "vpd_limit_kpa", "wind_m_s", "gust_m_s"):
            strict.row(name, numbers, f"soft_leaves.{name}", who)
    for run in active:
        _ask_flag(strict, run, in_leaf, clock)
        follower = followers.get(run.rule.followed_by)
        if run.keeps("bare") and follower is not None and clock.regrown(run) > 0.0:
            day = (clock.today - run.began).days + 1
            said = f"new leaves may be open ({run.rule.name}, day {day})"
            for name in _UNITS:
                strict.row(
                    name, follower.numbers, name, f"new leaves may be open ({run.rule.name}, day {day})"
                )
    feeding = [found for run in every_run if run.ended_by != "restarted" and (found := feed_from(run, clock))]
    feeding = [found for found in feeding if found[0] > 0]
    if feeding:
        days, said = max(feeding)
        strict.found["no_feed_until"] = Need(float(days), "d", said, "")
    return Needs(**strict.found)
