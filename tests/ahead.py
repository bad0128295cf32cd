"""Long jobs that mostly wait: processes begun before the first test, looked at when their own test comes.

A test module names its jobs in `AHEAD`: for each a function that makes its command from its folder.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

Command = Callable[[Path], list[str]]
HERE = Path(__file__).parent
LONGEST = 300.0
"""Seconds after which a job is given up."""


@dataclass
class Ran:
    """One run of a command in a folder."""

    folder: Path
    code: int
    out: str
    err: str


class Ahead:
    """Jobs at work; what they print goes to files, so that none of them waits for a reader."""

    def __init__(self, jobs: Mapping[str, Command]) -> None:
        self._place = tempfile.TemporaryDirectory(prefix="preflight-ahead-", ignore_cleanup_errors=True)
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        self._ran: dict[str, Ran] = {}
        for name, command in jobs.items():
            folder = self._folder(name)
            folder.mkdir()
            with Path(f"{folder}.out").open("wb") as out, Path(f"{folder}.err").open("wb") as err:
                self._running[name] = subprocess.Popen(
                    command(folder),
                    cwd=folder,
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=err,
                    env=os.environ | {"PYTHONPATH": str(HERE)},
                )

    def _folder(self, name: str) -> Path:
        return Path(self._place.name) / name

    def __getitem__(self, name: str) -> Ran:
        if name not in self._ran:
            code = self._running[name].wait(LONGEST)
            folder = self._folder(name)
            out, err = (Path(f"{folder}.{stream}").read_text("utf-8") for stream in ("out", "err"))
            self._ran[name] = Ran(folder, code, out, err)
        return self._ran[name]

    def close(self) -> None:
        """End what nobody asked for."""
        for process in self._running.values():
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(10)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
        self._place.cleanup()
