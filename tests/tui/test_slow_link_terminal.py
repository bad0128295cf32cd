"""In a real terminal behind a link that passes byte by byte: no key is misread, none acts by accident."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from record_making import entries_of
from screen_driving import PASSPHRASE, Stage
from terminals import Tmux, lay_out, slow_words, walk_words
from tools import need_tool

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
DELAY = 0.02
UP, DOWN, LEFT, RIGHT = b"\x1b[A", b"\x1b[B", b"\x1b[D", b"\x1b[C"
F2, F3, F5 = b"\x1bOQ", b"\x1bOR", b"\x1b[15~"
CLICK = b"\x1b[<0;12;9M\x1b[<0;12;9m"


def paste(text: str) -> bytes:
    return b"\x1b[200~" + text.encode() + b"\x1b[201~"


@pytest.fixture
def terminal(stage: Stage) -> Iterator[Tmux]:
    need_tool("tmux")
    env = lay_out(stage, stage.folder)
    made = Tmux(stage.folder, slow_words(walk_words(), DELAY), env)
    yield made
    made.close()


def kinds(logs: Path) -> list[str]:
    return [entry.kind for folder in logs.iterdir() for entry in entries_of(folder)]


def begin(terminal: Tmux) -> None:
    """A record opened by Omar."""
    terminal.until(lambda text: "Begin a new record" in text, "the arrival")
    terminal.raw(b"2")
    terminal.until(lambda text: "passphrase" in text, "the question")
    terminal.raw(f"{PASSPHRASE}\r".encode())
    terminal.until(lambda text: "2 ▸" in text and "Esc leave" not in text, "the key")
    terminal.raw(b"\r")
    terminal.until(lambda text: "before:" in text and "Battery lead" in text, "the walk")


def test_split_sequences_are_the_keys_they_were_and_nothing_acts_by_accident(
    terminal: Tmux, stage: Stage
) -> None:
    begin(terminal)
    terminal.raw(RIGHT)
    terminal.until(lambda text: "Logger lead on" in text, "the step after")
    terminal.raw(LEFT)
    terminal.until(lambda text: "Latched, 8.1 V" in text, "the step before")
    terminal.raw(DOWN + DOWN + UP)
    terminal.until(lambda text: "Logger lead on" in text, "two on and one back")
    terminal.raw(LEFT + F2)
    terminal.until(lambda text: "called by (number)" in text, "the hold")
    # Into an input: letters that are acts outside, arrows, a paste with every dangerous letter, a click.
    terminal.raw(b"zqa" + LEFT + LEFT + RIGHT + b"X" + CLICK + paste("fdv\x1b[Ah"))
    text = terminal.until(lambda text: "zqXa" in text or ("zqX" in text and "fdv" in text), "what was typed")
    assert "Quit?" not in text
    terminal.raw(b"\x1b")
    terminal.until(lambda text: "called by (number)" not in text, "Escape")
    assert kinds(stage.logs) == ["open"]
    # A paste and a click where letters are acts: nothing of them is.
    terminal.raw(CLICK + paste("zqdfnxv2\r2\r") + F3)
    terminal.until(lambda text: "time on the paper" in text, "the form of F3, after what came before it")
    terminal.raw(b"\x1b")
    text = terminal.until(lambda text: "time on the paper" not in text, "Escape")
    assert "Quit?" not in text
    assert kinds(stage.logs) == ["open"]
    terminal.raw(b"2\r")
    terminal.until(lambda text: "#2" in text, "the signature")
    assert kinds(stage.logs) == ["open", "confirm"]


def test_the_window_is_resized_while_bytes_are_on_their_way(terminal: Tmux, stage: Stage) -> None:
    begin(terminal)
    terminal.raw(RIGHT + LEFT + RIGHT)
    terminal.resize(132, 43)
    terminal.until(lambda text: "figures" in text and "Logger lead on" in text, "the wide arrangement")
    terminal.raw(LEFT)
    terminal.resize(80, 24)
    text = terminal.until(
        lambda text: "Latched, 8.1 V" in text and "call complete" not in text, "the narrow arrangement"
    )
    assert len(text.splitlines()) <= 24
    assert kinds(stage.logs) == ["open"]
