"""Every key once, in every kind of state and dialogue: none signs, waives, seals or quits by itself."""

from __future__ import annotations

import re
import string

from record_making import entries_of
from screen_driving import PASSPHRASE, Driver, Stage, ToldCheck, found
from textual import events
from textual.keys import _character_to_key
from textual.widgets import Input

from preflight.tui.keys import KEYS
from preflight.tui.refusals import why_not

PRINTABLE = [c for c in string.printable if c.isprintable()]
NAMED = [
    *(f"f{n}" for n in range(1, 13)),
    *(f"ctrl+{c}" for c in string.ascii_lowercase if c not in "ijm"),  # those are Tab and Enter in a terminal
    *("enter", "tab", "shift+tab", "escape", "backspace", "delete", "insert"),
    *("up", "down", "left", "right", "home", "end", "pageup", "pagedown"),
]
BY_A_KEY = {"open", "check"}
"""Kinds that may follow from one key: Enter runs a check, which the instrument enters."""


def kinds(stage: Stage) -> list[str]:
    return [entry.kind for folder in sorted(stage.logs.iterdir()) for entry in entries_of(folder)]


async def press(driver: Driver, key: str) -> None:
    char = key if len(key) == 1 else None
    driver.rested()
    driver._send(events.Key(_character_to_key(key) if char else key, char))
    await driver.dealt()


class Presser:
    """Presses every key in one state, and brings the state back after each."""

    def __init__(self, driver: Driver, stage: Stage) -> None:
        self.driver, self.stage = driver, stage
        self.count = 0

    async def every_key(self, opener: str = "") -> None:
        """At the place where the crew stands, or in the dialogue that `opener` opens there."""
        driver = self.driver
        self.place, self.base = driver.app.seen.place, driver.app.screen
        self.opener, self.kinds = opener, kinds(self.stage)
        self.explained()
        await self.restore()
        typing = bool(opener) and isinstance(driver.app.screen.focused, Input)
        for key in NAMED if typing else [*PRINTABLE, *NAMED]:  # where one types, characters come below
            await self.restore()
            await press(driver, key)
            self.judge(key)
        await self.restore()
        if typing:
            shown = driver.app.screen
            for key in PRINTABLE:
                driver._send(events.Key(_character_to_key(key), key))
                self.count += 1
            await driver.dealt()
            self.judge("every character")
            assert driver.app.screen is shown, "a character typed into an input left its dialogue"
            assert driver.app.seen.place == self.place
        await self.back()

    def explained(self) -> None:
        """Whatever can't be done here says why, and what to do instead."""
        scene = self.driver.app.seen
        for key in KEYS:
            if not key.when(scene):
                said = why_not(scene, key.name)
                assert re.fullmatch(r"[^;]{12,};? .{10,}\.", said), (self.place, key.name, said)
                assert "nothing to do it to" not in said, (self.place, key.name)

    def judge(self, key: str) -> None:
        self.count += 1
        app = self.driver.app
        assert app.is_running, key
        assert not app._exit, key
        new = kinds(self.stage)[len(self.kinds) :]
        assert set(new) <= BY_A_KEY, (self.place, self.opener, key, new)

    async def back(self) -> None:
        driver = self.driver
        for _ in range(8):
            if driver.app.screen is self.base:
                break
            await press(driver, "escape")
        assert driver.app.screen is self.base
        await driver.until(lambda: driver.app.seen.running is None)

    async def restore(self) -> None:
        driver = self.driver
        shown = driver.app.screen
        if self.opener and shown is not self.base and getattr(self, "opened", None) is shown:
            fields = list(shown.query(Input))
            with shown.prevent(Input.Changed):
                for field in fields:
                    if field.value != self.initial[field]:
                        field.value = self.initial[field]
            if self.focused is not None and shown.focused is not self.focused:
                shown.set_focus(self.focused)
            return
        await self.back()
        for person in ("ines", "omar", "lena"):
            if person not in driver.app.seen.view.unlocked:
                driver.app.session.admit(driver.app.session.open_key(person, PASSPHRASE).result())
                driver.app.change(view=driver.app.session.view().result())
        driver.app.change(place=self.place, selected=None, notice=None)
        if self.opener:
            await press(driver, self.opener)
            await driver.until(lambda: driver.app.screen is not self.base, f"for {self.opener}")
            await driver.dealt()
            self.opened = driver.app.screen
            self.initial = {field: field.value for field in self.opened.query(Input)}
            self.focused = self.opened.focused


def test_no_key_alone_signs_waives_seals_or_quits_anywhere(stage: Stage) -> None:
    stage.checks["link-margin"] = ToldCheck("link-margin", found("link-margin", 1.5))
    counts = []

    async def story(driver: Driver) -> None:
        await driver.begin("ines", "omar", "lena")
        presser = Presser(driver, stage)
        await presser.every_key()
        for opener in ("y", "n", "x", "o", "e", "d", "u", "q", "f2", "f3", "f5", "z", "f", "p"):
            await presser.every_key(opener)
        for opener in ("slash", "i", "space", "question_mark"):
            await presser.every_key(opener)
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.run_check()
        await presser.every_key()  # a finding that waits for its signature
        await presser.every_key("c")
        await driver.sign("omar")
        await driver.at("step", "line")
        await driver.run_check()
        await presser.every_key()  # a no-go
        await presser.every_key("v")
        counts.append(presser.count)

    app = stage.drive(story)
    assert app.fault is None
    assert counts[0] > 1000


def test_no_key_alone_acts_at_a_gate_a_seal_or_a_release(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin("ines", "omar", "lena")
        presser = Presser(driver, stage)
        await driver.sign("omar")
        for step in ("logger", "line"):
            await driver.at("step", step)
            await driver.run_check()
            await driver.sign("omar")
        await driver.at("complete", "power-up")
        await presser.every_key()
        await driver.sign("omar")
        await driver.at("poll", "fill")
        await presser.every_key()
        await presser.every_key("enter")
        await driver.press("enter")
        await driver.fill("go", "", "1")
        await driver.fill("go", "", "2")
        await driver.at("authorise", "fill")
        await presser.every_key()
        await presser.every_key("enter")
        await driver.press("enter")
        await driver.fill("1", PASSPHRASE)
        await driver.at("step", "neck-lift")
        await presser.every_key("enter")
        await driver.press("enter")
        await driver.fill("1,60", "1.61", "1,62", "2")
        await driver.until(lambda: driver.app.seen.view.step("neck-lift").waiting == "witness")
        await presser.every_key()
        await presser.every_key("w")
        await driver.press("f2")
        await driver.fill("gust", "2")
        await driver.until(lambda: bool(driver.app.seen.view.state.holds))
        await presser.every_key("l")

    assert stage.drive(story).fault is None
