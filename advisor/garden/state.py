"""The state of a tree at a moment: a pure fold of species, journal, warmth and sightings.

Nothing derived from the journal is kept anywhere: an edited line changes the state at the next fold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

from advisor.garden.amounts import leaf_shares, root_share, water_factor
from advisor.garden.events import JournalFold
from advisor.garden.flags import EndClock, flag_of
from advisor.garden.model import Garden, Holdings, JournalEntry, Place, Tree
from advisor.garden.needs import collect_needs
from advisor.garden.ordering import in_order
from advisor.garden.phenology import StageModel
from advisor.garden.questions import collect_questions
from advisor.garden.stage_ahead import stages_ahead
from advisor.garden.state_model import TreeState, WaterRecord
from advisor.garden.tables import SpeciesGroup, Tables
from advisor.garden.warmth import Stay, Warmth, joined, spliced

__all__ = ["fold_all", "fold_state", "journal_for", "stays_of"]

_AHEAD_D = 10
"""Days of forecast over which work windows look for the stage to come."""

_WATERING_KNOWN = timedelta(days=1)
"""Older than a day, a watering is taken as done as advised (contract of the journal)."""


def journal_for(holdings: Holdings, tree_id: str) -> tuple[JournalEntry, ...]:
    """Return the lines that concern a tree: its own, and the separation that made it."""
    return tuple(
        entry
        for entry in holdings.journal
        if entry.tree_id == tree_id or (entry.entry == "layer-separated" and entry.amount == tree_id)
    )


def stays_of(
    tree: Tree, entries: Sequence[JournalEntry], garden: Garden, at_utc: datetime, places: Mapping[str, Place]
) -> tuple[Stay, ...]:
    """Return where the tree stood and from which local day on, oldest first."""
    moves = sorted(
        (
            entry
            for entry in entries
            if entry.entry == "moved" and entry.tree_id == tree.id and entry.at_utc <= at_utc
        ),
        key=lambda entry: (entry.at_utc, entry.order),
    )
    moved = [
        Stay(entry.at_utc.astimezone(garden.zone).date(), entry.amount)
        for entry in moves
        if isinstance(entry.amount, str) and (not places or entry.amount in places)
    ]
    return (Stay(None, tree.place_id), *moved)


def _water(entries: Sequence[JournalEntry], at_utc: datetime) -> WaterRecord:
    watered = [entry for entry in entries if entry.entry == "watered"]
    weighed = [entry for entry in entries if entry.entry == "weighed" and isinstance(entry.amount, float)]
    last = watered[-1] if watered else None
    scale = weighed[-1] if weighed else None
    return WaterRecord(
        last_watered_utc=last.at_utc if last is not None else None,
        last_amount_l=last.amount if last is not None and isinstance(last.amount, float) else None,
        last_weight_kg=scale.amount if scale is not None and isinstance(scale.amount, float) else None,
        last_weight_utc=scale.at_utc if scale is not None else None,
        unlogged=last is None or at_utc - last.at_utc > _WATERING_KNOWN,
    )


def fold_state(
    tree: Tree,
    group: SpeciesGroup,
    entries: Sequence[JournalEntry],
    warmth: Warmth | None,
    garden: Garden,
    tables: Tables,
    at_utc: datetime,
    forecast_warmth: Warmth | None = None,
    places: Mapping[str, Place] | None = None,
    model: StageModel | None = None,
) -> TreeState:
    """Fold everything known of one tree up to a moment.

    Parameters
    ----------
    tree : Tree
    group : SpeciesGroup
        Of the tree.
    entries : sequence of JournalEntry
        Lines of this tree, and the ``layer-separated`` line of another tree that names it; any order.
        Lines after ``at_utc`` do not count.
    warmth : Warmth or None
        Daily warmth where the tree stood; may run on into the forecast. None: counted by days and by the
        calendar alone, which says so.
    garden : Garden
    tables : Tables
    at_utc : datetime
        Aware.
    forecast_warmth : Warmth or None
        Days to come, if not already in ``warmth``.
    places : mapping from place id to Place, optional
        Without it neither store nor deep shade is known, and any place id is taken.
    model : StageModel, optional
        Of this group and this warmth, where other trees have asked it already; else one is made.

    Returns
    -------
    TreeState

    Raises
    ------
    SettingsError
        A row is missing in config/aftercare.toml or config/phenology.toml.
    """
    now_utc = at_utc.astimezone(UTC)
    today = now_utc.astimezone(garden.zone).date()
    met = joined(warmth, forecast_warmth) if forecast_warmth is not None else warmth
    clock = EndClock(met, today, group, tables.phenology)
    if model is None:
        model = StageModel(group, garden, met, tables.phenology)
    lines = in_order([entry for entry in entries if entry.at_utc <= now_utc], garden.zone)
    fold = JournalFold(
        tree, garden, tables=tables, places=places or {}, model=model, clock=clock, lines=lines
    )
    for entry in lines.entries:
        fold.take(entry)
    fold.expire(today)

    stage = fold.stage(today)
    active = sorted(fold.active(), key=lambda run: (run.began_utc, run.rule.id))
    still = any(run.frozen is not None for run in active)
    coming = () if still else stages_ahead(model, fold.sightings, stage, today, _AHEAD_D)
    season = model.in_season(today, fold.sightings)
    hard_seen = fold.hard_seen(today)
    water_leaf, sun_leaf = leaf_shares(stage, fold.runs, model, clock)
    factor, factor_by = water_factor(fold.runs, clock)
    own = sorted(
        (entry for entry in entries if entry.tree_id == tree.id and entry.at_utc <= now_utc),
        key=lambda entry: (entry.at_utc, entry.order),
    )
    return TreeState(
        tree=tree,
        group=group,
        at_utc=now_utc,
        place_id=fold.stand.place_id,
        place_since=fold.stand.place_since,
        extra_shade=fold.stand.extra_shade,
        stage=stage,
        leaves_hard_seen=hard_seen,
        flags=tuple(flag_of(run, clock) for run in active),
        water_leaf_share=water_leaf,
        sun_leaf_share=sun_leaf,
        root_share=root_share(fold.runs, clock),
        needs=collect_needs(
            tree,
            garden,
            stage=stage,
            active=active,
            every_run=fold.runs,
            followers=tables.flags,
            model=model,
            clock=clock,
        ),
        water=_water(own, now_utc),
        last=dict(fold.last),
        questions=collect_questions(
            stage=stage,
            runs=fold.runs,
            season=season,
            hard_seen=hard_seen,
            last=fold.last,
            model=model,
            clock=clock,
        ),
        contradictions=tuple(fold.contradictions),
        sessions=tuple(fold.sessions),
        stages_ahead=coming,
        water_factor=factor,
        water_factor_by=factor_by,
    )


def fold_all(
    holdings: Holdings,
    tables: Tables,
    warmth_by_place: Mapping[str, Warmth | None],
    at_utc: datetime,
) -> dict[str, TreeState]:
    """Fold every tree of a garden, each with the warmth of the places it stood in.

    Parameters
    ----------
    holdings : Holdings
    tables : Tables
    warmth_by_place : mapping from place id to Warmth or None
        Past days, today and the forecast; a place without temperatures is absent or None.
    at_utc : datetime
        Aware.

    Returns
    -------
    dict from tree id to TreeState, in the order of the garden file.

    Raises
    ------
    KeyError
        A tree's group is not in the tables.
    SettingsError
        See ``fold_state``.
    """
    states: dict[str, TreeState] = {}
    lines: dict[str, list[JournalEntry]] = {tree.id: [] for tree in holdings.trees}
    for entry in holdings.journal:
        born = entry.amount if entry.entry == "layer-separated" else None
        for tree_id in {entry.tree_id, born}:
            if isinstance(tree_id, str) and tree_id in lines:
                lines[tree_id].append(entry)
    models: dict[tuple[str, int], tuple[StageModel, Warmth | None]] = {}
    for tree in holdings.trees:
        entries = lines[tree.id]
        stays = stays_of(tree, entries, holdings.garden, at_utc, holdings.places)
        group, warmth = tables.species[tree.group_id], spliced(warmth_by_place, stays)
        alike = (group.id, id(warmth))
        if alike not in models:  # the warmth is held on to, so that no other comes to its id
            models[alike] = StageModel(group, holdings.garden, warmth, tables.phenology), warmth
        states[tree.id] = fold_state(
            tree,
            group,
            entries,
            warmth,
            holdings.garden,
            tables,
            at_utc,
            places=holdings.places,
            model=models[alike][0],
        )
    return states
