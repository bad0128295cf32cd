"""A check at work on a thread of its own, so that a blocked port never blocks the screen.

A report never waits and is never queued: there is one place for the latest, and as long as the screen has not
fetched it, what comes after it takes that place.
"""

from __future__ import annotations

import itertools
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from msgspec import structs

from preflight.checks.base import Check, Context, run_check
from preflight.checks.live_trend import Trend
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
    """Run number `run` has progress to be fetched; that of a run that is over is ignored by its number."""

    run: int


@dataclass(frozen=True, slots=True)
class Done:
    """The end of run number `run`; `progress` is the last that it told."""

    run: int
    finding: Finding
    progress: Progress | None = None


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
        self._heard = self.began
        self._latest: Progress | None = None
        self._unshown: Progress | None = None
        self._waiting = False  # a report is on its way and was not fetched yet
        self._trend = Trend(context)
        self._thread = threading.Thread(target=self._run, name=f"check {check.name}", daemon=True)

    def start(self) -> None:
        """Begin on the thread."""
        self.began = self._heard = time.monotonic()
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

    @property
    def quiet(self) -> float:
        """Seconds since the check told anything: a card that stalls, a port that waits."""
        return time.monotonic() - self._heard

    def fetch(self) -> Progress | None:
        """The latest progress; the next report may come."""
        self._waiting = False
        return self._latest

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
        self.done = Done(self.number, structs.replace(finding, remarks=remarks), self._last())
        self._on_done(self.done)

    def _progress(self, progress: Progress) -> None:
        now = self._heard = time.monotonic()
        self._trend.took(progress)
        if now - self._told < EVERY or self._waiting:
            self._unshown = progress
            return
        self._told = now
        self._latest, self._unshown = self._trend.shown(progress), None
        self._waiting = True
        self._on_report(Report(self.number))

    def _last(self) -> Progress | None:
        """What was told last, shown or not."""
        if self._unshown is not None:
            self._latest = self._trend.shown(self._unshown)
        return self._latest
