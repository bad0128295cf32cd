"""Pictures of the screen from the real application, walked by key presses on the small flight.

Run: python tests/pictures.py [FOLDER]. Writes every picture into FOLDER; without one, those that the README
shows into .pictures/.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from pathlib import Path
from typing import Any
from unittest import mock

sys.path.insert(0, str(Path(__file__).parent))

import msgspec
from screen_driving import PASSPHRASE, Driver, Stage, ToldCheck, table
from small_flight import PEOPLE

from preflight.config.shipped import shipped_file
from preflight.live import Bad, Line, Stream, Trace
from preflight.readings import Evidence, Finding, Progress, Reading
from preflight.record.keys import make_key
from preflight.record.roster import Person, Roster
from preflight.tui.runner import Runner

SIZES = {"": (80, 24), "-wide": (160, 45)}


def flight() -> str:
    """The flight file to start from, released two hours after the told clock begins."""
    text = shipped_file("flight.toml").read_text("utf-8")
    text = re.sub(r"^release = \S+", "release = 2031-03-09T09:00:00Z", text, flags=re.MULTILINE)
    text = re.sub(r"^table = .*$", "", text, flags=re.MULTILINE).replace("[wind]", "")
    return re.sub(r'^checklist = ".*?"', 'checklist = "checklist.toml"', text, flags=re.MULTILINE)


CHECKLIST = """
[checklist]
title = "Latex balloon, single payload"
revision = "A"
stations = ["director", "payload"]
release_by = ["director"]
seal_by = ["director"]

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

[[phase]]
id = "tracking"
title = "Tracking"
[[phase.step]]
id = "call"
challenge = "Launch call"
response = "Answered, time noted"
signed_by = ["payload"]
"""


def stage(root: Path) -> Stage:
    """A stage of its own with a crew's keys."""
    keys = root / "keys"
    people = [
        Person(id=name, name=printed, roles=roles, key=make_key(keys, name, PASSPHRASE, rounds=1))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = Person(id="laptop", name="Laptop", roles=("instrument",), key=make_key(keys, "laptop", None))
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


def take(folder: Path, size: tuple[int, int], suffix: str, theme: str = "desk") -> list[Path]:
    """Walk a little and take pictures on the way."""
    taken: list[Path] = []

    async def story(driver: Driver) -> None:
        async def picture(name: str) -> None:
            await driver.pilot.pause()
            path = folder / f"{name}{suffix}.svg"
            path.write_text(driver.app.export_screenshot(), "utf-8")
            taken.append(path)

        driver.app.theme = theme
        await picture("arrival")
        await driver.begin()
        await driver.until(lambda: driver.app.seen.extra.figures is not None)
        await picture("confirm")
        await driver.sign("omar")
        await driver.at("step", "logger")
        await picture("check")
        await driver.run_check()
        await picture("sign")
        await driver.sign("omar")
        await driver.at("step", "line")
        await driver.run_check()
        await picture("no-go")
        await driver.press("v")
        await driver.asked()
        await picture("waive")
        shown = driver.app.screen
        for answer in ("Short cable, one buffer deep", "", "+90 min", "1", PASSPHRASE):
            await driver.type(answer)
            await driver.press("enter")
        await driver.until(lambda: driver.app.screen is not shown)
        await driver.at("complete", "power-up")
        await driver.sign("omar")
        await driver.at("poll", "fill")
        await driver.press("enter")
        await driver.fill("go", "", "1")
        await driver.asked()
        await picture("poll")
        await driver.fill("go", "", "2")
        await driver.at("authorise", "fill")
        await picture("gate")
        await driver.press("enter")
        await driver.fill("1", PASSPHRASE)
        await driver.at("step", "neck-lift")
        await driver.press("enter")
        await driver.asked()
        await driver.type("1,79")
        await driver.press("enter")
        await picture("measure")
        await driver.fill("1,81", "1,80", "2")
        await driver.until(lambda: driver.app.seen.view.step("neck-lift").waiting == "witness")
        await picture("witness")
        await driver.sign("lena")
        await driver.press("f2")
        await driver.asked()
        await picture("hold")
        await driver.fill("gust above the limit", "2")
        await driver.until(lambda: bool(driver.app.seen.view.state.holds))
        await picture("held")
        await driver.key("question_mark")
        await picture("help")
        await driver.key("escape")
        await driver.press("z")
        await driver.asked()
        shown = driver.app.screen
        for answer in ("", "1", PASSPHRASE):
            await driver.type(answer)
            await driver.press("enter")
        await driver.until(lambda: driver.app.screen is not shown and "seal code" in driver.text())
        await picture("seal")

    with tempfile.TemporaryDirectory() as root:
        made = stage(Path(root))
        with mock.patch.object(table, "get", made.get):
            made.drive(story, size=size)
    return taken


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


def take_live(folder: Path, size: tuple[int, int], suffix: str, theme: str = "desk") -> list[Path]:
    """A check at work: below its challenge, and on the whole screen."""
    taken: list[Path] = []

    async def story(driver: Driver) -> None:
        driver.app.theme = theme
        await driver.begin()
        await driver.until(lambda: driver.app.seen.extra.figures is not None)
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.press("enter")
        await driver.until(lambda: "■1203.4" in driver.text(), "for what is heard")
        for name, key in (("live", "space"), ("live-whole", "s")):
            await driver.pilot.pause()
            path = folder / f"{name}{suffix}.svg"
            path.write_text(driver.app.export_screenshot(), "utf-8")
            taken.append(path)
            await driver.key(key)

    with tempfile.TemporaryDirectory() as root:
        made = stage(Path(root))
        finding = made.checks["logger-response"].finding
        made.checks["logger-response"] = Listening("logger-response", finding, title="Samples on the tap")
        # As long as it takes, a picture is the same.
        still = mock.patch.multiple(Runner, seconds=31.0, quiet=0.0)
        with mock.patch.object(table, "get", made.get), still:
            made.drive(story, size=size)
    return taken


def main(folder: Path) -> list[Path]:
    """All pictures: both sizes on a desk, the small one in each other theme."""
    folder.mkdir(parents=True, exist_ok=True)
    taken = [path for suffix, size in SIZES.items() for path in _all(folder, size, suffix)]
    for theme in ("sun", "night"):
        taken += _all(folder, SIZES[""], f"-{theme}", theme)
    return taken


def _all(folder: Path, size: tuple[int, int], suffix: str, theme: str = "desk") -> list[Path]:
    return [*take(folder, size, suffix, theme), *take_live(folder, size, suffix, theme)]


SHOWN = ("sign", "no-go", "measure", "seal", "sign-sun", "sign-night", "no-go-wide")
"""Those that the README shows."""

if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        for path in main(Path(__file__).parent.parent / ".pictures"):
            if path.stem not in SHOWN:
                path.unlink()
