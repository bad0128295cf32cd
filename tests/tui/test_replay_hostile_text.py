"""Text that a record brings along is shown by the replay, never obeyed: escapes, markup, wide signs."""

from __future__ import annotations

import subprocess
import sys

import pytest
from rich.cells import cell_len
from screen_driving import PASSPHRASE, Driver, Stage, replayed

from preflight.record.keys import Keyring
from preflight.walk import opening

HOSTILE = (
    "[BATT] 3.3",
    "[/]",
    "[bold red]$alert[/bold red]",
    "\x1b[2J\x1b]0;owned\x07",
    "e" + "\u0301" * 40,
    "電池電圧\u202e3.3",
    "x" * 3900,
)


@pytest.mark.parametrize("size", [(80, 24), (160, 45)])
def test_nothing_is_deleted_nothing_is_obeyed(stage: Stage, size: tuple[int, int]) -> None:
    ring = Keyring(stage.keys, stage.roster)
    for person in ("ines", "omar"):
        ring.unlock(person, PASSPHRASE)
    walk = opening.begin(stage.logs, stage.sources, keyring=ring, person="ines", clock=stage.clock)
    for text in HOSTILE:
        walk.hold(text, "omar")
        walk.lift(walk.ledger.acts[-1].ref, "omar", text)
        walk.confirm("battery", "omar", text)
        walk.refuse("battery", "omar", text)
    walk.recorder.close()

    async def story(driver: Driver) -> None:
        await driver.until(lambda: "REPLAY" in driver.text())
        await driver.key("home")
        seen = [driver.text()]
        for _ in walk.ledger.acts[1:]:
            before = driver.app.seen
            await driver.press("right")
            await driver.until(lambda before=before: driver.app.seen is not before)
            await driver.dealt()
            text = driver.text()
            seen.append(text)
            assert not any(ord(sign) < 32 and sign != "\n" for sign in text)
            assert "\u202e" not in text
            assert all(cell_len(line) <= size[0] for line in text.splitlines())
        await driver.key("space")
        await driver.key("escape")
        await driver.key("slash")
        await driver.key("escape")
        whole = "\n".join(seen)
        for part in ("[BATT] 3.3", "[/]", "[bold red]$alert[/bold red]", "␛[2J", "電池電圧"):
            assert part in whole, part

    app = replayed(walk.recorder.folder)
    stage.drive(story, size=size, app=app)
    assert app.fault is None


@pytest.mark.parametrize(
    "module",
    ["replay.tape", "replay.moments", "replay.session", "viewing", "interruption", "forms.of_earlier"],
)
def test_what_drives_it_knows_no_screen_library(module: str) -> None:
    code = f"import preflight.tui.{module}, sys; print('textual' in sys.modules or 'rich' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
