"""Drives the walk's screen by key presses, on the small flight, with checks that are told what to find."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from small_flight import CHECKLIST, FLIGHT, PEOPLE, ToldClock
from textual import events
from textual.keys import _character_to_key
from textual.pilot import Pilot

from preflight.checks import table
from preflight.readings import Finding, Progress, Reading
from preflight.record.roster import Roster
from preflight.tui import openers
from preflight.tui.app import WalkApp
from preflight.tui.dialogs.ask import Ask
from preflight.tui.looking import Looking
from preflight.tui.session import Session
from preflight.walk.opening import Sources

NUMBERS = {name: str(n) for n, name in enumerate(PEOPLE, start=1)}
DEADLINE = 20.0
SETTLED_WITHIN = 0.2
"""Seconds after which what is at work is taken to wait for something else."""
HELD_UP = 0.05
BY_ITSELF = ("_look", "_reckon")
"""What an application does while nobody presses a key; see preflight.tui.following."""
PASSPHRASE = "oak"  # short, as every character is a key press


@dataclass
class ToldCheck:
    """A check that finds what it is told to; with `waits` it works until it is stopped."""

    name: str
    finding: Finding
    waits: bool = False
    title: str = "Told check"
    needs: tuple[str, ...] = ()
    leads: str = "Logger lead on"
    put_back: str = "Logger lead off"
    asks: tuple[str, ...] = ()
    runs: int = 0
    left: bool = False
    started: threading.Event = field(default_factory=threading.Event)

    def run(self, context: Any) -> Any:
        self.runs += 1
        self.started.set()
        self.typed = dict(context.typed)
        yield Progress("Listening to the told check", 0.25)
        pace = threading.Event()
        while self.waits and not context.stopped():
            pace.wait(0.01)
            yield Progress("Still listening", 0.5)
        self.left = True
        if self.waits:
            return Finding(check=self.name, outcome="open", remarks=("Stopped: nothing was checked",))
        return self.finding


def found(check: str, value: float = 4.0, **more: Any) -> Finding:
    """A go with one reading against a limit of two."""
    reading = Reading(name="link.margin", value=value, source="computed", at_least=2.0)
    outcome = "go" if value >= 2 else "no-go"
    return Finding(check=check, outcome=outcome, readings=(reading,), reads=("link.baud",), **more)


def shown(session: Session | Looking, **more: Any) -> WalkApp:
    """An application that shows a session."""
    return WalkApp(partial(openers.walk, session), **more)


def replayed(record: Path) -> WalkApp:
    """An application that steps through a record's folder."""
    return WalkApp(partial(openers.replay, record), f"Reading and verifying {record.name}")


@dataclass
class Stage:
    """A flight's folder, its crew's keys, and the checks that are told what to find."""

    folder: Path
    keys: Path
    roster: Roster
    clock: ToldClock = field(default_factory=ToldClock)
    checks: dict[str, ToldCheck] = field(default_factory=dict)
    flight: str = FLIGHT
    checklist: str = CHECKLIST

    @property
    def logs(self) -> Path:
        return self.folder / "logs"

    @property
    def sources(self) -> Sources:
        return Sources(self.flight.encode(), self.checklist.encode(), self.roster.to_text().encode())

    def get(self, name: str) -> ToldCheck:
        return self.checks[name]

    def session(self, **more: Any) -> Session:
        return Session(
            self.sources, folder=self.folder, logs=self.logs, clock=self.clock, keys=self.keys, **more
        )

    def drive(
        self,
        story: Callable[[Driver], Coroutine[Any, Any, None]],
        *,
        size: tuple[int, int] = (80, 24),
        session: Any = None,
        idle: float = 3600.0,
        app: WalkApp | None = None,
    ) -> WalkApp:
        """Run a story on a screen of its own, or on `app`'s; the application afterwards."""
        app = app or shown(session or self.session(), idle=idle)

        async def run() -> None:
            async with app.run_test(size=size) as pilot:
                driver = Driver(app, pilot, self)
                await driver.until(lambda: len(app.screen_stack) > 1 and driver.text().strip() != "")
                await story(driver)

        try:
            asyncio.run(run())
        finally:
            app.shut()
        return app


@dataclass
class Driver:
    """Hands on the keys. Every press is counted."""

    app: WalkApp
    pilot: Pilot[Any]
    stage: Stage
    presses: int = 0

    async def until(self, condition: Callable[[], bool], what: str = "") -> None:
        """Wait for a condition with a deadline."""
        loop = asyncio.get_running_loop()
        end = loop.time() + DEADLINE
        while not condition():
            if loop.time() > end:
                raise AssertionError(f"waited in vain {what}\n{self.text()}")
            await self.pilot.pause(0.01)

    async def settled(self) -> None:
        """Wait until all that the present values bring is on the screen: nothing is looked at or computed."""
        await self.until(
            lambda: (
                not any(work.name in BY_ITSELF and not work.is_finished for work in self.app.workers)
                and self.app.seen.extra.figures is not None
            ),
            "for figures of the present values",
        )
        await self.pilot.pause()

    async def dealt(self) -> None:
        """What was pressed has done what it does, as far as it waits for nobody; not told by time."""
        app, loop = self.app, asyncio.get_running_loop()
        end = loop.time() + SETTLED_WITHIN
        while True:
            await self.pilot._wait_for_screen()
            await self._written()
            await self.pilot._wait_for_screen()
            # An act that waits for its dialogue is one of those that stand above the walk.
            at_work = sum(worker.is_running for worker in app.workers) > len(app.screen_stack) - 2
            if not (at_work or app.keys._kept) or loop.time() > end:
                break
            await asyncio.sleep(0.001)
        app.screen._on_timer_update()

    async def _written(self) -> None:
        """What the session was given to do by now is done, unless something holds it up."""
        writer = getattr(self.app.session, "_writer", None)
        if writer is not None:
            await asyncio.wait({asyncio.wrap_future(writer.submit(int))}, timeout=HELD_UP)

    async def press(self, *keys: str) -> None:
        """Keys as a terminal sends them: one after another, ready or not."""
        self.rested()
        for name in keys:
            self.presses += 1
            char = name if len(name) == 1 else None
            self._send(events.Key(name, char))
        await asyncio.sleep(0)

    async def type(self, text: str) -> None:
        """Characters, sent as keys."""
        self.rested()
        for char in text:
            self.presses += 1
            self._send(events.Key(_character_to_key(char), char))
        await asyncio.sleep(0)

    def rested(self) -> None:
        """The hand has paused and read what was refused by now: tests need not wait as long."""
        self.app.keys._unheard.over()

    def _send(self, key: events.Key) -> None:
        key.set_sender(self.app)
        assert self.app._driver is not None
        self.app._driver.send_message(key)

    async def key(self, name: str) -> None:
        """One key, and what it starts."""
        await self.press(name)
        await self.dealt()

    def text(self) -> str:
        """What stands on the screen, line by line."""
        lines = []
        for strip in self.app.screen._compositor.render_strips():
            lines.append("".join(segment.text for segment in strip).rstrip())
        return "\n".join(lines)

    def said(self) -> str:
        """What stands on the screen as one line of words, whatever was wrapped."""
        return " ".join(self.text().replace("│", " ").split())

    @property
    def entries(self) -> int:
        record = self.app.seen.view.record
        return record.entries if record is not None else 0

    @property
    def asking(self) -> bool:
        return isinstance(self.app.screen, Ask)

    async def asked(self) -> None:
        await self.until(lambda: self.asking, "for a dialogue")
        await self.dealt()

    async def fill(self, *answers: str) -> None:
        """Answer a dialogue's fields from the one that has the focus, Enter after each."""
        await self.asked()
        shown = self.app.screen
        for answer in answers:
            await self.type(answer)
            await self.press("enter")
        await self.until(lambda: self.app.screen is not shown, "for the dialogue to close")

    async def fill_refused(self, *answers: str, told: str) -> None:
        """Answer a dialogue whose act is refused: it stays, and says why."""
        await self.asked()
        for answer in answers:
            await self.type(answer)
            await self.press("enter")
        await self.until(lambda: told in self.said(), f"to be told {told}")
        assert self.asking

    async def unlock(self, *people: str) -> None:
        for person in people:
            await self.press(NUMBERS[person])
            await self.fill(PASSPHRASE)
            await self.until(lambda person=person: person in self.app.seen.view.unlocked)

    async def begin(self, *people: str) -> None:
        """Unlock keys and begin a new record."""
        await self.unlock(*(people or tuple(PEOPLE)))
        await self.press(NUMBERS[(people or tuple(PEOPLE))[0]])
        while "Begin a new record" not in self.text().split("▶")[-1].splitlines()[0]:
            await self.key("down")
        await self.press("enter")
        await self.until(lambda: self.app.seen.view.record is not None, "for a record")
        await self.dealt()

    async def sign(self, person: str) -> None:
        """Number and Enter, then wait for the entry."""
        before = self.entries
        await self.press(NUMBERS[person], "enter")
        await self.until(lambda: self.entries > before, f"for an entry by {person}")
        await self.dealt()

    async def run_check(self) -> None:
        before = self.entries
        await self.press("enter")
        await self.until(lambda: self.entries > before and self.app.seen.running is None, "for a finding")
        await self.dealt()

    async def at(self, kind: str, name: str = "") -> None:
        """Wait until the walk stands at a place."""
        await self.until(
            lambda: (self.app.seen.place.kind, self.app.seen.place.name) == (kind, name),
            f"for {kind} {name}",
        )
        await self.dealt()


__all__ = ["DEADLINE", "NUMBERS", "PASSPHRASE", "Driver", "Stage", "ToldCheck", "found", "table"]
