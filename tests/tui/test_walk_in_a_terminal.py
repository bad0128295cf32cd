"""The demo walked in a real terminal of 80 by 24, from its first step to both seals, by key presses alone."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import sys
import time
from pathlib import Path

from ahead import Ahead
from terminals import PREFLIGHT, Tmux
from tools import need_tool

from preflight.checks import table
from preflight.checks.base import asked_for
from preflight.config.load import load_checklist, load_flight
from preflight.config.quantities import from_si, kind_of_unit
from preflight.practice.invented import MEASURED, TYPED
from preflight.practice.scenario import CHECKLIST, CREW, PASSPHRASE
from preflight.record.verify import verify
from preflight.walk.proof import prove

NUMBERS = {role: str(n) for n, member in enumerate(CREW, start=1) for role in member.roles}


class Hands:
    """Reads the screen and presses what it asks for, as a crew would."""

    def __init__(self, terminal: Tmux, folder: Path) -> None:
        self.terminal = terminal
        checklist = load_checklist(folder / "preflight-demo" / CHECKLIST)
        self.steps = {step.id: step for step in checklist.steps()}
        self.flight = load_flight(folder / "preflight-demo" / "flight.toml")
        self.codes: list[str] = []
        self.counts: dict[str, int] = {}
        self.rounds: dict[str, int] = {}
        self.typed: set[str] = set()

    def fill(self, title: str, *answers: str) -> None:
        self.terminal.until(lambda text: title in text and "Esc leave" in text, title)
        for answer in answers:
            self.terminal.type(answer)
            self.terminal.press("Enter")
        self.terminal.until(lambda text: "Esc leave" not in text, f"{title} to close")

    def arrive(self) -> None:
        self.terminal.until(lambda text: "Enter opens the screen" in text, "the demo")
        self.terminal.press("Enter")
        self.terminal.until(lambda text: "Begin a new record" in text, "the arrival")
        for n in range(1, len(CREW) + 1):
            self.terminal.press(str(n))
            self.fill("Unlock a key", PASSPHRASE)
            self.terminal.until(lambda text, n=n: f"{n} ▸" in text, f"key {n}")
        self.terminal.press("1", "Enter")
        self.terminal.until(lambda text: "before:" in text, "the walk")

    def go(self) -> None:
        """Do what the screen asks for until the walk is over."""
        while True:
            text = self.terminal.until(prompt, "a prompt")
            asked = prompt(text)
            assert asked is not None
            if "Nothing is left" in asked:
                return
            before = self.terminal.presses
            name = self.one(asked, text)
            self.counts[name] = self.counts.get(name, 0) + self.terminal.presses - before
            if asked.startswith(("Enter runs", "Do it")):
                self.rounds[name] = self.rounds.get(name, 0) + 1
            self.terminal.until(
                lambda now, text=text: prompt(now) and place(now) != place(text), f"{asked} to be done"
            )

    def one(self, asked: str, text: str) -> str:
        """One act; the step or call that it was for."""
        found = re.search(r"(?:OPEN|STALE|NO-GO) +([a-z0-9-]+)  step", text)
        step = self.steps[found[1]] if found else None
        performer = NUMBERS[step.signed_by[0]] if step and step.signed_by else "1"
        if asked.startswith("Enter runs"):
            self.terminal.press("Enter")
            now = self.terminal.until(lambda now: "Read it off" in now or finished(text, now), "the check")
            if "Read it off" in now:
                assert step is not None
                assert step.check is not None
                asks = asked_for(table.get(step.check), self.flight, None)
                self.typed.add(step.id)
                self.fill("Read it off", *(str(TYPED.get(name, "")) for name in asks))
                now = self.terminal.until(lambda now: finished(text, now), "the check")
            if "again" in (prompt(now) or ""):
                assert step is not None
                self.typed.add(step.id)
                self.terminal.press("x")  # what practice has no instrument for
                self.fill("Not applicable", "practice", performer)
        elif asked.startswith("Enter opens the measurement"):
            assert step is not None
            assert step.measure is not None
            values = [self.read_off(step.measure)] * step.measure.repeat
            self.terminal.press("Enter")
            self.fill("Measure:", *values, performer)
        elif asked.startswith("Do it, then Enter"):
            assert step is not None
            self.typed.add(step.id)
            self.terminal.press("Enter")
            self.fill("Confirm:", "as expected (simulated)", performer)
        elif asked.startswith("Enter opens the authority"):
            assert step is not None
            self.answer(step, performer)
        elif asked.startswith("A second person"):
            second = next(n for n in ("4", "3", "2", "1") if n != performer)
            self.terminal.press(second, "Enter")
        elif "call this phase complete" in asked:
            self.terminal.press("1", "Enter")
        elif "our number" in asked:
            self.terminal.press(performer, "Enter")
        elif asked.startswith("Enter asks the next station"):
            self.poll()
        elif asked.startswith("Enter authorises"):
            self.terminal.press("Enter")
            self.fill("Authorise passing", "1", PASSPHRASE)
        elif asked.startswith("Enter closes"):
            self.seal()
        elif asked.startswith("Enter enters the release"):
            self.terminal.press("Enter")
            self.fill("Release: the balloon has left", "", "", "1")
        else:
            raise AssertionError(f"the screen asks for what no hand knows: {asked}\n{text}")
        return step.id if step else asked

    def read_off(self, measure) -> str:
        """What an invented crew reads off: with a decimal comma, as some do."""
        value, unit = MEASURED.get(measure.quantity, (0.0, ""))
        if measure.sets is not None:
            here = self.flight
            for part in re.findall(r"[a-z_]+|[0-9]+", measure.sets):
                here = here[int(part) - 1] if part.isdecimal() else getattr(here, part)
            value = from_si(here, kind_of_unit(measure.unit) or "", measure.unit)
        elif unit != measure.unit:
            bounds = [each for each in (measure.at_least, measure.at_most) if each is not None]
            value = sum(bounds) / len(bounds)
        return f"{value:g}".replace(".", ",")

    def answer(self, step, performer: str) -> None:
        now = time.time()
        window = {"valid from": now - 3600, "valid until": now + 8 * 3600}
        times = {name: time.strftime("%Y-%m-%d %H:%MZ", time.gmtime(at)) for name, at in window.items()}
        times["told at"] = "now"
        answers = [times.get(question, "told") for question in step.defer.ask]
        self.terminal.press("Enter")
        text = self.terminal.until(lambda text: "Answer of" in text and "Esc leave" in text, "the dialogue")
        if "the answer" in text:  # a gate rests on it
            own_remark = any(question.startswith("condition") for question in step.defer.ask)
            answers += ["granted"] if own_remark else ["granted", ""]
        self.fill("Answer of", *answers, performer)

    def poll(self) -> None:
        self.terminal.press("Enter")
        for member in CREW:
            station = member.roles[0]
            self.terminal.until(lambda text, s=station: f"= {s}" in text, f"the poll of {station}")
            for answer in ("go", "", NUMBERS[station]):
                self.terminal.type(answer)
                self.terminal.press("Enter")
        self.terminal.until(lambda text: "Esc leave" not in text, "the poll's end")

    def seal(self) -> None:
        self.terminal.press("Enter")
        self.fill("Close and seal", "", "1", PASSPHRASE)
        text = self.terminal.until(lambda text: "seal code" in text, "the code")
        found = re.search(r"seal code +([0-9A-Z]{4} [0-9A-Z]{4} [0-9A-Z]{4} [0-9A-Z]{4})", text)
        assert found, text
        self.codes.append(found[1])
        self.terminal.press("Enter")
        self.terminal.until(lambda text: "before:" in text, "the code to be put away")


def prompt(text: str) -> str | None:
    """What the screen asks for; None while something is at work or in the way."""
    if "Esc leave" in text or "before:" not in text:
        return None
    found = re.search(r"^ ▶ (.*?)(?:   \. goes to.*)?$", text, re.MULTILINE)
    if found is None:
        return "Nothing is left" if "The walk is over" in text else None
    busy = "the check is at work" in found[1] or "Escape to let go" in found[1]
    return None if busy else found[1].strip()


def finished(before: str, text: str) -> bool:
    """Whether a check that was begun when the screen was `before` has left its finding."""
    return prompt(text) is not None and place(text)[1] != place(before)[1]


def place(text: str) -> tuple[str, ...]:
    """What tells one moment of the walk from the next."""
    entries = re.search(r"#([0-9]+)", text)
    return (prompt(text) or "", entries[1] if entries else "")


def walk_the_demo(folder: Path) -> None:
    """To both seals, the window resized in the middle; prints the seal codes and the presses."""
    command = f"{shlex.join([sys.executable, '-c', PREFLIGHT])} demo; echo THE END; read x"
    terminal = Tmux(folder, [command], {}, patience=60.0)
    try:
        terminal.until(lambda text: "Enter opens the screen" in text, "the demo")
        hands = Hands(terminal, folder)
        hands.arrive()
        terminal.resize(150, 43)  # in the middle of it, and back
        terminal.until(lambda text: "figures" in text and "call complete" in text, "the wide arrangement")
        terminal.resize(80, 24)
        terminal.until(lambda text: "call complete" not in text, "the narrow arrangement")
        hands.go()
        terminal.press("q")
        terminal.until(lambda text: "Quit?" in text, "the question")
        terminal.press("y", "Enter")
        text = terminal.until(lambda text: "THE END" in text, "the end")
        assert "Traceback" not in text
    finally:
        terminal.close()
    presses = {
        step.id: [
            hands.counts[step.id],
            hands.rounds[step.id],
            3 if step.kind == "check" else 2,
            step.witness,
        ]
        for step in hands.steps.values()
        if step.id in hands.rounds and step.id not in hands.typed
    }
    print(json.dumps({"codes": hands.codes, "presses": presses}))


# Begun before the first test: it waits for a simulated payload, and that for nobody.
AHEAD = (
    {"walk-by-keys": lambda folder: [sys.executable, __file__, str(folder)]} if shutil.which("tmux") else {}
)


def test_the_demo_is_walked_by_key_presses_to_both_seals(ahead: Ahead) -> None:
    need_tool("tmux")
    ran = ahead["walk-by-keys"]
    assert ran.code == 0, ran.err[-4000:]
    told = json.loads(ran.out)
    # Every step of the list that is read, done and signed, or whose check runs and is signed.
    assert len(told["presses"]) > 40
    for name, (presses, rounds, most, witnessed) in told["presses"].items():
        assert presses <= rounds * (most + (2 if witnessed else 0)), name
    folders = sorted((ran.folder / "preflight-demo" / "logs").iterdir())
    assert len(folders) == 2
    found = [verify(folder) for folder in folders]
    assert [each.state for each in found] == ["sealed", "sealed"]
    for folder, code in zip(folders, told["codes"], strict=True):
        assert verify(folder, code=code).state == "anchored"
        assert prove(folder).found.state == "sealed"


if __name__ == "__main__":
    walk_the_demo(Path(sys.argv[1]))
