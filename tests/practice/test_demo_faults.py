"""Faults planted in the demo's payload stop the simulated crew at the step that looks for them."""

import sys
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from preflight.checks import beacon_heard, log_recording
from preflight.clock import SystemClock
from preflight.practice import scenario
from preflight.practice.crew import SimulatedCrew, Stopped
from preflight.practice.hands import hands_on
from preflight.practice.invented import TYPED
from preflight.practice.scenario_files import BAUD, BEACON_EVERY, CHECKLIST, GROUND, RATE
from preflight.practice.simulate import SimulatedPayload
from preflight.record.keys import Keyring
from preflight.record.roster import Roster
from preflight.walk.opening import Sources, begin

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="the simulated payload needs pseudo-terminals"
)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits for what will not come, and recordings, are cut short; limits stay as they are."""
    monkeypatch.setattr(beacon_heard, "PATIENCE", (1.0, 1.0))
    monkeypatch.setattr(log_recording, "INTERVALS", 1.0)
    monkeypatch.setattr(log_recording, "QUIET", 0.9)


LIST = """
[checklist]
title = "One step"
revision = "A"
stations = ["director"]
release_by = ["director"]
seal_by = ["director"]
[[phase]]
id = "only"
title = "Only phase"
[[phase.step]]
id = "step"
challenge = "Instrument"
check = "CHECK"
"""


@pytest.fixture(scope="module")
def at_work(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[scenario.Demo, SimulatedPayload]]:
    demo = scenario.prepare(tmp_path_factory.mktemp("drill") / "demo", datetime.now(UTC))
    payload = SimulatedPayload(demo.payload, rate=RATE, baud=BAUD, ground=GROUND, beacon=BEACON_EVERY)
    with payload, hands_on(payload, lambda: demo.card_to_reader(payload.card_files())):
        yield demo, payload


def walk_one(demo: scenario.Demo, check: str, **typed: float) -> None:
    (demo.folder / CHECKLIST).write_text(LIST.replace("CHECK", check))
    keyring = Keyring(demo.keys, Roster.parse(demo.roster.read_bytes()))
    for member in scenario.CREW:
        keyring.unlock(member.id, scenario.PASSPHRASE)
    sources = Sources.beside(demo.flight_file)
    walk = begin(demo.logs, sources, keyring=keyring, person="mika", clock=SystemClock(), drill=True)
    passphrases = dict.fromkeys(keyring.unlocked, scenario.PASSPHRASE)
    crew = SimulatedCrew(walk, folder=demo.folder, passphrases=passphrases, typed=TYPED | typed)
    with walk.recorder:
        list(crew.run())


@pytest.mark.parametrize(
    ("check", "fault", "typed", "told"),
    [
        ("clock", "clock-off=95", {}, "clock.offset"),
        ("position", "no-fix", {}, "position.satellites|no fix|without a position"),
        ("position", "", {"position.ceiling": 12.0}, "position.ceiling"),
        ("beacon-heard", "beacon-silent", {}, "no-go"),
        ("test-log", "log-losing=4", {}, "log.lost_samples"),
        ("test-log", "log-no-restart", {}, "no-go"),
    ],
    ids=["clock off", "no fix", "ground mode", "beacon silent", "lost samples", "no restart"],
)
def test_a_planted_fault_stops_the_walk_with_a_hold(at_work, check, fault, typed, told):
    demo, payload = at_work
    payload.plant([fault] if fault else [])
    (demo.folder / "test-log.recording").unlink(missing_ok=True)
    try:
        with pytest.raises(Stopped, match=f"Hold: step is no-go: .*({told})|Hold: step is {told}"):
            walk_one(demo, check, **typed)
        # The hands put back what they pulled, and nothing else that was planted.
        assert payload.status()["faults"] == payload.faults
        assert "power-off" not in payload.faults
    finally:
        payload.plant([])
