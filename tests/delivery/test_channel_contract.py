"""What every channel owes: a receipt or a verdict, one mark before the payload, no retry, no database."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from servers.mail_server import MailServer, Script, free_port

import advisor.delivery
from advisor.delivery.envelope import Envelope
from advisor.delivery.folder import FolderSettings
from advisor.delivery.registry import CHANNELS, bind
from advisor.delivery.smtp import SmtpSettings, SmtpTimeouts
from advisor.errors import DeliveryError, SettingsError

WAITS = SmtpTimeouts(5, 5, 5, 20)
RAW = b"Message-ID: <one@example.org>\r\nSubject: Frost\r\n\r\n.Cover two trees.\r\n"
LETTER = Envelope("advisor@example.org", "grower@example.org", "<one@example.org>", RAW)


@dataclass
class Bench:
    """One channel with a place to deliver to, and a way to see what arrived."""

    settings: Any
    arrived: Callable[[], list[bytes]]


@contextmanager
def folder_bench(tmp_path: Path) -> Iterator[Bench]:
    folder = tmp_path / "mail"
    yield Bench(FolderSettings(folder), lambda: [file.read_bytes() for file in sorted(folder.glob("*.eml"))])


@contextmanager
def smtp_bench(tmp_path: Path) -> Iterator[Bench]:
    with MailServer() as server:
        yield Bench(
            SmtpSettings("127.0.0.1", server.port, "plain", WAITS),
            lambda: [content for _, _, content in server.box.taken],
        )


BENCHES = {"folder": folder_bench, "smtp": smtp_bench}


def broken(name: str, tmp_path: Path) -> Any:
    if name == "folder":
        (tmp_path / "file").write_text("not a folder")
        return FolderSettings(tmp_path / "file")
    return SmtpSettings("127.0.0.1", free_port(), "plain", WAITS)


def test_registry_files_and_benches_agree() -> None:
    folder = Path(advisor.delivery.__file__).parent
    senders = {
        file.stem
        for file in folder.glob("*.py")
        if any(
            isinstance(node, ast.FunctionDef) and node.name == "send"
            for node in ast.parse(file.read_text(encoding="utf-8")).body
        )
    }
    assert set(CHANNELS) == senders == set(BENCHES)


def test_unknown_channel_is_named() -> None:
    with pytest.raises(SettingsError, match="pigeon"):
        bind("pigeon", FolderSettings(Path("x")))


@pytest.mark.parametrize("name", sorted(CHANNELS))
class TestChannel:
    def test_message_arrives_whole_with_a_receipt(self, name: str, tmp_path: Path) -> None:
        marks: list[int] = []
        with BENCHES[name](tmp_path) as bench:
            receipt = bind(name, bench.settings)(LETTER, lambda: marks.append(1))
            assert bench.arrived() == [RAW]
        assert receipt
        assert marks == [1]

    def test_mark_comes_before_anything_arrives(self, name: str, tmp_path: Path) -> None:
        seen: list[int] = []
        with BENCHES[name](tmp_path) as bench:
            bind(name, bench.settings)(LETTER, lambda: seen.append(len(bench.arrived())))
        assert seen == [0]

    def test_fault_of_the_mark_passes_through_and_nothing_arrives(self, name: str, tmp_path: Path) -> None:
        class NoDiskError(Exception):
            pass

        def refuse() -> None:
            raise NoDiskError

        with BENCHES[name](tmp_path) as bench:
            with pytest.raises(NoDiskError):
                bind(name, bench.settings)(LETTER, refuse)
            assert bench.arrived() == []

    def test_place_that_cannot_take_it_is_transient_and_unmarked(self, name: str, tmp_path: Path) -> None:
        marks: list[int] = []
        with pytest.raises(DeliveryError) as caught:
            bind(name, broken(name, tmp_path))(LETTER, lambda: marks.append(1))
        assert caught.value.verdict == "transient"
        assert marks == []
        assert "grower@" not in str(caught.value)

    def test_address_outside_ascii_is_permanent_with_a_way_out(self, name: str, tmp_path: Path) -> None:
        letter = Envelope("advisor@example.org", "gärtner@example.org", "<one@example.org>", RAW)
        with BENCHES[name](tmp_path) as bench:
            with pytest.raises(DeliveryError, match="ASCII") as caught:
                bind(name, bench.settings)(letter, lambda: None)
            assert bench.arrived() == []
        assert caught.value.verdict == "permanent"

    def test_module_knows_no_database_and_does_not_sleep(self, name: str, tmp_path: Path) -> None:
        source = (Path(advisor.delivery.__file__).parent / f"{name}.py").read_text(encoding="utf-8")
        imported: set[str] = set()
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Import):
                imported |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                imported |= {node.module.split(".")[0], ".".join(node.module.split(".")[:2])}
        assert not imported & {"sqlite3", "time", "advisor.store", "advisor.sources", "random"}


def test_refusal_is_not_retried() -> None:
    with MailServer(Script("dot", "451 later")) as server, pytest.raises(DeliveryError):
        bind("smtp", SmtpSettings("127.0.0.1", server.port, "plain", WAITS))(LETTER, lambda: None)
    assert len(server.box.rcpt) == 1


def test_same_message_twice_is_one_file(tmp_path: Path) -> None:
    with folder_bench(tmp_path) as bench:
        send = bind("folder", bench.settings)
        assert send(LETTER, lambda: None) == send(LETTER, lambda: None)
        assert bench.arrived() == [RAW]
        assert not list(bench.settings.folder.glob(".*"))
