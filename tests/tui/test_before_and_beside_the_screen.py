"""Before a screen opens and without one: words, exit codes, imports, marks, the second screen."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from screen_driving import PASSPHRASE, Driver, Stage
from small_flight import CHECKLIST, FLIGHT, go, margin

from preflight.cli.main import run
from preflight.cli.walk import flight_files, open_here
from preflight.record.writer import written_here
from preflight.tui.found_records import newest, unfinished
from preflight.tui.looking import Looking
from preflight.tui.marks import OUTCOMES, PHASES, VERDICTS
from preflight.tui.places import Place, beside, ordinary, places
from preflight.walk.limits import limits_for
from preflight.walk.opening import follow


def python(code: str) -> str:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.strip()


@pytest.mark.parametrize(
    "module",
    ["session", "looking", "runner", "places", "view", "found_records", "forms.of_step", "forms.of_count"],
)
def test_what_drives_the_walk_knows_no_screen_library(module: str) -> None:
    code = f"import preflight.tui.{module}, sys; print('textual' in sys.modules or 'rich' in sys.modules)"
    assert python(code) == "False"


def test_a_slow_link_gets_time_for_its_escape_sequences() -> None:
    code = "import preflight.tui.app; from textual import constants; print(constants.ESCAPE_DELAY)"
    assert python(code) == "0.4"


def test_without_a_terminal_there_is_a_sentence(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "flight.toml").write_text(FLIGHT, "utf-8")
    assert run(["walk", str(tmp_path / "flight.toml")]) == 2
    assert run(["walk", str(tmp_path / "flight.toml"), "--watch"]) == 2
    told = capfd.readouterr().err
    assert told.count("the screen needs a terminal") == 2
    assert "Traceback" not in told


def test_without_a_command_what_is_here_is_listed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert open_here(tmp_path) == 0
    assert "preflight new DIR" in capfd.readouterr().out
    (tmp_path / "one.toml").write_text(FLIGHT, "utf-8")
    (tmp_path / "checklist.toml").write_text(CHECKLIST, "utf-8")
    (tmp_path / "broken.toml").write_text("[flight]\nname = ", "utf-8")
    (tmp_path / "folder.toml").mkdir()
    assert [path.name for path in flight_files(tmp_path)] == ["broken.toml", "one.toml"]
    assert open_here(tmp_path) == 0
    assert "preflight walk one.toml" in capfd.readouterr().out


def test_every_outcome_has_a_word_and_a_shape_of_its_own() -> None:
    for marks in (OUTCOMES, VERDICTS, PHASES):
        assert len({mark.word for mark in marks.values()}) == len(marks)
        assert len({mark.shape for mark in marks.values()}) == len(marks)


def test_places_are_in_the_order_of_the_walk(stage: Stage) -> None:
    book = stage.sources.book()
    order = places(book)
    assert [(place.kind, place.name) for place in order] == [
        *[("step", name) for name in ("battery", "logger", "line", "winds")],
        ("complete", "power-up"),
        ("poll", "fill"),
        ("authorise", "fill"),
        *[("step", name) for name in ("neck-lift", "gust", "notice", "spare")],
        ("complete", "fill"),
        ("poll", "release"),
        ("authorise", "release"),
        ("close", ""),
        ("release", ""),
        ("step", "call"),
        ("complete", "tracking"),
    ]
    assert beside(book, order[0], -1) == order[0]
    assert beside(book, order[-1], 1) == order[-1]
    assert beside(book, order[3], 2) == Place("poll", "fill")


def test_limits_of_a_measurement_come_from_the_figures_where_the_checklist_gives_none(stage: Stage) -> None:
    stage.checklist = stage.checklist.replace("measure.at_least = 1.4\nmeasure.at_most = 1.9\n", "")
    session = stage.session()
    step = session.ledger.book.steps["neck-lift"]
    low, high = limits_for(session.ledger, step)
    assert low is not None
    assert high is not None
    assert 0.9 < low < high < 4
    assert limits_for(session.ledger, session.ledger.book.steps["battery"]) == (None, None)
    session.shut()


def test_a_second_screen_goes_from_a_sealed_record_to_the_one_that_follows(stage: Stage) -> None:
    session = stage.session()
    session.admit(session.open_key("ines", PASSPHRASE).result())
    session.admit(session.open_key("omar", PASSPHRASE).result())
    session.begin("ines").result()
    assert session.walk is not None
    session.act(lambda walk: walk.confirm("battery", "omar", "8.1 V")).result()
    looking = Looking(session.walk.recorder.folder, folder=stage.folder, clock=stage.clock)
    session.act(lambda walk: walk.found("logger", go("logger-response"))).result()
    session.act(lambda walk: walk.sign("logger", "omar")).result()
    session.act(lambda walk: walk.found("line", margin(3.0))).result()
    assert looking.view().result().step("line").waiting == "signature"
    _, seal = session.close_and_seal("ines", PASSPHRASE, reason="rain").result()
    assert looking.view().result().state.closed is not None
    before = looking.record
    found = unfinished(stage.logs, stage.sources)
    assert [(item.kind, item.folder) for item in found] == [("sealed", seal.folder)]
    stage.clock.forward(minutes=1)
    session.act(lambda walk: walk.hold("cloud", "omar"), "omar").result()
    view = looking.view().result()
    assert looking.record != before
    assert [act.data.reason for act in view.state.holds] == ["cloud"]
    assert newest(stage.logs, stage.sources) == looking.record
    # Another laptop takes the walk over: the record left behind is not closed, and nobody writes it.
    listed = written_here(looking.record / "record.jsonl")
    session.keyring.unlock("ines", PASSPHRASE)
    left, ring = looking.record, session.keyring
    assert session.walk is not None
    session.walk.recorder.close()
    walk = follow(left, why="handover", keyring=ring, person="ines", clock=stage.clock)
    looked = [looking.view().result() for _ in range(3)][-1]
    if listed:
        assert looking.record == walk.recorder.folder
        assert looked.record is not None
        assert not looked.record.left
    walk.recorder.close()
    looking.shut()
    session.shut()


def test_what_enter_does_is_said_for_every_place(stage: Stage) -> None:
    session = stage.session()
    view = session.view().result()
    for place in (*places(view.book), Place("none")):
        assert ordinary(view.state, place).says
    session.shut()


def test_a_role_that_nobody_has_is_told_before_a_record_begins(stage: Stage) -> None:
    by_one = ('response = "One roll"\nrequired = false', 'signed_by = ["tracking"]')
    for before, after in (('["director", "payload"]', '["director", "payload", "tracking"]'), by_one):
        stage.checklist = stage.checklist.replace(before, after)

    async def story(driver: Driver) -> None:
        missing = "the role tracking (a station, 1 step)"
        told = f"nobody has {missing}: preflight crew add ID --name NAME --role tracking"
        assert told in driver.said()
        await driver.unlock("ines")
        await driver.press("1", "enter")
        refused = f"Not allowed: Nobody on the roster has {missing}. Add somebody: preflight crew add"
        await driver.until(lambda: refused in driver.said())
        assert driver.said().count("--role tracking") == 2  # where it stood, and where it was refused

    stage.drive(story)
