"""A real terminal closed, or left and come back to: the record whole, the logger logging."""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest
from record_making import entries_of
from screen_driving import PASSPHRASE, Stage
from serial_ends import LEAVE, FarEnd, logger_text, wait_until
from terminals import Tmux, lay_out, walk_words
from tools import need_tool

from preflight.record.verify import verify

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
Open = Callable[[], Tmux]


@pytest.fixture
def opening(stage: Stage) -> Iterator[Open]:
    """Opens terminals with the walk in them, one after another."""
    need_tool("tmux")
    made: list[Tmux] = []
    env: dict[str, str] = {}

    def open_one() -> Tmux:
        if not env:
            env.update(lay_out(stage, stage.folder))
        made.append(Tmux(stage.folder, walk_words(), env))
        return made[-1]

    yield open_one
    for each in made:
        each.close()


def begin(terminal: Tmux) -> None:
    terminal.until(lambda text: "Begin a new record" in text, "the arrival")
    unlock(terminal)
    terminal.press("Enter")
    terminal.until(lambda text: "before:" in text and "Battery lead" in text, "the walk")


def unlock(terminal: Tmux) -> None:
    terminal.press("2")
    terminal.until(lambda text: "passphrase" in text, "the question")
    terminal.type(PASSPHRASE)
    terminal.press("Enter")
    terminal.until(lambda text: "2 ▸" in text and "Esc leave" not in text, "the key")


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    state = subprocess.run(
        ["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True, check=False
    ).stdout
    return not state.strip() or state.startswith("Z")


def test_a_terminal_closed_in_the_middle_of_a_check_leaves_a_good_record_and_a_logging_logger(
    stage: Stage, opening: Open
) -> None:
    with FarEnd() as far:
        stage.flight += logger_text(far.path, "60 s")
        terminal = opening()
        begin(terminal)
        terminal.press("2", "Enter")
        terminal.until(lambda text: "Logger lead on" in text and "#2" in text, "the check")
        terminal.press("Enter")
        wait_until(lambda: b"?\r" in far.heard, 30)
        pid = terminal.pid()
        terminal.close()
        wait_until(lambda: gone(pid), 30)
        assert bytes(far.heard).endswith(LEAVE)
        (folder,) = stage.logs.iterdir()
        assert verify(folder).state == "unsealed"
        entries = entries_of(folder)
        assert [entry.kind for entry in entries] == ["open", "confirm", "check"]
        assert entries[-1].data.outcome == "open"

        again = opening()
        again.until(lambda text: "Go on with" in text, "the record that is not over")
        again.press("Enter")
        text = again.until(lambda text: "before:" in text, "the walk")
        assert "Battery lead" in text or "Logger lead on" in text
        assert re.search(r"before:.*GO.*battery", text)
        assert [entry.kind for entry in entries_of(folder)][-1] == "resume"


def test_a_terminal_left_and_come_back_to_shows_the_walk_as_it_stands(stage: Stage, opening: Open) -> None:
    terminal = opening()
    begin(terminal)
    # A client attaches on a pseudo-terminal, goes away without a word, and another comes.
    for _ in range(2):
        pid, master = pty.fork()
        if not pid:
            os.execvpe(
                "tmux",
                ["tmux", "-L", terminal.server, "attach", "-t", "walk"],
                os.environ | {"TERM": "xterm-256color"},
            )
        seen = b""
        end = time.monotonic() + 20
        while b"Battery lead" not in seen:
            seen += os.read(master, 65536)
            assert time.monotonic() < end
        os.close(master)
        os.kill(pid, signal.SIGHUP)
        os.waitpid(pid, 0)
    terminal.press("2", "Enter")
    terminal.until(lambda text: "#2" in text, "the signature")
    (folder,) = stage.logs.iterdir()
    assert [entry.kind for entry in entries_of(folder)] == ["open", "confirm"]
