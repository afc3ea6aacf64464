"""What counts as told, by what became of the digest's mail: cases of told_delivered.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import Yard, local, text_of, with_highs_of

from advisor.service.told_moves import told_moves
from advisor.service.told_watering import told_watering
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.stamps import stamp

CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "told_delivered.toml").read_text(encoding="utf-8")
)["case"]
EVENING = local("2013-07-13T20:00")


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """A hot morning whose digest tells a stripped maple to leave the open bench."""
    folder = tmp_path_factory.mktemp("delivered")
    with ForecastServer(datetime(2013, 7, 13, 10, tzinfo=UTC)) as weather:
        weather.warp = with_highs_of(33.0)
        yard = Yard.write(folder / "yard", weather)
        assert yard.tick("2013-07-13T06:00").exit_code == 0
        yield yard


def became(yard: Yard, state: str, finished: str) -> tuple[Any, Any]:
    """What counts as told in the evening, had the mail of the digest come to this."""
    with Store.open(yard.folder / "state", EVENING, None) as store:
        with store.transaction() as tx:
            done = stamp(local(finished)) if state not in {"pending", "leased"} else None
            lease = stamp(EVENING) if state == "leased" else None
            tx.run(
                "UPDATE outbox SET state = ?, finished_at = ?, lease_until = ? WHERE kind = 'digest'",
                (state, done, lease),
            )
        numbers = load_tables().operation
        return told_watering(store, EVENING, numbers), told_moves(store, EVENING, numbers)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["state"])
def test_only_what_was_delivered_was_told(yard: Yard, case: dict[str, Any]) -> None:
    water, moves = became(yard, case["state"], "2013-07-13T06:00")
    assert bool(water) is case["told"]
    assert bool(moves) is case["told"]
    if case["told"]:
        assert {move.tree_id for move in moves} >= {"wren"}


def test_what_came_late_speaks_from_then_on(yard: Yard) -> None:
    """Delivered at eleven: nobody can have watered at seven because of it."""
    (water,), moves = became(yard, "sent", "2013-07-13T11:00")
    assert water.from_utc == local("2013-07-13T11:00")
    assert all(move.at_utc == local("2013-07-13T11:00") <= move.by_utc for move in moves)
    assert moves
    (water,), _ = became(yard, "sent", "2013-07-13T06:40")
    assert water.from_utc == local("2013-07-13T06:00"), "soon enough, by service.told_soon"
    (water,), _ = became(yard, "sent", "2013-07-13T06:00")
    assert water.from_utc == local("2013-07-13T06:00")


def test_what_was_delivered_after_now_is_not_told_yet(yard: Yard) -> None:
    assert became(yard, "sent", "2013-07-13T23:00") == ((), ())


def test_next_morning_says_as_told_and_after_a_logged_move_no_more(yard: Yard) -> None:
    became(yard, "sent", "2013-07-13T06:00")
    yard.tick("2013-07-14T06:00")
    text = " ".join(text_of(yard.mails("digest")[-1]).split())
    assert "as told Sat 13 Jul, if" in text
    assert "still stand" in text
    (moved,) = [move for move in _moves(yard, "2013-07-14T20:00") if move.tree_id == "wren"][:1]
    yard.command("log", "wren", "moved", moved.to_id, now="2013-07-14T21:00")
    answer = " ".join(yard.command("tree", "wren", now="2013-07-14T21:30").stdout.split())
    assert "as told" not in answer


def _moves(yard: Yard, at: str) -> Any:
    with Store.open(yard.folder / "state", local(at), None) as store:
        return told_moves(store, local(at), load_tables().operation)
