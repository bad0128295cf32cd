"""Untrusted bytes through every check at once, and what `preflight check` then writes to a real terminal.

They come from where they may come: line, logger, receiver, card, recording, and the names in the flight file.
Neither may anything of them reach the terminal that it would obey, nor end a check.
"""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import threading
import time
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

import pytest
import tomli_w
from boards import Board
from card_images import make_fat, patch
from card_images import run as run_tool
from serial_ends import FarEnd

from preflight.checks import log_recording, table
from preflight.checks.log_recording import Recording, layout_mark
from preflight.config.load import load_flight

MIB = 1024 * 1024
HOSTILE = {
    "escape": b"\x1b[2J\x1b]0;owned\x07\x1b]52;c;ZXZp\x07\x1b[31mgo\x08\x08\x1b[6n\x1bc\r\x7f\x9b2J\x90q\x9c",
    "markup": b"[bold red]go[/] [@click=app.quit]x[/] <script>alert(1)</script> {{7*7}} %s %(x)s {0}",
    "bidi": "\u202egnihtyreve si og\u202c\u2066x\u2069 g\u200bo\ufeff\u2028e\u0301\u0301\u0301".encode(),
    "nul": b"rea\x00dy\x00\x00",
    "surrogate": b"\xed\xa0\x80\xed\xbf\xbf\xff\xfe\xc0\xaf\xf4\x90\x80\x80",
}
# What is waited for is shortened, nothing else.
PROGRAM = """
import sys
from preflight.checks import beacon_heard, listening, log_recording, tap
tap.LEAST_SECONDS, tap.LEAST_SAMPLES, tap.SILENCE, tap.HOPELESS_AFTER = 0.2, 6, 0.6, 0.3
listening.RATES, listening.ANSWER_WITHIN = (19200, 57600), 0.1
beacon_heard.PATIENCE = 1.0, 0.5
log_recording.SECONDS, log_recording.CUT_WITHIN = (0.3, 0.4), 0.3
from preflight.cli.main import main
main()
"""
SEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
LIMIT = 60.0


def in_terminal(words: list[str], folder: Path) -> tuple[int, bytes]:
    """Run in a terminal of its own, with Enter whenever the program waits; its exit code and every byte."""
    master, slave = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *words], cwd=folder, stdin=slave, stdout=slave, stderr=slave
    )
    os.close(slave)
    seen, ends = bytearray(), time.monotonic() + LIMIT
    try:
        while child.poll() is None or select.select([master], [], [], 0)[0]:
            assert time.monotonic() < ends, bytes(seen[-2000:])
            if select.select([master], [], [], 0.05)[0]:
                try:
                    seen += os.read(master, 65536)
                except OSError:
                    break
                if seen.rstrip(b" ").endswith(b"Enter when done"):
                    os.write(master, b"\n")
    finally:
        child.kill()
        child.wait()
        os.close(master)
    return child.returncode, bytes(seen)


def hostile_card(folder: Path, body: bytes) -> Path:
    """A card whose label and one of whose logs have the bytes in their names; the log holds them, too."""
    card = make_fat(folder / "card.img", 16 * MIB, 16)
    (folder / "LOG001.CSV").write_bytes(b"".join(b"%d,%s,990.1,8.1\r\n" % (n, body) for n in range(400)))
    (folder / "LOG002.CSV").write_bytes(body + b"\r\n")
    run_tool("mcopy", "-i", card, folder / "LOG001.CSV", folder / "LOG002.CSV", "::")
    raw = card.read_bytes()
    name = (body.replace(b"\x00", b"\x01") + b"        ")[:8]
    patch(card, raw.index(b"LOG002  CSV"), name if name[0] not in (0xE5, 0x00) else b"_" + name[1:])
    for place in (found.start() for found in re.finditer(b"DUNLIN     ", raw)):
        patch(card, place, (body + b" " * 11)[:11])
    return card


def accepted(body: bytes) -> str:
    """The most of it that a flight file takes as a name."""
    text = body.decode("utf-8", "replace")[:60]
    return "".join(char for char in text if unicodedata.category(char) not in SEEN) or "name"


def write_flight(folder: Path, name: str, card: Path, tap: str, logger: str) -> Path:
    fields = [
        {"name": "n", "role": "counter"},
        {"name": f"state {name}"},
        {"name": "pressure", "unit": "hPa", "role": "pressure"},
        {"name": "battery", "unit": "V", "role": "battery"},
    ]
    pin = {"from_pin": name, "from_function": "transmit", "to_pin": name, "to_function": "transmit"}
    content = {
        "flight": {
            "name": name,
            "release": datetime(2031, 3, 9, 9, tzinfo=UTC),
            "power_up": "45 min",
            "checklist": "c.toml",
        },
        "site": {"latitude": -41.5, "longitude": 12.25, "elevation": "40 m", "timezone": "UTC"},
        "balloon": {"mass": "600 g", "burst_diameter": "6 m", "gas": "helium", "neck_lift": "1.6 kg"},
        "payload": {"package": [{"name": name, "mass": "0.9 kg"}]},
        "recovery": {"search": "3 h"},
        "sample": {"rate": "50 Hz", "format": "delimited", "length": "64 B", "field": fields},
        "link": {"baud": 9600},
        "port": [
            {"use": "tap", "at": tap},
            {"use": "logger", "at": logger},
            {"use": "beacon", "at": "heard.txt"},
        ],
        "logger": {
            "exchange": [{"send": "?\r", "expect": "ready(?P<rest>.*)", "within": "0.4 s"}],
            "leave": [{"send": "go\r"}],
            "off_voltage": "0.3 V",
        },
        "card": {"volume": card.name, "log": "*"},
        "battery": {
            "chemistry": "li-ion",
            "series": 2,
            "capacity": "3400 mA*h",
            "cell_temperature": "-10 degC",
            "load": [{"name": name, "current": "100 mA"}],
        },
        "beacon": {"interval": "0.5 s"},
        "wiring": {"connection": [{"from": name, "to": name + "2"} | pin]},
        "airspace": {"rules": ["cfr-101.toml"], "operator": name},
    }
    path = folder / "flight.toml"
    path.write_text(tomli_w.dumps(content), encoding="utf-8")
    return path


def record_before(folder: Path, flight_file: Path, body: bytes) -> None:
    """A recording that the card is then compared with."""
    flight = load_flight(flight_file)
    lines = [b"%d,%s,990.1,8.1\r\n" % (n, body) for n in range(300)]
    marks, size = [], 0
    for n, line in enumerate(lines):
        size += len(line)
        marks.append((size, n / 50))
    log_recording.save(
        folder,
        Recording(
            flight=flight.flight.name,
            layout=layout_mark(flight),
            began=datetime.now(UTC),
            interval=0.5,
            data=b"".join(lines),
            marks=tuple(marks),
            cut=(2.0, 4.0),
        ),
    )


def plain(seen: bytes) -> str:
    """The terminal's bytes as text, after looking that there is nothing among them that it obeys."""
    text = seen.decode("utf-8")  # a half character is for nobody to guess at
    bad = {f"U+{ord(char):04X}" for char in text if unicodedata.category(char) in SEEN and char not in "\r\n"}
    assert not bad, (bad, text[-3000:])
    # A lone CR is the meter's, which begins its line anew and is followed by the check's own name or blanks.
    for after in re.split(r"\r(?!\n)", text.replace("\r\r\n", "\r\n"))[1:]:
        assert re.match(r" *$| *\r| *\n|[a-z-]+: ", after[:200]), ascii(after[:80])
    return text


@pytest.mark.parametrize(("kind", "log"), [*((kind, "compared") for kind in HOSTILE), ("escape", "recorded")])
def test_through_every_check_to_the_terminal(tmp_path: Path, kind: str, log: str) -> None:
    body = HOSTILE[kind]
    folder = tmp_path / os.fsdecode(body.replace(b"\x00", b"").replace(b"/", b"")[:40])
    folder.mkdir()
    ended = threading.Event()

    def hear() -> None:
        with (folder / "heard.txt").open("ab") as heard:
            while not ended.wait(0.1):
                heard.write(b"12:00:00 " + body + b" -41.5, 12.25, 40 m\r\n" + body + b"\r\n")
                heard.flush()

    def answer(end: FarEnd, data: bytes) -> None:
        end.send(body + b"\r\nready 7 " + body + b"\r\n")

    listened = threading.Thread(target=hear)
    sample = body.replace(b"\r", b"").replace(b"\n", b"")
    with (
        Board(sample=lambda n: b"%d,%s,990.%d,8.1\r\n" % (n, sample, n % 10), every=0.02) as tap,
        FarEnd(answer) as logger,
    ):
        # The tools that make it would not find their way into the folder.
        card = hostile_card(tmp_path, sample).rename(folder / "card.img")
        flight = write_flight(folder, accepted(body), card, tap.path, logger.path)
        if log == "compared":
            record_before(folder, flight, sample)
        listened.start()
        only = [word for name in table.BUILT_IN for word in ("--only", name)]
        try:
            code, seen = in_terminal(["check", "flight.toml", *only], folder)
        finally:
            ended.set()
            listened.join()
    text = plain(seen)
    assert code == 1, text[-3000:]  # a no-go among them: never a traceback's or a signal's
    assert "Traceback" not in text
    told = re.findall(r"^(?:[^\n]*\r)?([a-z-]+): (?:go|no-go|open \(needs a person\))\r?$", text, re.M)
    assert set(told) == set(table.BUILT_IN), set(table.BUILT_IN) - set(told)
    assert not re.search(r"^\W*go: ", text, re.M)
