"""Practice's hands for the test log: they pull the simulated payload's power and move its card.

The checks themselves are those that a flight uses, on the same terminal and a real card image.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import msgspec

from preflight.checks import table
from preflight.checks.base import Check, Context, Run
from preflight.checks.log_recording import PULL, PUT_BACK
from preflight.practice.simulate import SimulatedPayload

NOT_WRITTEN = (
    "In this practice the card is an image file, which is not written to. Say that this step does not apply: "
    "press x, give that as the reason and sign. On a flight it runs with the card in the reader"
)
OFF_FOR = 0.5
"""Seconds that the power stays off once the check has seen it."""
_FAULT = "power-off"


class Rehearsed:
    """A check as it is, told that nothing has to settle: its payload is a simulated one."""

    name: str
    title: str
    needs: tuple[str, ...]
    leads: str
    put_back: str

    def __init__(self, check: Check) -> None:
        self._check = check

    def __getattr__(self, name: str) -> Any:
        return getattr(self._check, name)

    def run(self, context: Context) -> Run:
        return self._check.run(replace(context, rehearsal=True))


class NotWritten(Rehearsed):
    """A check that writes to the card: where it can't, it says what to do instead in practice."""

    def run(self, context: Context) -> Run:
        finding = yield from super().run(context)
        if finding.outcome != "open":
            return finding
        return msgspec.structs.replace(finding, remarks=(NOT_WRITTEN, *finding.remarks))


class HandsOnTestLog:
    """test-log as it is, with somebody who does what it asks for; `to_reader` takes the card there."""

    __test__ = False  # pytest takes a name like this one for a test

    def __init__(self, check: Check, payload: SimulatedPayload, to_reader: Callable[[], None]) -> None:
        self.name, self.title, self.needs = check.name, check.title, check.needs
        self.leads, self.put_back = check.leads, check.put_back
        self._check, self._payload, self._to_reader = check, payload, to_reader

    def run(self, context: Context) -> Run:
        run = self._check.run(replace(context, rehearsal=True))
        off_since: float | None = None
        pulled = False
        try:
            while True:
                try:
                    progress = next(run)
                except StopIteration as end:
                    finding = end.value
                    break
                if progress.text.startswith(PULL) and not pulled:
                    pulled = True
                    self._plant(off=True)
                elif progress.text.startswith(PUT_BACK):
                    off_since = off_since or time.monotonic()
                    if pulled and time.monotonic() - off_since >= OFF_FOR:
                        pulled = False
                        self._plant(off=False)
                yield progress
        finally:
            run.close()
            if pulled:
                self._plant(off=False)
        if finding.power_cycle:
            self._to_reader()
        return finding  # type: ignore[no-any-return]

    def _plant(self, *, off: bool) -> None:
        faults = dict(self._payload.status().get("faults", {}))
        faults.pop(_FAULT, None)
        self._payload.plant(faults | ({_FAULT: ""} if off else {}))


@contextlib.contextmanager
def hands_on(payload: SimulatedPayload, to_reader: Callable[[], None]) -> Iterator[None]:
    """While inside, test-log finds hands that do what it asks for, and clock and position listen for less.

    Those that write to the card say what to do where it is an image.
    """
    with contextlib.ExitStack() as inside:
        inside.enter_context(table.stand_in(HandsOnTestLog(table.get("test-log"), payload, to_reader)))
        for name in ("clock", "position"):
            inside.enter_context(table.stand_in(Rehearsed(table.get(name))))
        for name in ("card-write", "card-capacity"):
            inside.enter_context(table.stand_in(NotWritten(table.get(name))))
        yield
