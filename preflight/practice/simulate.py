"""Starting and stopping the simulated payload from within the tool."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

from preflight.clean import clean
from preflight.config.flight import Exchange, Leave
from preflight.errors import DeviceError
from preflight.practice.beacon import HEARD
from preflight.practice.faults import fault_values
from preflight.practice.logger import CARD
from preflight.practice.payload import FAULTS_FILE, STATUS, Ground, require_terminals

START_WITHIN = 15.0

EXCHANGES: tuple[Exchange, ...] = (
    Exchange(send="?\r", expect="ready", within=2.0),
    Exchange(send="space\r", expect=r"free (?P<free_mb>\d+) MB", within=2.0),
)
"""What the simulated logger answers."""
LEAVE: tuple[Leave, ...] = (Leave(send="go\r", expect="logging", within=2.0),)
"""What makes it log again."""


class SimulatedPayload:
    """The simulated payload as a child process; a context manager that ends it.

    `beacon` is the seconds between what a receiver hears of its beacon, None for no beacon.
    `folder` is made if need be and holds its links `tap` and `logger`, good as `at` of a [[port]] also after
    a restart. `faults` are names or "name=value" (see `faults.FAULTS`), `rate` is in samples a second and
    `baud` in bit/s. Raises DeviceError where it can't be started, PreflightError for an unknown fault.
    """

    def __init__(
        self,
        folder: Path,
        *,
        faults: Iterable[str] | Mapping[str, str] = (),
        rate: float = 2.0,
        baud: int = 38400,
        ground: Ground | None = None,
        beacon: float | None = None,
    ) -> None:
        self.folder = folder
        self.faults = fault_values(faults)
        self.rate, self.baud, self.ground, self.beacon = rate, baud, ground or Ground(), beacon
        self._child: subprocess.Popen[bytes] | None = None

    @property
    def tap(self) -> str:
        """Where the flight computer's transmit line can be opened."""
        return str(self.folder / "tap")

    @property
    def logger(self) -> str:
        """Where the logger's line can be opened."""
        return str(self.folder / "logger")

    @property
    def heard(self) -> str:
        """The text file of what a receiver hears of the beacon."""
        return str(self.folder / HEARD)

    def card_files(self) -> dict[str, bytes]:
        """What the logger has written to its card, by file name; files of earlier runs are among them."""
        files = sorted((self.folder / CARD).glob("*"))
        return {file.name: file.read_bytes() for file in files}

    def __enter__(self) -> SimulatedPayload:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Start it and wait until both lines are there."""
        if self._child is not None:
            return
        require_terminals()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            (self.folder / STATUS).unlink(missing_ok=True)
            self._write_faults()
            self._child = subprocess.Popen(  # noqa: S603 - our own interpreter and module
                self._command(),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                # Ctrl-C is for the tool alone: a check puts its line back first, then the payload is ended.
                process_group=0,
            )
        except OSError as error:
            raise DeviceError(
                f"The simulated payload could not be started in {clean(str(self.folder))}: "
                f"{clean(error.strerror or str(error))}"
            ) from error
        try:
            self._await(lambda status: status.get("pid") == self._pid())
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """End it and wait for that."""
        child, self._child = self._child, None
        if child is None:
            return
        child.terminate()
        try:
            child.wait(2.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
        if child.stderr is not None:
            child.stderr.close()

    def unplug(self) -> None:
        """Kill it without warning: both lines are lost at once, as when a lead is pulled."""
        if self._child is not None:
            self._child.kill()
        self.stop()

    def plant(self, faults: Iterable[str] | Mapping[str, str]) -> None:
        """Have it show exactly these faults from now on; none makes it sound again."""
        self.faults = fault_values(faults)
        self._write_faults()
        if self._child is not None:
            self._await(lambda status: status.get("faults") == self.faults)

    def status(self) -> dict[str, Any]:
        """What it says of itself: pid, tap, logger, logging, heard (latest commands), faults; {} if off."""
        try:
            status = json.loads((self.folder / STATUS).read_bytes())
        except (OSError, ValueError):
            return {}
        return status if isinstance(status, dict) else {}

    def _pid(self) -> int:
        return self._child.pid if self._child is not None else -1

    def _command(self) -> list[str]:
        ground = [f"--{name}={getattr(self.ground, name)}" for name in Ground.__slots__]
        return [
            *(sys.executable, "-m", "preflight.practice.payload"),
            *("--state", str(self.folder), f"--rate={self.rate}", f"--baud={self.baud}"),
            *(f"--parent={os.getpid()}", *ground),
            *([f"--beacon={self.beacon}"] if self.beacon is not None else []),
        ]

    def _write_faults(self) -> None:
        written = self.folder / (FAULTS_FILE + ".new")
        written.write_text(json.dumps(self.faults))
        written.replace(self.folder / FAULTS_FILE)

    def _await(self, condition: Any) -> None:
        deadline = time.monotonic() + START_WITHIN
        while not condition(self.status()):
            child = self._child
            if child is None or child.poll() is not None:
                said = child.stderr.read() if child is not None and child.stderr is not None else b""
                raise DeviceError(
                    f"The simulated payload has ended: {clean(said[-400:]) or 'it said nothing'}"
                )
            if time.monotonic() > deadline:
                raise DeviceError("The simulated payload does not answer: this machine may be too busy")
            time.sleep(0.02)
