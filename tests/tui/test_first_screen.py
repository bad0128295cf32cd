"""What stands while a walk is loaded: it says what is opened, can be left, and ends in order."""

from __future__ import annotations

import asyncio
import os
import signal
import threading
from pathlib import Path
from typing import Any

import pytest
from screen_driving import Stage
from terminals import Bare, lay_out, walk_words

from preflight.errors import RecordError
from preflight.tui.app import WalkApp


@pytest.fixture
def folder(stage: Stage, tmp_path: Path) -> tuple[Path, dict[str, str]]:
    made = tmp_path / "flight"
    return made, lay_out(stage, made)


def end(made: Bare) -> tuple[int, str]:
    """The exit code once it has ended, and all that it wrote."""
    code = made.ended()
    made.read(0.2)
    made.close()
    return code, made.seen.decode("utf-8", "replace")


def test_a_bad_file_is_told_on_the_terminal_once_the_screen_is_down(
    folder: tuple[Path, dict[str, str]],
) -> None:
    place, env = folder
    hostile = place / "fli\x1b]0;[-x-]\x07ght.toml"
    hostile.write_text("[flight]\nname = [/]", "utf-8")
    code, text = end(Bare(walk_words(str(hostile)), env))
    shown, told = text.rsplit("\x1b[?1049l", 1)
    assert code == 2
    assert "Opening fli␛]0;[-x-]" in shown
    assert "\x1b]0;[-x-]" not in text
    assert ":2" in told
    assert "preflight: " in told
    assert "Traceback" not in text


def test_a_signal_ends_it_while_it_loads(folder: tuple[Path, dict[str, str]]) -> None:
    place, env = folder
    made = Bare(walk_words(str(place / "flight.toml")), env)
    made.until(lambda: b"Opening flight.toml" in made.seen, "the first screen")
    os.kill(made.pid, signal.SIGTERM)
    code, text = end(made)
    assert code == 128 + signal.SIGTERM
    assert "\x1b[?1049l" in text
    assert "Traceback" not in text


def test_what_comes_after_it_was_left_is_let_go_of() -> None:
    """A session that is opened late is shut; a refusal that comes late is nobody's."""
    shut = threading.Event()
    go_on = threading.Event()

    def late(app: WalkApp) -> Any:
        go_on.wait(20)
        return type("Late", (), {"session": type("Session", (), {"shut": staticmethod(shut.set)})})

    def refused(app: WalkApp) -> Any:
        go_on.wait(20)
        raise RecordError("late")

    async def leave(app: WalkApp) -> None:
        async with app.run_test() as pilot:
            await pilot.pause()
            app.action_leave()

    apps = [WalkApp(late, "Opening"), WalkApp(refused, "Opening")]
    for app in apps:
        asyncio.run(leave(app))
        assert app.return_value == 0
    go_on.set()
    assert shut.wait(20)
    assert [app.fault for app in apps] == [None, None]
