"""A tour of every screen and dialogue by key presses, on a small flight, the same on every machine.

`TOURS` are stories for a driver; each calls `show(name)` wherever there is something to look at. Pictures,
contrast, shapes without colour and hostile text are all looked at on the same tour.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import re
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock

import msgspec
from checklist_text import head
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from screen_driving import DEADLINE, PASSPHRASE, Driver, Stage, ToldCheck, replayed, table
from small_flight import PEOPLE

from preflight.checks import base
from preflight.config.shipped import shipped_file
from preflight.errors import RecordError
from preflight.live import Bad, Line, Stream, Trace
from preflight.readings import Evidence, Finding, Progress, Reading
from preflight.record import store
from preflight.record.disk import lock
from preflight.record.keys import Keyring, keep_key
from preflight.record.roster import Person, Roster
from preflight.record.scan import RECORD
from preflight.tui import loading, nearby_pane
from preflight.tui.app import WalkApp
from preflight.tui.looking import Looking
from preflight.tui.nearby import Item
from preflight.tui.opening import OpeningApp
from preflight.tui.places import Place
from preflight.tui.runner import Runner
from preflight.walk import opening

Show = Callable[[str], Awaitable[None]]


def flight() -> str:
    """The flight file to start from, released two hours after the told clock begins."""
    text = shipped_file("flight.toml").read_text("utf-8")
    text = re.sub(r"^release = \S+", "release = 2031-03-09T09:00:00Z", text, flags=re.MULTILINE)
    text = re.sub(r"^table = .*$", "", text, flags=re.MULTILINE).replace("[wind]", "")
    return re.sub(r'^checklist = ".*?"', 'checklist = "checklist.toml"', text, flags=re.MULTILINE)


CHECKLIST = (
    "\n"
    + head("Latex balloon, single payload")
    + """
[[phase]]
id = "power-up"
title = "Payload power-up"
gate = "fill"
[[phase.step]]
id = "battery"
challenge = "Battery lead"
response = "Latched, lamp seen"
caution = "Lithium cells: no short circuit, no crushed lead. Heat, hiss or smell: put it down and step back."
why = "This is the battery that flies, at the load that flies."
signed_by = ["payload"]
[[phase.step]]
id = "logger"
challenge = "Logger lead on, flight computer's transmit lead off"
response = "Replies ready"
check = "logger-response"
why = "An unanswered logger records nothing."
signed_by = ["payload"]
after = ["battery"]
valid_for = "45 min"
[[phase.step]]
id = "line"
challenge = "Load of the line and stall of the card, from what was just measured"
response = "Both margins at or above their limits"
check = "link-margin"
why = "A line that is nearly full loses samples when the card pauses."
signed_by = ["payload"]
waive_by = ["director"]

[[phase]]
id = "fill"
title = "Fill"
gate = "release"
[[phase.step]]
id = "neck-lift"
challenge = "Neck lift on the scale, in a lull, three times"
response = "Three readings within 50 g"
caution = "Stretched latex that bursts strikes eyes and ears: glasses on, faces away from the balloon."
measure = { quantity = "neck lift", unit = "kg", sets = "balloon.neck_lift", repeat = 3, spread = "50 g" }
why = "Too little and it floats away without a burst; too much and it bursts low."
signed_by = ["payload"]
witness = true
[[phase.step]]
id = "notice"
challenge = "Launch notified, answer noted"
defer = { authority = "the local air traffic service", ask = ["reference", "valid from", "valid until"] }
why = "Whoever flies near needs to know; local rules say whom to tell, and when."
signed_by = ["director"]

[[phase]]
id = "tracking"
title = "Tracking"
[[phase.step]]
id = "call"
challenge = "Launch call"
response = "Answered, time noted"
signed_by = ["payload"]
"""
)


def key_of(folder: Path, name: str, passphrase: str | None) -> bytes:
    """A key that is the same on every machine, so that every hash and code is; its public half."""
    key = Ed25519PrivateKey.from_private_bytes(hashlib.sha256(name.encode()).digest())
    form = serialization.PrivateFormat.OpenSSH
    how: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if passphrase is not None:
        how = form.encryption_builder().kdf_rounds(1).build(passphrase.encode())
    keep_key(folder, name, key.private_bytes(serialization.Encoding.PEM, form, how))
    return key.public_key().public_bytes_raw()


def stage(root: Path) -> Stage:
    """A stage of its own with a crew's keys."""
    keys = root / "keys"
    people = [
        Person(id=name, name=printed, roles=roles, key=key_of(keys, name, PASSPHRASE))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = Person(id="laptop", name="Laptop", roles=("instrument",), key=key_of(keys, "laptop", None))
    made = Stage(root, keys, Roster([*people, laptop]), flight=flight(), checklist=CHECKLIST)
    made.logs.mkdir()
    replies = Finding(
        check="logger-response",
        outcome="go",
        readings=(Reading(name="logger.reply_time", value=0.184, unit="s", at_most=2.0),),
        evidence=(Evidence(name="logger exchange", data=b"heard\n"),),
    )
    margins = Finding(
        check="link-margin",
        outcome="no-go",
        readings=(
            Reading(name="link.margin", value=1.62, source="computed", at_least=2.0),
            Reading(name="link.stall_margin", value=2.4, source="computed", at_least=1.0),
        ),
        remarks=("Send fewer or shorter samples, or raise the baud rate of both ends",),
    )
    made.checks["logger-response"] = ToldCheck(
        "logger-response",
        replies,
        title="Logger replies",
        leads="Logger lead on, flight computer's transmit lead off",
        put_back="Logger lead off, flight computer's transmit lead back on the logger",
    )
    made.checks["link-margin"] = ToldCheck(
        "link-margin", margins, title="Margin of the line", leads="", put_back=""
    )
    return made


class Listening(ToldCheck):
    """Tells once what a tap shows, then listens until it is stopped."""

    def run(self, context: Any) -> Any:
        yield LISTENING
        while not context.stopped():
            time.sleep(0.01)
        return msgspec.structs.replace(self.finding, outcome="open", remarks=("Stopped after 61 samples",))


_ROW = "{},08:17:{:02d},-43.9300{},171.6200{},214,9,{},9.1,8.10"
_WHY = "pressure: 1203.4 hPa is above 1100 hPa"


def _line(n: int) -> Line:
    bad = n in (56, 60)
    text = _ROW.format(n, n // 2, n % 3, n % 2, "1203.4" if bad else f"99{n % 4}.{n % 10}")
    at = text.index("1203.4") if bad else 0
    return Line(text, (Bad(at, at + 6, _WHY),) if bad else ())


LISTENING = Progress(
    "61 of 120 samples, 2.0 Hz",
    61 / 120,
    live=(
        Stream(name="tap", lines=tuple(_line(n) for n in range(20, 62)), seen=61),
        Trace(
            name="rate",
            unit="Hz",
            points=tuple(1.1 if n == 22 else 2.0 for n in range(30)),
            fold="least",
            declared=2.0,
            told="1.97 Hz, 2 Hz declared",
        ),
        Trace(
            name="jitter",
            unit="ms",
            points=tuple(410.0 if n == 22 else 6.0 + 5 * (n % 3) for n in range(30)),
            told="at most 410 ms",
        ),
    ),
)


@contextmanager
def still(made: Stage) -> Iterator[None]:
    """What would differ from one run or machine to the next: told."""
    count = iter(range(1, 100))
    with ExitStack() as held:
        enter = held.enter_context
        enter(mock.patch.object(table, "get", made.get))
        enter(mock.patch.multiple(Runner, seconds=31.0, quiet=0.0))
        # How long a check took is entered, and so is part of what the seal code is made of.
        enter(mock.patch.object(base, "time", SimpleNamespace(monotonic=lambda: 31.0)))
        enter(mock.patch.object(store, "secrets", SimpleNamespace(token_hex=lambda _: f"{next(count):06x}")))
        enter(mock.patch.object(nearby_pane, "ports_here", return_value=AROUND["ports"]))
        enter(mock.patch.object(nearby_pane, "cards_here", return_value=AROUND["cards"]))
        yield


AROUND = {
    "ports": [Item("/dev/ttyUSB0", "USB serial"), Item("/dev/ttyACM1", "the flight's tap is not here", True)],
    "cards": [Item("/media/card", "FAT32, 31.9 GB, 31.7 GB free")],
}


async def arrive(driver: Driver, show: Show) -> None:
    """To the first step of a new record."""
    await driver.pilot.pause()
    await show("arrival")
    await driver.press("1")
    await driver.asked()
    await show("unlock")
    await driver.fill(PASSPHRASE)
    await driver.until(lambda: bool(driver.app.seen.view.unlocked))
    await driver.begin("omar", "lena")
    await driver.settled()


async def opened(driver: Driver, show: Show, name: str, *keys: str) -> None:
    """Look at what keys open, then leave it."""
    below = driver.app.screen
    await driver.press(*keys)
    await driver.until(lambda: driver.app.screen is not below, f"for {name}")
    await driver.pilot.pause()
    await show(name)
    await driver.key("escape")
    await driver.until(lambda: driver.app.screen is below, f"for {name} to close")


async def walk(driver: Driver, show: Show) -> None:
    """From the arrival over every act to the seal of the following record."""
    await arrive(driver, show)
    await show("confirm")
    await driver.key("2")
    await show("chosen")
    await driver.key("escape")
    for name, key in (
        ("say-what", "y"),
        ("call-no-go", "n"),
        ("not-applicable", "x"),
        ("on-paper", "f3"),
        ("mirror", "f5"),
        ("power", "o"),
        ("replan", "e"),
        ("scrub", "d"),
        ("unlock-any", "u"),
        ("steps", "slash"),
        ("palette", "ctrl+p"),
        ("figures", "i"),
        ("sheet", "0"),
        ("in-full", "space"),
        ("help", "question_mark"),
        ("quit", "q"),
    ):
        await opened(driver, show, name, key)
    await driver.press("1", "enter")
    await driver.until(lambda: driver.app.seen.notice is not None, "for a refusal")
    await show("refused")
    await driver.key("escape")
    await driver.sign("omar")
    await driver.at("step", "logger")
    await show("check")
    await driver.run_check()
    await show("sign")
    await opened(driver, show, "correct", "c")
    await driver.sign("omar")
    await driver.at("step", "line")
    await driver.run_check()
    await show("no-go")
    await driver.press("v")
    await driver.asked()
    await show("waive")
    await driver.fill("Short cable, one buffer deep", "", "+90 min", "1", PASSPHRASE)
    await driver.at("complete", "power-up")
    await show("complete")
    await driver.sign("omar")
    await driver.at("poll", "fill")
    await show("gate-poll")
    await driver.press("enter")
    await driver.fill("go", "", "1")
    await driver.asked()
    await show("poll")
    await driver.fill("go", "", "2")
    await driver.at("authorise", "fill")
    await show("gate")
    await driver.press("enter")
    await driver.asked()
    await show("authorise")
    await driver.fill("1", PASSPHRASE)
    await driver.at("step", "neck-lift")
    await driver.press("enter")
    await driver.asked()
    await driver.type("1,79")
    await driver.press("enter")
    await driver.pilot.pause()
    await show("measure")
    await driver.fill("1,81", "1,80", "2")
    await driver.until(lambda: driver.app.seen.view.step("neck-lift").waiting == "witness")
    await driver.pilot.pause()
    await show("witness")
    await opened(driver, show, "witness-reading", "w")
    await driver.sign("lena")
    await driver.at("step", "notice")
    await driver.press("enter")
    await driver.asked()
    await show("answer")
    await driver.fill("A-12", "07:00Z", "11:00Z", "granted", "", "1")
    await driver.at("complete", "fill")
    await hold(driver, show)
    await finish(driver, show)


async def hold(driver: Driver, show: Show) -> None:
    """A hold that is lifted, and one that is called while every key is locked."""
    await driver.press("f2")
    await driver.asked()
    await show("hold")
    await driver.fill("gust above the limit", "2")
    await driver.until(lambda: bool(driver.app.seen.view.state.holds))
    await driver.pilot.pause()
    await show("held")
    await driver.press("l")
    await driver.asked()
    await show("lift")
    await driver.fill("gust over", "2")
    await driver.until(lambda: not driver.app.seen.view.state.holds)
    await driver.press("k")
    await driver.until(lambda: not driver.app.seen.view.unlocked)
    await driver.press("f2")
    await driver.fill("vehicle on the field", "3")
    await driver.until(lambda: bool(driver.app.seen.view.state.holds))
    await driver.unlock("ines", "omar", "lena")
    await driver.pilot.pause()
    await opened(driver, show, "countersign", "b")
    await driver.press("l")
    await driver.fill("gone", "1")
    await driver.until(lambda: not driver.app.seen.view.state.holds)


async def finish(driver: Driver, show: Show) -> None:
    """The release gate, the seal, the release, and the record that follows."""
    await driver.key("full_stop")
    await driver.at("complete", "fill")
    await driver.sign("omar")
    await driver.at("poll", "release")
    await driver.press("enter")
    await driver.fill("go", "", "1")
    await driver.fill("go", "", "2")
    await driver.at("authorise", "release")
    await driver.press("enter")
    await driver.fill("1", PASSPHRASE)
    await driver.at("close")
    await show("close")
    await driver.press("enter")
    await driver.asked()
    await show("close-and-seal")
    await seal(driver, show, "seal")
    await driver.at("release")
    await show("release")
    await driver.press("enter")
    await driver.asked()
    await show("released")
    await driver.fill("", "", "1")
    await driver.at("step", "call")
    await driver.sign("omar")
    await driver.at("complete", "tracking")
    await driver.sign("omar")
    await driver.at("close")
    await driver.press("enter")
    await driver.asked()
    await seal(driver, show, "")
    await driver.until(lambda: "The walk is over" in driver.text())
    await show("over")
    await opened(driver, show, "add-seal", "z")


async def seal(driver: Driver, show: Show, name: str) -> None:
    """Fill in the form that seals, look at the code, put it away."""
    shown = driver.app.screen
    for answer in ("", "1", PASSPHRASE):
        await driver.type(answer)
        await driver.press("enter")
    await driver.until(lambda: driver.app.screen is not shown and "seal code" in driver.text())
    await driver.pilot.pause()
    if name:
        await show(name)
    await driver.press("enter")


async def again(driver: Driver, show: Show) -> None:
    """After a scrubbed attempt: a step taken over, a phase begun too early, a no-go and a hold, a scrub."""
    await driver.unlock("ines", "omar", "lena")
    await driver.press("1", "enter")
    await driver.settled()
    await driver.at("step", "battery")
    await driver.press("f4")
    await driver.asked()
    await driver.type("1")
    await show("take-over")
    await driver.fill("", "2")
    await driver.at("step", "voltage")
    await driver.press("enter")
    await driver.asked()
    await driver.type("8,3")
    await show("typed")
    await driver.key("escape")
    await driver.until(lambda: not driver.asking)
    driver.app.conductor.go(Place("step", "rope"))
    await opened(driver, show, "begin-phase", "g")
    driver.app.conductor.go(Place("step", "line"))
    await driver.run_check()
    await driver.press("f2")
    await driver.fill("gust above the limit", "2")
    await driver.until(lambda: bool(driver.app.seen.view.state.holds))
    await show("no-go-held")
    await driver.press("d")
    await driver.fill("gusts all day", "1")
    await driver.at("close")
    await show("scrubbed")


def given_up(made: Stage) -> None:
    """The attempt before, with what its checklist lets the next one take over."""
    made.checklist = made.checklist.replace('id = "battery"\n', 'id = "battery"\ncarry = true\n')
    made.checklist = made.checklist.replace(LOGGER_STEP, f"{VOLTAGE_STEP}{LOGGER_STEP}")
    made.checklist = made.checklist.replace(FILL_PHASE, f"{SITE_PHASE}{FILL_PHASE}")
    made.checks["battery-voltage"] = ToldCheck(
        "battery-voltage",
        Finding(check="battery-voltage", outcome="open"),
        title="Battery voltage",
        asks=("battery.open_voltage", "battery.loaded_voltage"),
    )
    ring = Keyring(made.keys, made.roster)
    for person in made.roster.people:
        ring.unlock(person.id, PASSPHRASE)
    walk = opening.begin(made.logs, made.sources, keyring=ring, person="ines", clock=made.clock)
    walk.confirm("battery", "omar", "Latched, lamp seen")
    walk.scrub("ines", "wind above the limit")
    walk.close("ines", PASSPHRASE, reason="scrubbed")
    walk.recorder.seal(ring.signer("ines"))
    walk.recorder.close()
    made.clock.forward(hours=1)


LOGGER_STEP = '[[phase.step]]\nid = "logger"\n'
VOLTAGE_STEP = """[[phase.step]]
id = "voltage"
challenge = "Voltmeter on the battery's terminals, every load off, then the payload on"
response = "Both voltages within their limits"
check = "battery-voltage"
signed_by = ["payload"]
"""
FILL_PHASE = '[[phase]]\nid = "fill"\n'
SITE_PHASE = """[[phase]]
id = "site"
title = "Site"
gate = "fill"
[[phase.step]]
id = "rope"
challenge = "Area roped off"
response = "Rope up, nobody inside"
signed_by = ["payload"]

"""


async def live(driver: Driver, show: Show) -> None:
    """A check at work: below its challenge, and on the whole screen."""
    await driver.begin()
    await driver.settled()
    await driver.sign("omar")
    await driver.at("step", "logger")
    await driver.press("enter")
    await driver.until(lambda: "■1203.4" in driver.text(), "for what is heard")
    await driver.pilot.pause()
    await show("live")
    await driver.key("space")
    await show("live-whole")
    await driver.key("s")


def run_walk(root: Path, tell: Callable[[Driver, str], None], size: tuple[int, int], theme: str) -> None:
    """The tour of the walk's screen; `tell` is called at each stop."""
    _run(root, walk, tell, size, theme)


def run_again(root: Path, tell: Callable[[Driver, str], None], size: tuple[int, int], theme: str) -> None:
    """The tour of an attempt that follows a scrubbed one."""
    _run(root, again, tell, size, theme)


def run_live(root: Path, tell: Callable[[Driver, str], None], size: tuple[int, int], theme: str) -> None:
    """The tour of the live view."""
    _run(root, live, tell, size, theme)


def _run(
    root: Path,
    story: Callable[[Driver, Show], Any],
    tell: Callable[[Driver, str], None],
    size: tuple[int, int],
    theme: str,
) -> None:
    made = stage(root)
    if story is live:
        finding = made.checks["logger-response"].finding
        made.checks["logger-response"] = Listening("logger-response", finding, title="Samples on the tap")

    async def told(driver: Driver) -> None:
        driver.app.theme = theme

        async def show(name: str) -> None:
            await driver.settled()
            tell(driver, name)

        await story(driver, show)

    with still(made):
        if story is again:
            given_up(made)
        made.drive(told, size=size)


def run_watch(root: Path, tell: Callable[[Driver, str], None], size: tuple[int, int], theme: str) -> None:
    """A walk's record looked at from a second screen."""
    made = stage(root)

    async def first(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")

    async def second(driver: Driver) -> None:
        driver.app.theme = theme
        await driver.until(lambda: "ONLY LOOKING" in driver.text())
        await driver.settled()
        tell(driver, "watch")

    with still(made):
        made.drive(first)
        (record,) = made.logs.iterdir()
        looking = Looking(record, folder=made.folder, clock=made.clock)
        with (record / RECORD).open("ab") as writer:
            lock(writer.fileno(), record.name)  # as the screen at work has it
            made.drive(second, session=looking, size=size)


def run_replay(root: Path, tell: Callable[[Driver, str], None], size: tuple[int, int], theme: str) -> None:
    """A moment of a record seen again."""
    made = stage(root)

    async def first(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.run_check()
        await driver.sign("omar")

    async def second(driver: Driver) -> None:
        driver.app.theme = theme
        await driver.pilot.pause()
        await driver.key("left")
        await driver.settled()
        tell(driver, "replay")
        for name, key in (("replay-help", "question_mark"), ("replay-search", "slash")):
            below = driver.app.screen
            await driver.key(key)
            if driver.app.screen is not below:
                await driver.settled()
                tell(driver, name)
                await driver.key("escape")

    with still(made):
        made.drive(first)
        (record,) = made.logs.iterdir()
        made.drive(second, app=replayed(record), size=size)


def run_opening(
    root: Path, tell: Callable[[SimpleNamespace, str], None], size: tuple[int, int], theme: str
) -> None:
    """Flight files to choose from: one with a record to go on with, and one with something wrong in it."""
    (root / "flights").mkdir(parents=True)
    made = stage(root / "flights")
    (made.folder / "checklist.toml").write_text(made.checklist, "utf-8")
    (made.folder / "allowed_signers").write_text(made.roster.to_text(), "utf-8")
    (made.folder / "fulmar-3.toml").write_text(made.flight, "utf-8")
    wrong = made.flight.replace('"Fulmar 3"', '"Petrel 2"').replace("2031-03-09T09:00:00Z", '"tomorrow"')
    (made.folder / "petrel-2.toml").write_text(wrong, "utf-8")

    async def first(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")

    async def second() -> None:
        app = OpeningApp(Path("flights"), sorted(Path("flights").glob("*-?.toml")), clock=made.clock)
        async with app.run_test(size=size) as pilot:
            app.theme = theme
            end = time.monotonic() + DEADLINE
            while not app.settled:
                assert time.monotonic() < end, "it is looking still"
                await pilot.pause(0.01)
            await pilot.pause()
            tell(SimpleNamespace(app=app), "opening")

    with still(made), contextlib.chdir(root):
        made.drive(first)
        asyncio.run(second())


def run_first(
    root: Path, tell: Callable[[SimpleNamespace, str], None], size: tuple[int, int], theme: str
) -> None:
    """What stands while a flight is opened."""
    go_on = threading.Event()

    def opener(app: WalkApp) -> Any:
        go_on.wait(DEADLINE)
        raise RecordError("nothing is opened here")

    async def look() -> None:
        app = WalkApp(opener, "Opening fulmar-3.toml")
        async with app.run_test(size=size) as pilot:
            app.theme = theme
            await pilot.pause()
            tell(SimpleNamespace(app=app), "first")
            app.action_leave()

    with mock.patch.object(loading, "monotonic", return_value=0.0):
        asyncio.run(look())
    go_on.set()


TOURS = (run_walk, run_again, run_live, run_watch, run_replay, run_opening, run_first)
