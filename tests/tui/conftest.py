"""A stage for the screen: the small flight with real keys, and checks that are told what to find."""

from __future__ import annotations

from pathlib import Path

import pytest
from screen_driving import PASSPHRASE, Stage, ToldCheck, found, table
from screen_hand import Hand
from small_flight import PEOPLE

from preflight.record.keys import make_key
from preflight.record.roster import Person, Roster


@pytest.fixture(scope="session")
def screen_keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Roster]:
    folder = tmp_path_factory.mktemp("screen") / "keys"
    people = [
        Person(id=name, name=printed, roles=roles, key=make_key(folder, name, PASSPHRASE, rounds=1))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = make_key(folder, "laptop", None)
    return folder, Roster([*people, Person(id="laptop", name="Laptop", roles=("instrument",), key=laptop)])


@pytest.fixture
def stage(screen_keys: tuple[Path, Roster], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stage:
    folder, roster = screen_keys
    stage = Stage(tmp_path, folder, roster)
    stage.logs.mkdir()
    for name in ("logger-response", "link-margin"):
        stage.checks[name] = ToldCheck(name, found(name))
    monkeypatch.setattr(table, "get", stage.get)
    return stage


@pytest.fixture
def hand(stage: Stage) -> Hand:
    return Hand(stage)
