"""The demo's folder: files that the tool itself takes, figures inside their limits, a second start."""

import stat
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from preflight.config.load import load_checklist, load_flight
from preflight.devices.volume import open_volume
from preflight.errors import PreflightError
from preflight.figures.compute import compute
from preflight.practice import scenario
from preflight.practice.payload import Ground, Samples
from preflight.practice.scenario_files import RATE
from preflight.record.keys import Keyring
from preflight.record.roster import Roster

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
    assert {name for name in after if after[name] != before.get(name)} == {"flight.toml", "winds.csv"}
    flight = load_flight(again.flight_file)
    assert flight.flight.name == "Petrel 3"
    assert flight.flight.release > NOW + timedelta(days=2)


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
