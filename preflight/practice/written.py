"""Which of the demo's files are as it wrote them: those it may write anew, all others are their user's."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from preflight.config.load import flattened_checklist
from preflight.errors import PreflightError
from preflight.record.folder import CHECKLIST, FLIGHT, ROSTER

try:
    import fcntl
except ImportError:  # no such locks there, nor the terminals that the demo needs
    fcntl = None  # type: ignore[assignment]

NOTE = "DEMO.txt"
FIRST_LINE = "This folder was written by `preflight demo`. Everything in it is invented."
HISTORY = ".written.json"
MOST = 100
"""Versions of one file that are remembered: so many starts of the demo."""


@contextlib.contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Keep a second demo out of a folder while one is made or runs there; the folder is made if need be.

    Raises PreflightError where one does.
    """
    with contextlib.ExitStack() as held:
        with contextlib.suppress(OSError):  # where nothing can be written, the demo says so itself
            folder.mkdir(parents=True, exist_ok=True)
            if fcntl is not None:
                place = os.open(folder, os.O_RDONLY)
                held.callback(os.close, place)
                try:
                    fcntl.flock(place, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    raise PreflightError(
                        f"A demo runs in {folder} already: go on there, or choose another folder with --dir"
                    ) from None
        yield


def is_demo(folder: Path) -> bool:
    """Whether the demo made this folder."""
    try:
        return (folder / NOTE).read_text("utf-8", "replace").startswith(f"{FIRST_LINE}\n")
    except OSError:
        return False


class Written:
    """The SHA-256 of every text that the demo wrote to a file of its folder, kept beside them."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        try:
            known = json.loads((folder / HISTORY).read_bytes())
            self._known = {str(name): [str(sha) for sha in shas] for name, shas in known.items()}
        except (OSError, ValueError, AttributeError, TypeError):
            self._known = {}

    def is_ours(self, name: str, text: str) -> bool:
        """Whether the demo once wrote exactly this to that file."""
        return _sha(text.encode()) in self._known.get(name, ())

    def write(self, name: str, text: str) -> None:
        """Write a file, and remember that it was the demo that did."""
        (self._folder / name).write_text(text, "utf-8", newline="\n")
        self.remember(name, text)

    def remember(self, name: str, text: str) -> None:
        """Remember that the demo wrote this."""
        shas = self._known.setdefault(name, [])
        sha = _sha(text.encode())
        if sha not in shas:
            shas.append(sha)
            self._known[name] = shas[-MOST:]
            (self._folder / HISTORY).write_text(json.dumps(self._known, indent=1), "utf-8")

    def renew(self, name: str, text: str, kept: Callable[[str], str] = lambda before: before) -> None:
        """Write a file anew if it is absent or as the demo left it; else keep it as `kept` makes it."""
        try:
            before = (self._folder / name).read_text("utf-8")
        except FileNotFoundError:
            self.write(name, text)
            return
        if before == text or self.is_ours(name, before):
            self.write(name, text)
        elif (now := kept(before)) != before:
            (self._folder / name).write_text(now, "utf-8", newline="\n")


def by_the_demo_alone(record: Path, checklist: str) -> bool:
    """Whether what a record in DEMO/logs was begun with differs from the files of the demo now only by the
    demo's own hand. `checklist` is the checklist file's name there.
    """
    folder = record.parent.parent
    written = Written(folder)
    try:
        for kept, here in ((FLIGHT, FLIGHT), (CHECKLIST, checklist), (ROSTER, ROSTER)):
            before = (record / kept).read_text("utf-8")
            now = (
                flattened_checklist(folder / here).decode()
                if kept == CHECKLIST
                else (folder / here).read_text("utf-8")
            )
            if before != now and not (written.is_ours(here, before) and written.is_ours(here, now)):
                return False
    except (OSError, ValueError, PreflightError):
        return False
    return True


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
