"""The walk's screen in a real terminal of 80 by 24, as ratios to a bare application of the screen library.

Run: python tests/tui/bench_screen.py [ROUNDS]. Prints: first paint (it says what is opened,
and can be left) and the whole arrival, from the start of the process; key to effect, median and
99th percentile, while a check takes in a thousand lines a second; bytes written for a key and for an idle
second.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from terminals import Bare, lay_out, walk_words
from tour import stage

BARE = """
from textual.app import App
from textual.widgets import Static
class A(App):
    def compose(self):
        yield Static("READY")
    def on_key(self, event):
        if event.character and event.character.isdigit():
            self.query_one(Static).update(f"chosen {event.character}")
A().run()
"""
STREAM = """
import sys, tempfile, time
from dataclasses import replace
sys.path.insert(0, {tests!r})
from pathlib import Path
from unittest import mock
from screen_driving import PASSPHRASE, ToldCheck, table
from tour import stage
from preflight.clock import SystemClock
from preflight.live import Line, Stream
from preflight.readings import Progress
from preflight.tui import openers
from preflight.tui.app import WalkApp
from preflight.tui.screens.walk import WalkScreen
class Fast(ToldCheck):
    def run(self, context):
        lines, start = [], time.monotonic()
        while not context.stopped():
            time.sleep(0.001)
            while len(lines) < (time.monotonic() - start) * 1000:
                n = len(lines)
                lines.append(Line(f"{{n}},08:17:00,-43.93,171.62,214,9,991.2,9.1"))
                stream = Stream(name="tap", lines=tuple(lines[-40:]), seen=n)
                yield Progress(f"{{n}} lines", None, live=(stream,))
        return self.finding
made = stage(Path(tempfile.mkdtemp()))
made.clock = SystemClock()
told = made.checks["logger-response"]
made.checks["logger-response"] = Fast("logger-response", told.finding)
table.get = made.get
session = made.session()
for person in ("ines", "omar", "lena"):
    session.admit(session.open_key(person, PASSPHRASE).result())
session.begin("ines").result()
session.act(lambda walk: walk.confirm("battery", "omar", "seen"), "omar").result()
WalkApp(lambda app: replace(openers.walk(session, app), screen=WalkScreen)).run()
session.shut()
"""


def first_paint(words: list[str], env: dict[str, str], sign: bytes) -> float:
    """Seconds from the start of the process until `sign` is drawn."""
    made = Bare(words, env)
    try:
        made.until(lambda: sign in made.seen, "the first paint")
        return time.perf_counter() - made.began
    finally:
        made.close()


def key_times(made: Bare, signs: dict[str, bytes], rounds: int) -> list[float]:
    """Seconds from each key to what it draws."""
    taken = []
    keys = list(signs)
    for n in range(rounds):
        key = keys[n % len(keys)]
        made.read(0.003 * (n % 7) + 0.001)  # not in step with anything
        at = len(made.seen)
        start = time.perf_counter()
        made.send(key)
        made.until(lambda at=at, key=key: signs[key] in made.seen[at:], f"the effect of {key}")
        taken.append(time.perf_counter() - start)
    return taken


def shares(name: str, taken: list[float], bare: list[float]) -> None:
    """Print the median and the 99th percentile with their ratios to the bare application's."""
    for what, pick in (("median", 49), ("99%", 98)):
        own, other = (statistics.quantiles(each, n=100)[pick] for each in (taken, bare))
        print(f"{name} {what}: {own * 1e3:.1f} ms, bare {other * 1e3:.1f} ms, {own / other:.2f} times")


def main(rounds: int) -> None:
    """All of them."""
    with tempfile.TemporaryDirectory() as root:
        env = lay_out(stage(Path(root) / "stage"), Path(root) / "flight")
        words = walk_words(f"{root}/flight/flight.toml")
        bare_words = [sys.executable, "-c", BARE]
        own, bare, painted = [], [], []
        for _ in range(7):
            bare.append(first_paint(bare_words, env, b"READY"))
            painted.append(first_paint(words, env, b"Opening flight.toml"))
            own.append(first_paint(words, env, b"Begin a new record"))
        other = statistics.median(bare)
        for what, taken in (("first paint", painted), ("whole arrival", own)):
            first = statistics.median(taken)
            print(f"{what}: {first * 1e3:.0f} ms, bare {other * 1e3:.0f} ms, {first / other:.2f} times")

        simple = Bare(bare_words, env)
        simple.until(lambda: b"READY" in simple.seen, "the bare application")
        bare_keys = key_times(simple, {"2": b"2", "3": b"3"}, rounds)
        simple.close()
        tests = str(Path(__file__).parents[1])
        busy = Bare([sys.executable, "-c", STREAM.format(tests=tests)], env)
        busy.until(lambda: b"before:" in busy.seen, "the walk")
        busy.until_quiet()
        sent = []
        for key in ("2", "3") * 5:
            at = len(busy.seen)
            busy.send(key)
            busy.until_quiet(0.15)
            sent.append(len(busy.seen) - at)
        print(f"bytes for choosing a person: median {statistics.median(sent):.0f}, most {max(sent)}")
        sent = []
        for key in ("\x1b[D", "\x1b[C") * 5:
            at = len(busy.seen)
            busy.send(key)
            busy.until_quiet(0.15)
            sent.append(len(busy.seen) - at)
        print(f"bytes for going to another step: median {statistics.median(sent):.0f}, most {max(sent)}")
        at, start = len(busy.seen), time.monotonic()
        while time.monotonic() < start + 5:
            busy.read(0.1)
        print(f"bytes in an idle second: {(len(busy.seen) - at) / 5:.0f}")
        busy.send("\r")
        busy.until(lambda: b" lines" in busy.seen, "the stream")
        own_keys = key_times(busy, {"2": "▸Omar".encode(), "3": "▸Lena".encode()}, rounds)
        busy.close()
        shares("key to effect under 1,000 lines a second,", own_keys, bare_keys)


if __name__ == "__main__":
    # What this tool sets for its own screens must not reach the bare application.
    for name in ("NO_COLOR", "ESCDELAY", "TEXTUAL_FPS"):
        os.environ.pop(name, None)
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
