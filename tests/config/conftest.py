"""The shipped files as text, for tests to spoil."""

import pytest

from preflight.config.load import flattened_checklist
from preflight.config.shipped import shipped_file


@pytest.fixture(scope="session")
def flight_text() -> str:
    return shipped_file("flight.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def checklist_text() -> str:
    """The whole checklist, put together from its files."""
    return flattened_checklist(shipped_file("latex-flight.toml")).decode()
