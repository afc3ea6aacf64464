"""What must hold of any journal: order, strictness, certainty, time."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import pytest
from garden.state_helpers import GARDENS, PLACES, TABLES, folded, lines, local, tree, warmth_of
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.garden.model import Holdings, JournalEntry
from advisor.garden.state import fold_all
from advisor.garden.state_model import Needs, TreeState
from advisor.store.config_files import load_tables

NORTH = GARDENS["north"]
ENTRIES = [
    "defoliated", "part-defoliated", "cut", "carved", "carved-deadwood", "wired", "unwired", "bent",
    "repotted", "layer-started", "layer-separated", "sealed", "limed", "candle-cut", "fed", "watered",
    "shaded", "unshaded", "buds-swelling", "leaves-open", "leaves-hard", "roots-seen", "colour", "leaf-fall",
    "wilted", "scorched", "frosted", "wire-tight", "pests", "recovered",
]  # fmt: skip
STRESS = [
    "cut",
    "carved",
    "bent",
    "repotted",
    "scorched",
    "wilted",
    "frosted",
    "layer-started",
    "wired",
    "pests",
]
HIGHEST = {"shade_share", "frost_limit_c", "root_limit_c", "no_feed_until"}
SURE = ["guess", "estimated", "seen"]

rows = st.lists(
    st.builds(
        lambda step, entry, at: f"{date(2026, 1, 1) + timedelta(days=step)},{at},{entry},,",
        st.integers(0, 300),
        st.sampled_from(ENTRIES),
        st.sampled_from(["", "08:00"]),
    ),
    max_size=9,
)
warmths = st.sampled_from([20.0, 12.0, "year", "none"])
species = st.sampled_from(["maple", "pine", "ficus", "trident"])
quick = settings(max_examples=150, deadline=None, derandomize=True)


def _at(step: int) -> str:
    return f"{date(2026, 1, 1) + timedelta(days=step)}T20:00"


def _same(left: TreeState, right: TreeState) -> None:
    def bare(state: TreeState) -> object:
        # Line numbers follow the order of the file.
        flags = sorted((flag.id, flag.began, flag.phase, flag.known) for flag in state.flags)
        questions = [(question.id, question.due) for question in state.questions]
        shares = (state.water_leaf_share, state.sun_leaf_share, state.root_share, state.extra_shade)
        return state.stage, state.leaves_hard_seen, flags, questions, shares, state.needs, state.last

    assert bare(left) == bare(right)
    assert len(left.contradictions) == len(right.contradictions)


@quick
@given(rows, warmths, species, st.randoms(use_true_random=False), st.integers(0, 330))
def test_fold_order_of_lines_in_the_file_does_not_matter(rows, warmth, species, shuffler, step) -> None:
    entries = [line for row in rows for line in lines([row], NORTH)]
    # Nets of equal time are the stated exception: the later line stands.
    entries = [entry for entry in entries if entry.entry not in {"shaded", "unshaded"}]
    shuffled = list(entries)
    shuffler.shuffle(shuffled)
    kind = {"warmth": warmth, "species": species}
    _same(folded(entries, _at(step), **kind), folded(shuffled, _at(step), **kind))


def _looser(before: Needs, after: Needs) -> list[str]:
    found = []
    for name in Needs.__slots__:
        held, now = getattr(before, name), getattr(after, name)
        if held is None:
            continue
        if now is None or (now.value < held.value if name in HIGHEST else now.value > held.value):
            found.append(name)
    return found


@quick
@given(rows, warmths, species, st.sampled_from(STRESS), st.integers(0, 300), st.integers(0, 60))
def test_fold_one_more_stress_never_loosens_a_need(rows, warmth, species, stress, step, later) -> None:
    """Harm or work, on the day itself or weeks ago, can only make the tree ask for more."""
    day = date(2026, 1, 1) + timedelta(days=step)
    kind = {"warmth": warmth, "species": species}
    before = folded(rows, _at(step + later), **kind)
    after = folded([*rows, f"{day},18:00,{stress},,"], _at(step + later), **kind)
    assert not _looser(before.needs, after.needs), (before.needs, after.needs)


@quick
@given(rows, species, st.integers(0, 330), st.sampled_from([20.0, 12.0, "year"]))
def test_fold_without_temperatures_is_never_more_certain(rows, species, step, warmth) -> None:
    known = folded(rows, _at(step), warmth=warmth, species=species)
    blind = folded(rows, _at(step), warmth="none", species=species)
    if blind.stage.seen_on is None and known.stage.stage is blind.stage.stage:
        assert SURE.index(blind.stage.certainty) <= SURE.index(known.stage.certainty)
    for flag in blind.flags:
        if "degree_days_5" in flag.rule.numbers and flag.known != "guess":
            assert "temperatures are missing" in flag.known
            assert flag.degree_days_5 is None
        held = known.flag(flag.id)
        if held is not None and held.began == flag.began:
            # Warmth can only put the early end later; nobody is told sooner for knowing less.
            assert flag.expected_end[0] <= held.expected_end[0]


@quick
@given(rows, warmths, species, st.integers(0, 300), st.integers(1, 40))
def test_fold_later_never_counts_fewer_days(rows, warmth, species, step, later) -> None:
    kind = {"warmth": warmth, "species": species}
    now, then = folded(rows, _at(step), **kind), folded(rows, _at(step + later), **kind)
    for flag in now.flags:
        for held in then.flags:
            if (flag.id, flag.began) == (held.id, held.began):
                assert held.day_n == flag.day_n + later


@quick
@given(rows, warmths, species, st.integers(0, 330))
def test_fold_is_sound_for_any_journal(rows, warmth, species, step) -> None:
    state = folded(rows, _at(step), warmth=warmth, species=species)
    today = date(2026, 1, 1) + timedelta(days=step)
    for share in (state.water_leaf_share, state.sun_leaf_share, state.root_share):
        assert 0.0 <= share <= 1.0
    assert state.water_leaf_share >= state.sun_leaf_share
    for flag in state.flags:
        early, late = flag.expected_end
        assert flag.began <= early <= late
        assert flag.day_n >= 1
        assert flag.phase != "overdue" or not flag.rule.ends_by_time
    for question in state.questions:
        assert question.due <= today
        assert question.answers
        assert question.why
    if state.leaves_hard_seen:
        assert state.flag("leafless") is None
        assert state.last["leaves-hard"] >= state.last.get("defoliated", date.min)
    for earlier, after in pairwise(state.sessions):
        assert earlier.began < after.began
    assert folded(rows, _at(step), warmth=warmth, species=species) == state


@pytest.mark.parametrize("warmth", [20.0, 12.0, "none"])
def test_unlogged_stripping_water_share_rises_and_shelter_never_ends_early(warmth: float | str) -> None:
    """Per need: water comes back from 0.6 of the expected time, shelter holds to the late end."""
    journal = ["2026-05-20,,leaves-hard,,", "2026-06-01,,defoliated,,"]
    states = [
        folded(journal, f"{date(2026, 6, 1) + timedelta(days=step)}T20:00", warmth=warmth)
        for step in range(100)
    ]
    shares = [state.water_leaf_share for state in states]
    assert shares == sorted(shares)
    assert shares[0] < 0.1
    assert shares[60] == 1.0
    late = states[0].flag("leafless")
    assert late is not None
    for state in states:
        if state.flag("leafless") is not None:
            assert state.needs.direct_sun_h is not None
            assert state.needs.direct_sun_h.value <= 3.0
            assert state.needs.frost_limit_c is not None
            assert state.needs.frost_limit_c.value >= 2.0
    last_bare = max(step for step, state in enumerate(states) if state.flag("leafless") is not None)
    assert last_bare >= 42  # the late end by days, common practice
    assert states[last_bare + 1].flag("tender-flush") is not None


def test_question_answered_is_not_asked_again() -> None:
    journal = ["2026-05-20,,leaves-hard,,", "2026-06-01,,layer-started,,"]
    asked = {question.id for question in folded(journal, "2026-07-14T20:00").questions}
    assert "layer-running" in asked
    answered = folded([*journal, "2026-07-13,,roots-seen,,"], "2026-07-14T20:00")
    assert "layer-running" not in {question.id for question in answered.questions}
    later = folded([*journal, "2026-07-13,,roots-seen,,"], "2026-07-28T20:00")
    assert "layer-running" in {question.id for question in later.questions}


def test_question_is_due_after_three_weeks_and_again_at_the_late_end() -> None:
    """New leaves after 3-4 weeks, 42 days at most (common practice)."""
    journal = ["2026-05-20,,leaves-hard,,", "2026-06-01,,defoliated,,"]
    dues = {
        question.due
        for step in range(60)
        for question in folded(journal, f"{date(2026, 6, 1) + timedelta(days=step)}T20:00").questions
        if question.id == "leafless"
    }
    assert dues == {date(2026, 6, 22), date(2026, 7, 13)}


def test_question_names_entries_the_journal_knows() -> None:
    known = {*ENTRIES, "moved", "weighed"}
    for rule in TABLES.flags.values():
        assert {*rule.starts, *rule.ends, *rule.answers} <= known, rule.id
        assert bool(rule.question) == bool(rule.answers), rule.id
        assert "days" in rule.numbers, rule.id


def test_need_names_who_set_it() -> None:
    state = folded(["2026-05-20,,leaves-hard,,", "2026-06-01,,defoliated,,"], "2026-06-09T06:00")
    assert state.needs.frost_limit_c is not None
    assert state.needs.frost_limit_c.set_by == "bare after stripping (day 9 of about 20)"
    spring = folded([], "2026-05-08T06:00", warmth="year")
    assert spring.needs.frost_limit_c is not None
    assert spring.needs.frost_limit_c.set_by == "Japanese maple, open leaves"


def test_feeding_note_comes_when_the_pause_ends() -> None:
    journal = ["2026-04-01,,repotted,,", "2026-05-02,,leaves-open,,"]
    pause = folded(journal, "2026-04-28T06:00", warmth="year").needs.no_feed_until
    assert pause is not None
    assert (pause.value, pause.unit) == (1.0, "d")
    after = folded(journal, "2026-05-03T06:00", warmth="year")
    assert after.needs.no_feed_until is None
    assert "feed-again" in {question.id for question in after.questions}
    fed = folded([*journal, "2026-05-03,05:00,fed,,"], "2026-05-03T06:00", warmth="year")
    assert "feed-again" not in {question.id for question in fed.questions}


def _holdings(journal: list[JournalEntry]) -> Holdings:
    trees = (
        replace(tree("maple"), group_id="acer-palmatum", species_id="acer-palmatum"),
        replace(tree("maple", "cinder"), group_id="acer-palmatum", species_id="acer-palmatum"),
        replace(tree("pine", "knot"), group_id="pinus-two-flush", species_id="pinus-thunbergii"),
    )
    return Holdings(NORTH, PLACES, trees, tuple(journal))


def test_fold_all_over_the_shipped_tables() -> None:
    tables = load_tables()
    journal = lines(
        ["2026-05-20,,leaves-hard,,", "2026-06-01,,layer-started,,", "2026-08-01,,layer-separated,cinder,"],
        NORTH,
    )
    pine = tables.group_of("pinus-thunbergii")
    assert pine is not None
    holdings = _holdings(journal)
    holdings = replace(holdings, trees=(*holdings.trees[:2], replace(holdings.trees[2], group_id=pine.id)))
    warm = warmth_of("year", NORTH, date(2026, 1, 1), date(2026, 8, 10))
    states = fold_all(holdings, tables, {"bench": warm, "garage": None}, local("2026-08-03T06:00", NORTH))
    assert list(states) == ["ember", "cinder", "knot"]
    assert states["ember"].flag("layer-taken") is not None
    assert states["cinder"].flag("young-layer") is not None
    assert states["cinder"].needs.shade_share is not None
    assert states["cinder"].needs.shade_share.value == 0.6
    assert states["knot"].water_leaf_share == 1.0


def test_fold_all_every_shipped_species_through_a_year() -> None:
    """No species, month or hemisphere is without an answer; needs stay within what a grower can believe."""
    tables = load_tables()
    for garden in (GARDENS["north"], GARDENS["south"], GARDENS["singapore"]):
        trees = tuple(
            replace(tree("maple", f"tree-{number}"), group_id=group)
            for number, group in enumerate(tables.species)
        )
        holdings = Holdings(garden, PLACES, trees, ())
        warm = warmth_of("year", garden, date(2025, 1, 1), date(2026, 12, 31))
        for month in range(1, 13):
            at = local(f"2026-{month:02d}-15T06:00", garden)
            for state in fold_all(holdings, tables, {"bench": warm}, at).values():
                assert state.stage.text
                frost, roots = state.needs.frost_limit_c, state.needs.root_limit_c
                assert frost is None or -10.0 <= frost.value <= 15.0
                assert roots is None or -16.0 <= roots.value <= 15.0


def test_tree_moved_into_a_warm_room_wakes_before_the_bench() -> None:
    """A tree in a garage wakes early: degree days are those of the place (common practice)."""
    journal = lines(["2026-01-05,,moved,garage,place"], NORTH)
    holdings = _holdings(journal)
    holdings = replace(holdings, trees=holdings.trees[:2])
    cold = warmth_of("year", NORTH, date(2026, 1, 1), date(2026, 3, 10))
    warm = warmth_of(12.0, NORTH, date(2026, 1, 1), date(2026, 3, 10))
    tables = load_tables()
    states = fold_all(holdings, tables, {"bench": cold, "garage": warm}, local("2026-03-01T06:00", NORTH))
    assert states["ember"].stage.stage.order > states["cinder"].stage.stage.order
    assert states["ember"].flag("stored") is not None
