"""Hostile text of files, hands and devices in a real terminal: nothing of it is obeyed.

What the program writes to its terminal is read byte by byte, and holds no control but the screen's own.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest
from record_making import entries_of
from screen_driving import PASSPHRASE, Stage
from serial_ends import FarEnd, wait_until
from small_flight import CHECKLIST
from terminals import Bare, foreign, lay_out, walk_words

from preflight.clean import clean
from preflight.tui.dialogs.typed import shown

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
MARKUP = "[BATT] 3.3 [/] [red]x[/red] $bold {y} %s"
ODD = "e\u0301\u0302\u0303\u0304 \u30ab\u30fc\u30c9 \U0001f388 \u0e01\u0e33"
DEVICE = b"\x1b]0;owned\x07\x1b[2J\x9b31m\x1b[6n[/]\xff\xfe\x7f\r\n"
LOGGER = """
[[port]]
use = "logger"
at = "{at}"
[[logger.exchange]]
send = "?\\r"
expect = "ready"
within = "2 s"
"""


def hostile(stage: Stage) -> None:
    """Markup, wide characters and stacks of marks wherever a file's text is shown."""
    text = CHECKLIST.replace('"Battery lead"', f'"Battery lead {MARKUP}"')
    lines = f'response = "{MARKUP} {ODD}"\ncaution = "{MARKUP} {ODD}"\nwhy = "{MARKUP} {ODD}"'
    text = text.replace('response = "Latched, 8.1 V"', lines)
    stage.checklist = text.replace('title = "Power-up"', f'title = "{MARKUP} {ODD}"').replace(
        '"Every kind of step"', f'"{MARKUP} {ODD}"'
    )
    stage.flight = stage.flight.replace('"Plover 1"', f'"{MARKUP} {ODD}"').replace(
        '"instrument pack"', f'"{MARKUP}"'
    )


def kinds(stage: Stage) -> list[str]:
    return [entry.kind for folder in stage.logs.iterdir() for entry in entries_of(folder)]


@pytest.fixture
def far() -> Iterator[FarEnd]:
    with FarEnd(lambda end, _: end.send(DEVICE * 3)) as made:
        yield made


def test_what_files_hands_and_devices_bring_reaches_no_terminal_as_a_control(
    stage: Stage, far: FarEnd
) -> None:
    hostile(stage)
    stage.flight += LOGGER.format(at=far.path)
    terminal = Bare(walk_words(f"{stage.folder}/flight.toml"), lay_out(stage, stage.folder), (160, 45))
    try:

        def shows(text: str) -> bool:
            return text.encode() in terminal.seen

        terminal.until(lambda: shows("Begin a new record"), "the arrival")
        terminal.send("2")
        terminal.until(lambda: shows("passphrase"), "the question")
        terminal.send(PASSPHRASE + "\r")
        terminal.until(lambda: shows("▸"), "the key")
        terminal.send("\r")
        terminal.until(lambda: shows("before:"), "the walk")
        terminal.until(lambda: shows("Battery lead [BATT] 3.3 [/] [red]x[/red] $bold"), "the challenge")
        # Typed and pasted into a form: controls in a paste, markup, ten thousand characters.
        terminal.send("n")
        terminal.until(lambda: shows("Esc"), "a form")
        terminal.until_quiet()
        terminal.send(b"\x1b[200~" + b"x" * 10_000 + b"\x1b[201~")
        terminal.until_quiet()
        terminal.send(b"\x1b[200~[/] [red]gust\xe2\x80\xaeback\x1b[201~")
        terminal.until_quiet()
        for part in ("\r", "2", "\r"):
            terminal.send(part)
            terminal.until_quiet()
        wait_until(lambda: len(kinds(stage)) == 2, 20)
        assert kinds(stage) == ["open", "confirm"]
        terminal.until(lambda: shows("gust<202E>back"), "the reason, cleaned")
        for key in ("i", "\x1b", " ", "\x1b", "/", "\x1b", "?", "\x1b", "c", "\x1b"):
            terminal.send(key)
            terminal.until_quiet(0.6 if key == "\x1b" else 0.3)
        # A device's answer in a check that runs.
        terminal.send("\x1b[C")
        terminal.until(lambda: shows("Logger lead on"), "the step of the check")
        terminal.send("\r")
        wait_until(lambda: b"?\r" in far.heard, 30)
        terminal.until(lambda: shows("owned"), "what the device sent")
        terminal.until_quiet(0.6)
        terminal.send("\x1b[C\x1b[D ")
        terminal.until_quiet(0.6)
        assert foreign(terminal.seen) == []
        assert b"Traceback" not in terminal.seen
        terminal.send(b"\x1b")
        terminal.until_quiet(0.6)
        terminal.send("q")
        terminal.until(lambda: shows("Quit?"), "the question")
        terminal.send("y\r")
        assert terminal.ended() == 0
    finally:
        terminal.close()


def test_the_judge_of_bytes_knows_what_is_foreign() -> None:
    assert foreign(b"\x1b[2;5Hplain \x1b[38;2;1;2;3mtext\x1b[0m\x1b[?25l") == []
    for bad in (
        b"\x1b]0;owned\x07",
        b"\x9b".decode("latin-1").encode(),
        b"\x7f",
        "\u202e".encode(),
        b"\x1bc",
    ):
        assert foreign(bad), bad


@pytest.mark.parametrize("length", [1, 500, 10_000])
def test_cleaned_text_says_all_that_it_cuts(length: int) -> None:
    text = clean("\x1b" * length, limit=500)
    assert len(text.split("…")[0]) == min(length, 500)
    assert ("more" in text) == (length > 500)


@pytest.mark.parametrize(
    "text", ["plain é カ", "a\u202eb", "\x1b[2J", "e\u0301\u0301\u0301\u0301", "\ud800", "x" * 400]
)
def test_a_line_to_type_in_shows_as_many_characters_as_there_are(text: str) -> None:
    drawn = shown(text)
    assert len(drawn) == len(text)
    assert all(c == "\ufffd" or clean(c) == c for c in drawn)
    assert drawn.count("\u0301") <= 2
