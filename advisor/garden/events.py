"""Journal lines taken one by one: what each raises, ends, moves, and where it does not fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta

from advisor.garden.flags import EndClock, Ended, Run
from advisor.garden.model import Garden, JournalEntry, Place, Tree
from advisor.garden.ordering import WORK, Lines
from advisor.garden.phenology import LEAF_SIGHTINGS, Sighting, StageModel
from advisor.garden.placing import Stand
from advisor.garden.seasons import season_start
from advisor.garden.state_model import Session, Stage, StageKnown
from advisor.garden.tables import FlagRule, Tables

__all__ = ["JournalFold"]


class JournalFold:
    """Runs of flags, sightings, place, net and sessions after the lines taken so far.

    Attributes
    ----------
    runs : list of Run
        Every flag ever raised, running and ended, in order of their start.
    sightings : list of Sighting
    last : dict of journal entry to its last local date
    sessions : list of Session
    contradictions : list of str
    stand : Stand
        Where the tree stands, and the net over it.
    """

    def __init__(
        self,
        tree: Tree,
        garden: Garden,
        *,
        tables: Tables,
        places: Mapping[str, Place],
        model: StageModel,
        clock: EndClock,
        lines: Lines,
    ) -> None:
        self._tree, self._garden = tree, garden
        self._flags, self._numbers = tables.flags, tables.phenology
        self._model, self._clock, self._lines = model, clock, lines
        self._hard_day: date | None = None
        self.runs: list[Run] = []
        self.sightings: list[Sighting] = []
        self.last: dict[str, date] = {}
        self.sessions: list[Session] = []
        self.contradictions: list[str] = []
        self.stand = Stand(tree.place_id, places, self._numbers)

    def _day(self, entry: JournalEntry) -> date:
        return entry.at_utc.astimezone(self._garden.zone).date()

    # --- runs ---------------------------------------------------------------------------------

    def active(self) -> list[Run]:
        """Return the running flags, oldest first."""
        return [run for run in self.runs if run.ended is None]

    def _replace(self, old: Run, new: Run) -> None:
        self.runs[self.runs.index(old)] = new

    def _end(self, run: Run, day: date, by: Ended, entry: str) -> None:
        self._replace(run, replace(run, ended=day, ended_by=by, ended_entry=entry))

    def _start(self, rule: FlagRule, day: date, at_utc: datetime, **details: object) -> None:
        """Raise a flag, or start its clock again."""
        held = next((run for run in self.active() if run.rule.id == rule.id), None)
        if held is not None and "oldest-counts" in rule.keeps:
            return
        if held is not None and "stacks" not in rule.keeps:
            self._end(held, day, "restarted", "")
        run = Run(rule=rule, began=day, began_utc=at_utc, line=None)
        self.runs.append(replace(run, **details))  # type: ignore[arg-type]

    def expire(self, day: date) -> None:
        """End what time alone ends before ``day``; what follows a state never confirmed is a guess."""
        while True:
            over = [
                (self._clock.end_range(run).late, run)
                for run in self.active()
                if run.rule.ends_by_time and self._clock.end_range(run).late < day
            ]
            if not over:
                return
            late, run = min(over, key=lambda pair: (pair[0], pair[1].rule.id))
            self._end(run, late, "time", "")
            follower = self._flags.get(run.rule.followed_by)
            if follower is not None and (run.in_leaf or not run.keeps("follows-in-leaf")):
                guess = "guess" if run.keeps("bare") or run.keeps("follows-in-leaf") else "logged"
                self._start(
                    follower,
                    late,
                    run.began_utc + timedelta(days=(late - run.began).days),
                    known=guess,
                    line=run.line,
                    frozen=run.frozen,
                )

    # --- stage --------------------------------------------------------------------------------

    def _frozen(self) -> Run | None:
        for run in self.active():
            if run.frozen is not None:
                autumn = any(
                    seen.stage in {Stage.AUTUMN_COLOUR, Stage.LEAF_FALL} and seen.day > run.began
                    for seen in self.sightings
                )
                return None if autumn else run
        return None

    def stage(self, day: date) -> StageKnown:
        """The stage on ``day``; it stands still while the tree is bare or leafs again after work or frost."""
        run = self._frozen()
        if run is not None and run.frozen is not None:
            return run.frozen
        return self._model.on(day, self.sightings)

    def _in_leaf(self, day: date) -> bool:
        stage = self.stage(day).stage
        if self._model.evergreen:
            return stage is not Stage.DORMANT
        return stage.in_leaf or stage is Stage.BUD_BREAK

    def _stand_still(self, rule: FlagRule, day: date) -> StageKnown | None:
        """The stage to hold from ``day`` on; None where nothing stands still."""
        if "freezes-stage" not in rule.keeps:
            return None
        found = self.stage(day)
        if self._frozen() is not None:
            return found
        bare = "bare" in rule.keeps
        if not bare and not found.stage.in_leaf:
            return None
        seen = found.seen_on
        how = found.certainty if seen is None else f"seen {seen.day} {seen:%B}"
        if bare and found.stage.order < Stage.LEAVES_HARD.order:
            # Leaves were there to be taken off.
            found = replace(found, stage=Stage.LEAVES_HARD, certainty="estimated", seen_on=None)
            how = "estimated: there were leaves to strip"
        return replace(found, text=f"{how}; stands still since {day.day} {day:%B}")

    def hard_seen(self, day: date) -> bool:
        """True when hard leaves were seen this season and nothing has undone it."""
        if self._hard_day is None:
            return False
        if self._model.restless:
            return (day - self._hard_day).days <= 365
        return self._hard_day >= season_start(day, self._garden.southern)

    # --- lines --------------------------------------------------------------------------------

    def take(self, entry: JournalEntry) -> None:
        """Take one line; lines must come in the order of ``lines``."""
        day = self._day(entry)
        self.expire(day)
        self.last[entry.entry] = day
        born = entry.entry == "layer-separated" and entry.amount == self._tree.id
        if born or entry.tree_id != self._tree.id:
            self._begin(entry, day, born=True)
            return
        if entry.entry == "moved":
            self._move(entry, day)
        elif entry.entry in {"shaded", "unshaded"}:
            self._net(entry, day)
        elif entry.entry in LEAF_SIGHTINGS:
            self._see(entry, day)
        else:
            self._finish(entry, day)
            self._begin(entry, day, born=False)
        if entry.entry in WORK:
            self._session(entry, day)

    def _named(self, entry: JournalEntry, text: str) -> None:
        self.contradictions.append(f"line {entry.line}: {text}")

    def _finish(self, entry: JournalEntry, day: date) -> None:
        """End the flags that this line ends, and raise what follows them."""
        ended: list[Run] = []
        for run in self.active():
            stacked = run.keeps("stacks") and any(done.rule.id == run.rule.id for done in ended)
            if entry.entry not in run.rule.ends or stacked:
                continue
            self._end(run, day, "work" if entry.entry in WORK else "seen", entry.entry)
            ended.append(run)
            follower = self._flags.get(run.rule.followed_by)
            if follower is None or entry.entry in follower.ends:
                continue
            if run.keeps("follows-in-leaf") and not (run.in_leaf and entry.entry == "leaves-open"):
                continue
            self._start(
                follower, day, entry.at_utc, known="seen", line=entry.line, frozen=run.frozen, in_leaf=True
            )
        if not ended:
            for rule in self._flags.values():
                if entry.entry in rule.ends and not rule.ends_by_time:
                    self._named(entry, f"{entry.entry} on {day}, but nothing {rule.name} was in the journal")
            if entry.entry == "recovered" and not any("recovered" in run.rule.ends for run in self.runs):
                self._named(entry, f"recovered on {day}, but no trouble or work before it was in the journal")

    def _big(self, entry: JournalEntry) -> tuple[bool, str]:
        """Whether a cut counts as big, and what to say of its size."""
        if isinstance(entry.amount, float) and entry.unit == "share":
            return entry.amount >= self._numbers.value("cut.big_share", "share"), ""
        if isinstance(entry.amount, float) and entry.unit == "mm":
            return entry.amount >= self._numbers.value("cut.big_mm", "mm"), ""
        return True, "size not given, taken as big"

    def _begin(self, entry: JournalEntry, day: date, *, born: bool) -> None:
        """Raise the flags that this line raises. ``born``: the line made this tree."""
        raised = [
            rule
            for rule in self._flags.values()
            if entry.entry in rule.starts and born == ("new-tree" in rule.keeps)
        ]
        in_leaf = self._in_leaf(day) if raised else False
        for rule in raised:
            note = ""
            if "big" in rule.keeps:
                big, note = self._big(entry)
                if not big:
                    continue
                self.last["big-cut"] = day
            if ("in-leaf" in rule.keeps and not in_leaf) or ("not-in-leaf" in rule.keeps and in_leaf):
                continue
            frozen = self._stand_still(rule, day)
            if "bare" in rule.keeps:
                self._doubt_stripping(entry, day)
                self._hard_day = None
                for run in self.active():
                    if run.keeps("tender"):
                        self._end(run, day, "work", entry.entry)
            self._start(
                rule,
                day,
                entry.at_utc,
                line=entry.line,
                amount=entry.amount if isinstance(entry.amount, float) else None,
                amount_unit=entry.unit,
                note=note,
                frozen=frozen,
                in_leaf=in_leaf,
            )

    def _doubt_stripping(self, entry: JournalEntry, day: date) -> None:
        """Name a stripping of a tree that was bare, or whose leaves had only just opened."""
        bare = next((run for run in self.active() if run.keeps("bare") and run.leaf_seen is None), None)
        if bare is not None and bare.began < day:
            text = f"stripped on {day}, but bare since {bare.began}: log leaves-open if the leaves were out"
            self._named(entry, f"{text}; the count begins again")
            return
        soft = self._numbers.value("unlogged.soft_leaf_d", "d")
        opened = [seen.day for seen in self.sightings if seen.entry == "leaves-open" and seen.day < day]
        if opened and self._hard_day is None and (day - opened[-1]).days < soft:
            text = f"stripped on {day}, but the leaves opened only on {opened[-1]}"
            self._named(entry, f"{text}: log leaves-hard if they were hard; the tree is read as bare")

    def _see(self, entry: JournalEntry, day: date) -> None:
        """Take a sighting of buds or leaves: for the flags first, else for the stage of the year."""
        opened = entry.entry == "leaves-open"
        if opened and day in self._lines.strip_days:
            self._named(entry, f"leaves-open on {day}, the day of the stripping; the tree is read as bare")
            return
        if entry.entry == "leaves-hard" and day in self._lines.both_days:
            self._named(entry, f"leaves-hard and leaves-open on {day}; the leaves are read as soft")
            return
        bare = next((run for run in self.active() if run.keeps("bare")), None)
        soonest = round(self._numbers.value("unlogged.soonest_leaf_d", "d"))
        if opened and bare is not None and (day - bare.began).days < soonest:
            self._named(
                entry,
                f"leaves-open on {day}, {(day - bare.began).days} days after the stripping; "
                "sheltered as bare, watered as in leaf",
            )
            self._replace(bare, replace(bare, leaf_seen=bare.leaf_seen or day))
            return
        if opened:
            self._hard_day = None
        held = self._frozen() is not None
        self._soften_again(entry, day)
        self._finish(entry, day)
        if entry.entry == "leaves-hard":
            self._hard_day = day
        elif held and entry.entry in {"leaves-open", "buds-swelling"}:
            return
        stage, fault = self._model.reading(day, entry.entry, self.sightings)
        if fault:
            self._named(entry, fault)
        if stage is not None:
            self.sightings.append(Sighting(day, stage, entry.entry))

    def _soften_again(self, entry: JournalEntry, day: date) -> None:
        """Leaves seen open while soft leaves were only guessed: the count begins with what was seen."""
        for run in self.active():
            if entry.entry == "leaves-open" and run.keeps("tender") and run.known == "guess":
                self._start(
                    run.rule,
                    day,
                    entry.at_utc,
                    known="seen",
                    line=entry.line,
                    frozen=run.frozen,
                    in_leaf=True,
                )

    def _session(self, entry: JournalEntry, day: date) -> None:
        works = [entry.entry]
        if entry.entry == "cut" and self._big(entry)[0]:
            works.append("big-cut")
        if self.sessions:
            open_session = self.sessions[-1]
            if (day - open_session.began).days < self._numbers.value("session.days", "d"):
                added = tuple(work for work in works if work not in open_session.works)
                self.sessions[-1] = Session(open_session.began, day, open_session.works + added)
                return
        self.sessions.append(Session(day, day, tuple(works)))

    # --- place and net ------------------------------------------------------------------------

    def _marked(self, mark: str) -> FlagRule | None:
        return next((rule for rule in self._flags.values() if mark in rule.keeps), None)

    def _harden(self, entry: JournalEntry, day: date) -> None:
        rule = self._marked("raised-out-of-store")
        if rule is not None:
            self._start(rule, day, entry.at_utc, line=entry.line)

    def _move(self, entry: JournalEntry, day: date) -> None:
        new = entry.amount
        if not isinstance(new, str) or not self.stand.known(new):
            self._named(entry, f"moved on {day} to {new!r}, no place of this garden; the move is left out")
            return
        if new == self.stand.place_id:
            return
        was_in, now_in = self.stand.in_store, self.stand.is_store(new)
        stored = self._marked("raised-in-store")
        run = next((run for run in self.active() if stored is not None and run.rule.id == stored.id), None)
        lit = self.stand.move(new, day)
        if now_in and not was_in and stored is not None:
            self._start(stored, day, entry.at_utc, line=entry.line, note=f"in {new}")
        elif was_in and not now_in:
            stay = self._numbers.value("store.stay_d", "d")
            if run is None or (day - run.began).days >= stay:
                self._harden(entry, day)
            if run is not None:
                self._end(run, day, "work", entry.entry)
        elif lit and not now_in and self._in_leaf(day):
            self._harden(entry, day)

    def _net(self, entry: JournalEntry, day: date) -> None:
        if entry.entry == "shaded":
            self.stand.shade(entry.amount if isinstance(entry.amount, float) else None, day)
        elif self.stand.unshade(day) and self._in_leaf(day):
            self._harden(entry, day)
