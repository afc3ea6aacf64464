"""Questions the grower can answer in a word with ``log TREE ENTRY``.

``due`` is the last day on which a question fell due; it is asked on that day, and again only when it next
falls due.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from advisor.garden.flags import EndClock, Run
from advisor.garden.needs import feed_from
from advisor.garden.phenology import Sighting, StageModel
from advisor.garden.state_model import Question, Stage, StageKnown

__all__ = ["collect_questions"]


def _answered(last: Mapping[str, date], answers: Sequence[str], due: date, entry: str = "") -> bool:
    """True when one of the answers was logged on or after the day the question fell due."""
    return any(last.get(answer, date.min) >= due for answer in answers if answer != entry)


def _of_run(run: Run, last: Mapping[str, date], clock: EndClock) -> Question | None:
    rule, ends = run.rule, clock.end_range(run)
    if not rule.question:
        return None
    due, late = clock.last_ask(run), ends.late
    if due is not None and "degree_days_5" in rule.numbers and due < ends.early:
        # In a cool summer nothing can be there yet.
        due = ends.early if clock.today >= ends.early else None
    again = clock.today >= late
    if run.ended is not None:
        # Ended by time alone: the question stands a while longer.
        stands = round(clock.numbers.value("unlogged.ask_again_d", "d"))
        if run.ended_by != "time" or (clock.today - run.ended).days > stands:
            return None
    if again and (due is None or late > due):
        due = late
    if due is None or _answered(last, rule.answers, max(due, run.began + timedelta(days=1))):
        return None
    day = (clock.today - run.began).days + 1
    why = f"{rule.name}, day {day}; expected between {_day(ends.early)} and {_day(late)}"
    if again and rule.ends_by_time:
        why += "; its time is over and nobody said"
    return Question(rule.id, rule.question, rule.answers, due, why)


def _day(day: date) -> str:
    return f"{day.day} {day:%B}"


def _wire_off(run: Run, last: Mapping[str, date]) -> Question | None:
    tight = last.get("wire-tight")
    if tight is None or tight < run.began:
        return None
    text = "Is the wire off? It was seen biting."
    return Question("wire-off", text, ("unwired",), tight, f"wire seen biting on {_day(tight)}")


def _of_stage(
    stage: StageKnown, season: Sequence[Sighting], hard_seen: bool, model: StageModel, clock: EndClock
) -> Question | None:
    """Leaves open, leaves hard: asked once the model thinks so and nobody has said."""
    if stage.certainty == "seen" or model.restless or stage.since is None:
        return None
    entries = {seen.entry for seen in season}
    if stage.stage in {Stage.LEAVES_UNFOLDING, Stage.SHOOTS_EXTENDING}:
        if entries & {"leaves-open", "leaves-hard"} or model.evergreen:
            return None
        return Question(
            "leaves-open", "Are the leaves open?", ("leaves-open", "buds-swelling"), stage.since, stage.text
        )
    if stage.stage is Stage.LEAVES_HARD and not hard_seen:
        every = round(clock.numbers.value("sighting.ask_hard_every_d", "d"))
        age = (clock.today - stage.since).days
        due = stage.since + timedelta(days=every * (age // every))
        why = f"{stage.text}; heavy work in leaf wants hard leaves seen"
        return Question(
            "leaves-hard", "Are the leaves hard: dark and firm?", ("leaves-hard", "leaves-open"), due, why
        )
    return None


def _feed(runs: Sequence[Run], last: Mapping[str, date], growing: bool, clock: EndClock) -> Question | None:
    waits = [found for run in runs if run.ended_by != "restarted" and (found := feed_from(run, clock))]
    if not waits or not growing:
        return None
    days, said = max(waits)
    stands = clock.numbers.value("sighting.feed_note_d", "d")
    due = clock.today + timedelta(days=days)
    if not -stands <= days <= 0 or _answered(last, ("fed",), due):
        return None
    return Question("feed-again", "Feeding may begin again.", ("fed",), due, said)


def collect_questions(
    *,
    stage: StageKnown,
    runs: Sequence[Run],
    season: Sequence[Sighting],
    hard_seen: bool,
    last: Mapping[str, date],
    model: StageModel,
    clock: EndClock,
) -> tuple[Question, ...]:
    """Return what to ask of one tree, due today or before and not yet answered, earliest first.

    Parameters
    ----------
    stage : StageKnown
    runs : sequence of Run
        Running and ended flags.
    season : sequence of Sighting
        Of this season.
    hard_seen : bool
        Hard leaves were seen.
    last : mapping of journal entry to its last local date
    model : StageModel
    clock : EndClock
    """
    found: list[Question | None] = []
    for run in runs:
        found.append(_of_run(run, last, clock))
        if run.keeps("wire") and run.ended is None:
            found.append(_wire_off(run, last))
    softened = any(run.ended is None and run.keeps("freezes-stage") for run in runs)
    if not softened:
        found.append(_of_stage(stage, season, hard_seen, model, clock))
    growing = stage.stage.order in range(Stage.LEAVES_UNFOLDING.order, Stage.AUTUMN_COLOUR.order)
    found.append(_feed(runs, last, growing, clock))
    asked = {question.id: question for question in found if question is not None}
    return tuple(sorted(asked.values(), key=lambda question: (question.due, question.id)))
