"""Each test here tells how often it ran; the numbers are printed at the end of the run."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from fault_walk import LONG, Following, Place, first_of
from record_making import Crew, HandClock, Making, build_crew

TALLY: pytest.StashKey[list[str]] = pytest.StashKey()


@pytest.fixture
def ran(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Adds a line to what is printed at the end."""
    lines = request.config.stash.setdefault(TALLY, [])
    return lines.append


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    lines = config.stash.get(TALLY, [])
    if lines:
        form = "the long form" if LONG else "the short form; PREFLIGHT_LONG=1 for the long one"
        terminalreporter.section(f"faults and forgeries, {form}")
        for line in lines:
            terminalreporter.write_line(line)


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Keys and files of the small flight's crew."""
    return Place(tmp_path_factory.mktemp("crew"))


@pytest.fixture(scope="session")
def strangers(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """People of the same names, ids and roles with other keys."""
    return Place(tmp_path_factory.mktemp("strangers"))


@pytest.fixture
def making(crew: Crew, tmp_path: Path) -> Making:
    """Records in the making, by people who know no balloon."""
    return Making(crew, HandClock(), tmp_path / "made")


@pytest.fixture(scope="session")
def crew(tmp_path_factory: pytest.TempPathFactory) -> Crew:
    return build_crew(tmp_path_factory.mktemp("makers") / "keys")


@pytest.fixture(scope="session")
def flown(place: Place, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a whole walk: a sealed record and the one after release; not to be changed."""
    logs = tmp_path_factory.mktemp("flown") / "logs"
    Following(place, logs, told=lambda *_: None).run()
    return logs


@pytest.fixture
def walked(flown: Path, tmp_path: Path) -> Path:
    """A copy of its first record, to be changed."""
    return Path(shutil.copytree(first_of(flown), tmp_path / "walked" / first_of(flown).name))
