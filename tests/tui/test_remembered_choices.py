"""The theme and the bell are remembered from one run to the next; a bad file costs a notice, no more."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from screen_driving import Driver, Stage, shown

from preflight.tui.remembered import Memory, Remembered


def kept(path: Path, **changes: str | bool) -> list[str]:
    told: list[str] = []
    memory = Memory(path)
    memory.keep(told.append, **changes)
    memory.settle()
    return told


def test_what_was_chosen_is_there_in_the_next_run(tmp_path: Path) -> None:
    path = tmp_path / "new" / "screen.toml"
    assert Memory(path).recall() == (Remembered("desk", True), None)
    assert kept(path, theme="night") == []
    assert kept(path, bell=False) == []
    assert Memory(path).recall() == (Remembered("night", False), None)
    assert [each.name for each in path.parent.iterdir()] == ["screen.toml"]


def test_nothing_is_kept_without_a_place_for_it() -> None:
    memory = Memory(None)
    memory.keep(pytest.fail, theme="sun")
    assert memory.recall() == (Remembered(), None)


@pytest.mark.parametrize(
    ("held", "says"),
    [
        (b"theme = ", "screen.toml:1"),
        (b"\xff\xfe\x00", "screen.toml"),
        (b'theme = "pink"\nbell = false\n', '"theme" is one of desk, sun, night'),
        (b'theme = "sun"\nbell = "loud"\n', '"bell" is true or false'),
        (b"theme = 3\n", '"theme" is one of'),
        (b"\x00" * 5_000_000, "screen.toml"),
    ],
)
def test_a_file_that_is_not_right_costs_one_sentence(tmp_path: Path, held: bytes, says: str) -> None:
    path = tmp_path / "screen.toml"
    path.write_bytes(held)
    remembered, wrong = Memory(path).recall()
    assert remembered.theme in ("desk", "sun")
    assert wrong is not None
    assert says in wrong
    assert "\n" not in wrong
    assert kept(path, theme="night") == []
    after, still_wrong = Memory(path).recall()
    assert after.theme == "night"
    assert (still_wrong is None) == ('bell = "loud"' not in held.decode("latin-1"))


def test_a_folder_in_the_files_place_is_told_and_told_once(tmp_path: Path) -> None:
    path = tmp_path / "screen.toml"
    path.mkdir()
    told: list[str] = []
    memory = Memory(path)
    assert memory.recall()[1] is not None
    for theme in ("sun", "night"):
        memory.keep(told.append, theme=theme)
        memory.settle()
    assert len(told) == 1
    assert "nothing is remembered" in told[0]
    assert os.listdir(tmp_path) == ["screen.toml"]


def test_a_bell_silenced_in_a_drill_rings_in_the_flight(stage: Stage, tmp_path: Path) -> None:
    memory = Memory(tmp_path / "screen.toml")

    def silence(says: str):
        async def story(driver: Driver) -> None:
            assert driver.app.seen.bell
            await driver.begin("ines")
            await driver.type("!")
            await driver.until(lambda: not driver.app.seen.bell and says in driver.said())

        return story

    stage.drive(silence("In this drill alone"), app=shown(stage.session(drill=True), memory=memory))
    memory.settle()
    assert memory.recall() == (Remembered(), None)
    stage.drive(silence("Alarms are only shown."), app=shown(stage.session(), memory=memory))
    memory.settle()
    assert memory.recall() == (Remembered(bell=False), None)
