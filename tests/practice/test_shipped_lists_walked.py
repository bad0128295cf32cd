"""Every shipped checklist walked from its first step to the sealed record, as a demo would."""

import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from preflight.checks import beacon_heard, clock, log_recording, position, tap
from preflight.clock import SystemClock
from preflight.config.load import load_checklist
from preflight.config.shipped import shipped_file
from preflight.practice import scenario, scenario_files
from preflight.practice.crew import SimulatedCrew
from preflight.practice.hands import hands_on
from preflight.practice.invented import TYPED
from preflight.practice.simulate import SimulatedPayload
from preflight.record.keys import Keyring, make_key
from preflight.record.roster import Person, Roster
from preflight.record.verify import verify
from preflight.walk.acts import Walk
from preflight.walk.audit import recompute
from preflight.walk.opening import Sources, begin, follow

needs_terminals = pytest.mark.skipif(
    sys.platform == "win32", reason="the simulated payload needs pseudo-terminals"
)


def demo_with(folder: Path, checklist: str, gas: str = "helium") -> scenario.Demo:
    """A demo folder whose list is a small file that extends the shipped one, with an instructor."""
    demo = scenario.prepare(folder, datetime.now(UTC))
    (folder / scenario.CHECKLIST).write_text(
        f'[checklist]\ntitle = "Walked"\nrevision = "T"\nextends = "{checklist}"\n'
        if checklist != scenario.CHECKLIST
        else shipped_file(checklist).read_text(encoding="utf-8"),
        encoding="utf-8",
    )
    text = demo.flight_file.read_text(encoding="utf-8")
    demo.flight_file.write_text(text.replace('gas = "helium"', f'gas = "{gas}"'), encoding="utf-8")
    key = make_key(demo.keys, "ivy", scenario.PASSPHRASE, rounds=1)
    roster = Roster.parse(demo.roster.read_bytes())
    ivy = Person(id="ivy", name="Ivy Wren", roles=("instructor",), key=key)
    demo.roster.write_text(Roster([*roster.everyone, ivy]).to_text(), encoding="utf-8")
    return demo


def walked(demo: scenario.Demo, opener: str = "mika") -> list[Walk]:
    """The walks of one day: until the seal, and after the release where the list has gates."""
    keyring = Keyring(demo.keys, Roster.parse(demo.roster.read_bytes()))
    people = [*(member.id for member in scenario.CREW), "ivy"]
    for person in people:
        keyring.unlock(person, scenario.PASSPHRASE)
    now = SystemClock()
    sources = Sources.beside(demo.flight_file)
    walks = [begin(demo.logs, sources, keyring=keyring, person=opener, clock=now, drill=True)]
    while True:
        walk = walks[-1]
        crew = SimulatedCrew(
            walk,
            folder=demo.folder,
            passphrases=dict.fromkeys(people, scenario.PASSPHRASE),
            typed=TYPED,
        )
        with walk.recorder:
            list(crew.run())
        if len(walks) == 2 or not walk.ledger.book.gates:
            return walks
        walks.append(
            follow(walk.recorder.folder, why="after-release", keyring=keyring, person=opener, clock=now)
        )


def whole(walks: list[Walk]) -> None:
    """Everything of the list was done, called complete, sealed, and holds by its own numbers."""
    state = walks[-1].state()
    left = [name for name, step in state.steps.items() if step.step.required and not step.satisfied]
    assert left == []
    for phase in state.phases.values():
        assert phase.settled, phase.phase.id
        # The completion call is an act that a person signs.
        assert (phase.completed is not None) is phase.concerns, phase.phase.id
    for walk in walks:
        assert walk.ledger.closed is not None
        assert verify(walk.recorder.folder).state == "sealed"
        assert recompute(walk.recorder.folder).first_bad is None


@needs_terminals
def test_student_launch_with_hydrogen_to_the_card_at_home(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(log_recording, "INTERVALS", 1.0)
    monkeypatch.setattr(beacon_heard, "REPORTS", 2)
    monkeypatch.setattr(tap, "LEAST_SECONDS", 1.0)
    monkeypatch.setattr(tap, "LEAST_SAMPLES", 6)
    monkeypatch.setattr(position, "SECONDS", 2.0)
    monkeypatch.setattr(clock, "SECONDS", 2.0)
    demo = demo_with(tmp_path / "demo", "student-launch.toml", gas="hydrogen")
    ground, rate, baud = scenario_files.GROUND, scenario_files.RATE, scenario_files.BAUD
    payload = SimulatedPayload(
        demo.payload, rate=rate, baud=baud, ground=ground, beacon=scenario_files.BEACON_EVERY
    )
    with payload, hands_on(payload, lambda: demo.card_to_reader(payload.card_files())):
        walks = walked(demo, "ivy")
    whole(walks)
    ledger = walks[-1].ledger
    witnesses = {
        name: log.finding.witness.signer
        for name, log in ledger.steps.items()
        if log.finding is not None and log.finding.witness is not None
    }
    taught = load_checklist(shipped_file("student-launch.toml"))
    for step in taught.steps():
        if step.witness_by == ("instructor",):
            assert witnesses[step.id] == "ivy", step.id
    assert ledger.released is not None
    assert ledger.released.signer == "ivy"
    assert walks[-1].state().phases["hydrogen"].completed is not None


@pytest.mark.parametrize("name", ["recovery.toml", "hydrogen-fill.toml"])
def test_a_part_walked_by_itself(tmp_path: Path, name: str) -> None:
    demo = demo_with(tmp_path / "demo", name)
    walks = walked(demo)
    whole(walks)
    assert (len(walks) == 2) is (name == "hydrogen-fill.toml")


def test_a_record_pins_the_list_as_it_was_put_together(tmp_path: Path) -> None:
    demo = demo_with(tmp_path / "demo", "recovery.toml")
    (walk,) = walked(demo)
    kept = walk.recorder.folder / "checklist.toml"
    assert load_checklist(kept) == load_checklist(demo.folder / scenario.CHECKLIST)
    assert "extends" not in kept.read_text(encoding="utf-8").split("[checklist]")[1]
