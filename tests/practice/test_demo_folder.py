"""The demo's folder: files that the tool itself takes, figures inside their limits, a second start."""

import stat
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from preflight.cli.walk import _refuse_demo
from preflight.config.load import flattened_checklist, load_checklist, load_flight, parse_checklist
from preflight.devices.volume import open_volume
from preflight.errors import PreflightError
from preflight.figures.compute import compute
from preflight.practice import scenario
from preflight.practice.payload import Ground, Samples
from preflight.practice.scenario_files import RATE
from preflight.practice.written import alone, is_demo
from preflight.record.keys import Keyring
from preflight.record.roster import Roster
from preflight.tui.found_records import Unfinished
from preflight.tui.nearby import record_words, records_here
from preflight.walk.opening import Sources, begin

NOW = datetime(2031, 3, 9, 7, 2, 11, tzinfo=UTC)


class StandingClock:
    def now(self):
        from preflight.clock import Moment

        return Moment(at=NOW, boot="b", boot_ns=0)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_its_files_are_taken_and_every_figure_is_inside_its_limits(tmp_path: Path):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    flight = load_flight(demo.flight_file)
    load_checklist(demo.folder / flight.flight.checklist)
    assert not demo.reused
    assert NOW + timedelta(hours=3) < flight.flight.release <= NOW + timedelta(hours=3, minutes=5)
    figures = compute(flight, folder=demo.folder, now=NOW)
    outside = [f.name for f in figures.figures if f.within is False]
    assert (outside, figures.no_go, figures.faults) == ([], {}, ())
    assert figures.go
    assert figures.landing is not None


def test_the_crew_holds_every_role_that_the_checklist_asks_for(tmp_path: Path):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    checklist = load_checklist(demo.folder / scenario.CHECKLIST)
    roster = Roster.parse(demo.roster.read_bytes())
    held = {role for person in roster.people for role in person.roles}
    head = checklist.checklist
    asked = {role for step in checklist.steps() for role in (*step.signed_by, *step.witness_by)}
    assert asked | {*head.stations, *head.release_by, *head.seal_by} <= held
    keyring = Keyring(demo.keys, roster)
    for member in scenario.CREW:
        keyring.unlock(member.id, scenario.PASSPHRASE)
    assert keyring.instrument().id == scenario.LAPTOP


def test_every_key_is_good_for_drills(tmp_path: Path):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    for person in Roster.parse(demo.roster.read_bytes()).everyone:
        assert person.good_for("preflight-drill-entry")
        assert person.good_for("preflight-drill-seal")


def test_the_declared_sample_fits_what_the_payload_sends(tmp_path: Path):
    sample = load_flight(scenario.prepare(tmp_path / "demo", NOW).flight_file).sample
    assert sample is not None
    samples = Samples(Ground(), StandingClock())
    samples.counter = 99_999
    assert max(len(samples.line({})) for _ in range(200)) <= sample.length
    assert sample.rate == RATE


def test_the_logger_tells_the_card_that_is_there(tmp_path: Path):
    from preflight.practice.logger import _REPLIES

    demo = scenario.prepare(tmp_path / "demo", NOW)
    with open_volume(demo.card) as volume:
        assert volume.size is not None
        assert f"of {volume.size / 1e6:.0f} MB".encode() in _REPLIES[b"space"]


def test_a_second_start_keeps_what_a_user_changed_and_sets_the_times_anew(tmp_path: Path):
    folder = tmp_path / "demo"
    scenario.prepare(folder, NOW)
    text = (folder / "flight.toml").read_text()
    (folder / "flight.toml").write_text(text.replace('name = "Petrel 2"', 'name = "Petrel 3"'))
    (folder / "logs" / "note").write_text("kept")
    before = contents(folder)
    again = scenario.prepare(folder, NOW + timedelta(days=2))
    assert again.reused
    after = contents(folder)
    # The note stays as it is: it tells no time.
    changed = {name for name in after if after[name] != before.get(name)}
    assert changed == {"flight.toml", "winds.csv", ".written.json"}
    flight = load_flight(again.flight_file)
    assert flight.flight.name == "Petrel 3"
    assert flight.flight.release > NOW + timedelta(days=2)


def begun(demo: scenario.Demo) -> Unfinished:
    """A drill begun with the demo's files and left, as the list of walks to go on with has it."""
    keyring = Keyring(demo.keys, Roster.parse(demo.roster.read_bytes()))
    keyring.unlock("mika", scenario.PASSPHRASE)
    sources = Sources.beside(demo.flight_file)
    walk = begin(demo.logs, sources, keyring=keyring, person="mika", clock=StandingClock(), drill=True)
    walk.recorder.close()
    return offered(demo)


def offered(demo: scenario.Demo) -> Unfinished:
    return records_here(demo.flight_file, StandingClock().now())[0]


def test_a_start_of_the_demo_frightens_nobody_and_loses_no_edit(tmp_path: Path, monkeypatch):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    record = begun(demo)
    assert "since" not in record_words(record)[1]
    # Another day, and another release of this program with another checklist: both are the demo's own doing.
    shipped = scenario.shipped_file(scenario.CHECKLIST).read_text()
    (tmp_path / scenario.CHECKLIST).write_text(shipped.replace('revision = "D"', 'revision = "E"'))
    monkeypatch.setattr(scenario, "shipped_file", lambda name: tmp_path / name)
    scenario.prepare(demo.folder, NOW + timedelta(days=2))
    assert 'revision = "E"' in (demo.folder / scenario.CHECKLIST).read_text()
    assert not offered(demo).same
    assert "The demo wrote its files anew since" in record_words(offered(demo))[1]

    edits = {
        "flight.toml": ('"800 g"', '"810 g"'),
        "winds.csv": ("200,190,2", "200,190,3"),
        scenario.CHECKLIST: ("single payload", "our payload"),
        "DEMO.txt": ("The crew", "Our notes. The crew"),
        "allowed_signers": ("mika ", "mika-b "),
    }
    for name, (before, after) in edits.items():
        text = (demo.folder / name).read_text()
        assert before in text
        (demo.folder / name).write_text(text.replace(before, after))
    monkeypatch.undo()
    scenario.prepare(demo.folder, NOW + timedelta(days=4))
    for name, (_, after) in edits.items():
        assert after in (demo.folder / name).read_text(), name
    assert "Files here were changed since" in record_words(offered(demo))[1]
    (demo.keys / "sol").unlink()
    with pytest.raises(PreflightError, match="allowed_signers was changed"):
        scenario.prepare(demo.folder, NOW)


def test_a_demo_of_before_files_were_remembered_is_taken_up_quietly(tmp_path: Path):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    begun(demo)
    (demo.folder / ".written.json").unlink()
    scenario.prepare(demo.folder, NOW + timedelta(days=2))
    assert "The demo wrote its files anew since" in record_words(offered(demo))[1]


def test_the_note_lists_everything_that_has_to_be_typed(tmp_path: Path):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    note = (demo.folder / "DEMO.txt").read_text()
    # Once: what is told after the release, nobody grants.
    assert " ".join(note.split()).count("the answer: granted") == 1
    assert "told at: now" in " ".join(note.split())  # what a time's field takes
    checklist = parse_checklist(flattened_checklist(demo.folder / scenario.CHECKLIST), "checklist")
    flight = load_flight(demo.flight_file)
    listed = dict(
        line.split(None, 1) for line in note.splitlines() if line.startswith("  ") and line[2] != " "
    )
    for step in checklist.steps():
        needed = step.measure or step.defer or step.check in ("battery-voltage", "position", "card-write")
        assert (step.id in listed) >= bool(needed and step.unless(flight) is None), step.id
    assert listed["battery-loaded"].startswith("battery.open_voltage 8.29 V, nothing else")
    assert listed["payload-weighed"] == "0.86 kg"
    assert listed["neck-lift"] == "1.9303, 1.94, 1.9497 kg"
    assert listed["card-writes"].startswith("x (does not apply)")
    assert "Enter" in note
    for member in scenario.CREW:
        assert f"{member.name:<12} {member.id:<6}" in note
    assert note.count(f'passphrase "{scenario.PASSPHRASE}"') == len(scenario.CREW)
    assert max(map(len, note.splitlines())) <= 110


def test_what_is_missing_is_made_again(tmp_path: Path):
    folder = tmp_path / "demo"
    scenario.prepare(folder, NOW)
    for name in ("keys/sol", "card.img", "flight.toml", scenario.CHECKLIST):
        (folder / name).unlink()
    demo = scenario.prepare(folder, NOW)
    keyring = Keyring(demo.keys, Roster.parse(demo.roster.read_bytes()))
    for member in scenario.CREW:
        keyring.unlock(member.id, scenario.PASSPHRASE)
    assert demo.card.exists()
    load_flight(demo.flight_file)


def test_an_empty_folder_is_used(tmp_path: Path):
    (tmp_path / "demo").mkdir()
    assert not scenario.prepare(tmp_path / "demo", NOW).reused


@pytest.mark.parametrize("kind", ["folder", "file", "other-note"])
def test_what_is_not_a_demo_is_left_alone(tmp_path: Path, kind: str):
    place = tmp_path / "demo"
    if kind == "file":
        place.write_text("mine")
    else:
        place.mkdir()
        (place / ("DEMO.txt" if kind == "other-note" else "flight.toml")).write_text("mine\n")
    before = contents(tmp_path)
    with pytest.raises(PreflightError, match="left alone"):
        scenario.prepare(place, NOW)
    assert contents(tmp_path) == before


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(PreflightError, match="--dir"):
        scenario.prepare(tmp_path / "file" / "demo", NOW)


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are a POSIX matter")
def test_keys_are_closed_to_others(tmp_path: Path):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    for path in (demo.keys, *demo.keys.iterdir()):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0


def test_two_first_demos_at_once_are_not_both_made_in_one_folder(tmp_path: Path):
    new = tmp_path / "demo"
    with alone(new), pytest.raises(PreflightError, match="A demo runs in"), alone(new):
        pass
    assert not scenario.prepare(new, NOW).reused


def test_a_second_demo_is_kept_out_while_one_runs_and_its_folder_is_known(tmp_path: Path):
    demo = scenario.prepare(tmp_path / "demo", NOW)
    assert is_demo(demo.folder)
    assert not is_demo(tmp_path)
    with alone(demo.folder), pytest.raises(PreflightError, match="A demo runs in"), alone(demo.folder):
        pass
    with alone(demo.folder):
        pass
    with pytest.raises(PreflightError, match="preflight demo --dir"):
        _refuse_demo(demo.folder)
