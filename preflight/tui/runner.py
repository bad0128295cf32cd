"""A check at work on a thread of its own, so that a blocked port never blocks the screen."""

from __future__ import annotations

import itertools
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from msgspec import structs

from preflight.checks.base import Check, Context, run_check
from preflight.clean import clean
from preflight.readings import Finding, Progress

EVERY = 0.1
"""Seconds between two reports of progress: at most ten a second."""

LONGEST = 1000
"""Characters kept of one remark."""

_numbers = itertools.count(1)
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Report:
    """Progress of run number `run`; a report of a run that is over is ignored by its number."""

    run: int
    progress: Progress


@dataclass(frozen=True, slots=True)
class Done:
    """The end of run number `run`."""

    run: int
    finding: Finding


class Runner:
    """One run of a check. `start` it once; `stop` asks it to put the line back and end."""

    def __init__(
        self,
        step_id: str,
        check: Check,
        context: Context,
        *,
        on_report: Callable[[Report], None],
        on_done: Callable[[Done], None],
    ) -> None:
        self.number = next(_numbers)
        self.step_id = step_id
        self.check = check
        self.began = time.monotonic()
        self.done: Done | None = None
        self._stop = threading.Event()
        self._context = replace(context, stopped=self._stop.is_set)
        self._on_report = on_report
        self._on_done = on_done
        self._told = 0.0
        self._thread = threading.Thread(target=self._run, name=f"check {check.name}", daemon=True)

    def start(self) -> None:
        """Begin on the thread."""
        self.began = time.monotonic()
        self._thread.start()

    def stop(self) -> None:
        """Ask the check to end: it sends its leave sequence first."""
        self._stop.set()

    @property
    def stopping(self) -> bool:
        return self._stop.is_set()

    @property
    def seconds(self) -> float:
        """How long it has been running."""
        return time.monotonic() - self.began

    def join(self, timeout: float) -> bool:
        """Wait for the end; whether it came in time."""
        self._thread.join(timeout)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            finding = run_check(self.check, self._context, self._progress)
        except Exception as error:  # noqa: BLE001 - a check never raises for what the world does: a defect, told
            _log.warning("check %s failed: %s", self.check.name, error)
            said = clean(f"{type(error).__name__}: {error}", limit=200)
            remark = f"Not checked: a defect of this tool ended the check ({said})"
            finding = Finding(check=self.check.name, outcome="open", remarks=(remark,))
        # A record takes no remark beyond its limit: a long one is cut, the finding is not lost.
        remarks = tuple(clean(remark, limit=LONGEST) for remark in finding.remarks)
        self.done = Done(self.number, structs.replace(finding, remarks=remarks))
        self._on_done(self.done)

    def _progress(self, progress: Progress) -> None:
        now = time.monotonic()
        if now - self._told >= EVERY:
            self._told = now
            self._on_report(Report(self.number, progress))
