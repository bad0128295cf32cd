"""Puts this folder on the path, so that tests share `tools` and their strategies; begins the long jobs."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from ahead import Ahead

_AHEAD = pytest.StashKey[Ahead]()


def pytest_collection_finish(session: pytest.Session) -> None:
    if session.config.option.collectonly:
        return
    jobs = {}
    for item in session.items:
        jobs |= getattr(getattr(item, "module", None), "AHEAD", {})
    if jobs:
        session.config.stash[_AHEAD] = Ahead(jobs)


def pytest_unconfigure(config: pytest.Config) -> None:
    if _AHEAD in config.stash:
        config.stash[_AHEAD].close()


@pytest.fixture(scope="session")
def ahead(request: pytest.FixtureRequest) -> Ahead:
    """The jobs that were begun before the first test."""
    return request.config.stash[_AHEAD]
