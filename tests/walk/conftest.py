"""A crew with real keys for the small flight."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_flight import CHECKLIST, FLIGHT, PASSPHRASE, PEOPLE, Crew

from preflight.record.keys import Keyring, make_key
from preflight.record.roster import Person, Roster
from preflight.walk.opening import Sources


@pytest.fixture(scope="session")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Roster]:
    folder = tmp_path_factory.mktemp("keys") / "keys"
    people = [
        Person(id=name, name=printed, roles=roles, key=make_key(folder, name, PASSPHRASE, rounds=1))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = make_key(folder, "laptop", None)
    return folder, Roster([*people, Person(id="laptop", name="Laptop", roles=("instrument",), key=laptop)])


@pytest.fixture
def crew(keys: tuple[Path, Roster], tmp_path: Path) -> Crew:
    folder, roster = keys
    keyring = Keyring(folder, roster)
    for name in PEOPLE:
        keyring.unlock(name, PASSPHRASE)
    logs = tmp_path / "logs"
    logs.mkdir()
    sources = Sources(FLIGHT.encode(), CHECKLIST.encode(), roster.to_text().encode())
    return Crew(logs, keyring, sources)
