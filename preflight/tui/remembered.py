"""What the screen remembers from one run to the next: the theme, and whether alarms ring in a flight.

One small TOML file in the user's configuration folder. Whatever is wrong with it costs a notice, no more.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from preflight.clean import clean
from preflight.config.problems import BadFile
from preflight.config.source import decode_text, parse_toml, read_bytes

FILE = "screen.toml"
THEMES = ("desk", "sun", "night")
WAIT = 1.0
"""Seconds that a choice just made is waited for at the end."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """What was chosen last, or what is shown to whoever has chosen nothing yet."""

    theme: str = THEMES[0]
    bell: bool = True


def default_path() -> Path:
    """Where the choices are kept on this system."""
    from platformdirs import user_config_path

    return user_config_path("preflight", appauthor=False) / FILE


class Memory:
    """The file that keeps the choices; without a path nothing is kept."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._told = False
        self._at_work: list[threading.Thread] = []

    def recall(self) -> tuple[Remembered, str | None]:
        """What is remembered, and what is wrong with the file in a sentence. Reads a small file."""
        if self.path is None or not os.path.lexists(self.path):
            return Remembered(), None
        try:
            raw = self._raw()
        except BadFile as error:
            return Remembered(), self._unread(error.problems[0].message, error.problems[0].line)
        theme, bell = raw.get("theme", THEMES[0]), raw.get("bell", True)
        wrong = []
        if theme not in THEMES:
            theme = THEMES[0]
            wrong.append(f'"theme" is one of {", ".join(THEMES)}')
        if not isinstance(bell, bool):
            bell = True
            wrong.append('"bell" is true or false')
        return Remembered(theme, bell), self._unread(" and ".join(wrong)) if wrong else None

    def _raw(self) -> dict[str, Any]:
        where = str(self.path)
        return parse_toml(decode_text(read_bytes(where), where), where)

    def _unread(self, why: str, line: int | None = None) -> str:
        shown = clean(str(self.path), limit=300) + (f":{line}" if line is not None else "")
        return f"{shown}: {why}. The screen starts as without it; the next choice writes the file anew."

    def keep(self, told: Callable[[str], None], **changes: str | bool) -> None:
        """Remember something, on a thread; `told` is called there, once, with why it can't be."""
        if self.path is None:
            return
        work = threading.Thread(target=self._keep, args=(told, changes), name="remember", daemon=True)
        self._at_work = [each for each in self._at_work if each.is_alive()] + [work]
        work.start()

    def _keep(self, told: Callable[[str], None], changes: dict[str, str | bool]) -> None:
        assert self.path is not None
        try:
            with self._lock:
                # Another screen may have written its own choice since.
                kept: dict[str, Any] = {}
                with contextlib.suppress(BadFile):
                    kept = self._raw()
                _replace(self.path, kept | changes)
        except OSError as error:
            if not self._told:
                self._told = True
                why = error.strerror or type(error).__name__
                told(f"{clean(str(self.path), limit=300)} can't be written ({why}): nothing is remembered.")

    def settle(self) -> None:
        """Give a choice just made a moment to reach the disk."""
        for work in self._at_work:
            work.join(WAIT)


def _replace(path: Path, values: dict[str, Any]) -> None:
    """Write the whole file anew in one move, so that no crash leaves half of it."""
    import tomli_w

    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with open(handle, "wb") as file:
            file.write(tomli_w.dumps(values).encode())
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
