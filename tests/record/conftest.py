"""Fixtures: a crew, strangers of the same names, records in the making, a sealed one."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from record_making import Crew, HandClock, Making, build_crew


@pytest.fixture(scope="session")
def crew(tmp_path_factory: pytest.TempPathFactory) -> Crew:
    return build_crew(tmp_path_factory.mktemp("crew") / "keys")


@pytest.fixture(scope="session")
def strangers(tmp_path_factory: pytest.TempPathFactory) -> Crew:
    """The same ids, names and roles with other keys."""
    return build_crew(tmp_path_factory.mktemp("strangers") / "keys")


@pytest.fixture
def making(crew: Crew, tmp_path: Path) -> Making:
    return Making(crew, HandClock(), tmp_path / "logs")


@pytest.fixture(scope="session")
def sealed(tmp_path_factory: pytest.TempPathFactory, crew: Crew) -> Path:
    """A small sealed record with evidence and two sealers; not to be changed."""
    making = Making(crew, HandClock(), tmp_path_factory.mktemp("sealed") / "logs")
    return making.sealed(sealers=("ada", "cy"))


@pytest.fixture
def record(sealed: Path, tmp_path: Path) -> Path:
    """A copy of it, to be changed."""
    return Path(shutil.copytree(sealed, tmp_path / sealed.name))
