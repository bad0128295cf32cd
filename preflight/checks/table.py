"""Where checks are found: those of this package, and those that others add through an entry point.

Names are listed without importing anything; a check is imported when it is asked for. A plug-in that can't
be loaded, or that raises while it runs, is named with its error and gives an open finding: it never ends the
program.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
from collections.abc import Iterator
from importlib.metadata import EntryPoint, entry_points

from preflight.checks.base import Check, Context, Run
from preflight.clean import clean
from preflight.errors import PreflightError
from preflight.readings import Finding

GROUP = "preflight.checks"
"""Entry-point group: the name is the check's, the value "module:attribute" is a `Check`."""

# In the order they are run: what is measured on the line feeds the card's and the batteries' figures.
BUILT_IN: dict[str, str] = {
    "card-format": "preflight.checks.card_format:check",
    "wiring": "preflight.checks.wiring:check",
    "logger-unpowered": "preflight.checks.logger_unpowered:check",
    "logger-response": "preflight.checks.logger_response:check",
    "sample-record": "preflight.checks.sample_record:check",
    "clock": "preflight.checks.clock:check",
    "position": "preflight.checks.position:check",
    "card-space": "preflight.checks.card_space:check",
    "card-write": "preflight.checks.card_write:check",
    "card-capacity": "preflight.checks.card_capacity:check",
    "link-margin": "preflight.checks.link_margin:check",
    "battery-voltage": "preflight.checks.battery_voltage:check",
    "battery-endurance": "preflight.checks.battery_endurance:check",
    "flight-envelope": "preflight.checks.flight_envelope:check",
    "airspace": "preflight.checks.airspace:check",
    "beacon-heard": "preflight.checks.beacon_heard:check",
    "test-log": "preflight.checks.test_log:check",
}

_log = logging.getLogger(__name__)
_standing_in: dict[str, Check] = {}


class NoSuchCheckError(PreflightError):
    """A check was asked for by a name that nothing here answers to; the message lists what is there."""

    title = "No such check"


FED = "battery-voltage"
"""The first check that takes readings of checks from outside: a meter's voltages."""


def names() -> tuple[str, ...]:
    """Every check's name in the order they are run: those from outside before the first that they feed.

    Imports none of them.
    """
    built_in = list(BUILT_IN)
    fed = built_in.index(FED)
    return (*built_in[:fed], *sorted(_added()), *built_in[fed:])


def get(name: str) -> Check:
    """The check of that name.

    Raises `NoSuchCheckError` for a name that is not in the table. One that is there but can't be loaded comes
    back as a check whose finding is open and says why, after a warning in the log.
    """
    if name in _standing_in:
        return _standing_in[name]
    if name in BUILT_IN:
        module, _, attribute = BUILT_IN[name].partition(":")
        check: Check = getattr(importlib.import_module(module), attribute)
        return check
    added = _added()
    if name not in added:
        listed = ", ".join(names())
        raise NoSuchCheckError(f'there is no check "{clean(name, limit=80)}"; there are: {listed}')
    return _load(name, added[name])


@contextlib.contextmanager
def stand_in(check: Check) -> Iterator[None]:
    """While inside, `check` is found by its name in the place of the one of the table."""
    before = dict(_standing_in)
    _standing_in[check.name] = check
    try:
        yield
    finally:
        _standing_in.clear()
        _standing_in.update(before)


def _added() -> dict[str, EntryPoint]:
    found: dict[str, EntryPoint] = {}
    for point in entry_points(group=GROUP):
        if point.name in BUILT_IN:
            _log.warning("the plug-in %s is left out: the check %s is built in", point.value, point.name)
        elif point.name in found:
            _log.warning("the plug-in %s is left out: %s has its name", point.value, found[point.name].value)
        else:
            found[point.name] = point
    return found


def _load(name: str, point: EntryPoint) -> Check:
    try:
        check = point.load()
    except Exception as error:  # noqa: BLE001 - anything at all may go wrong in code from outside
        why = f"the plug-in {point.value} could not be loaded: {_said(error)}"
        _log.warning("%s", why)
        return _Unloaded(name, why)
    if not isinstance(check, Check) or check.name != name:
        why = f"the plug-in {point.value} is not a check named {name}"
        _log.warning("%s", why)
        return _Unloaded(name, why)
    return _Guarded(check, point.value)


def _said(error: Exception) -> str:
    return clean(f"{type(error).__name__}: {error}", limit=200)


class _Unloaded:
    """Stands in for a plug-in that could not be loaded."""

    needs: tuple[str, ...] = ()
    leads = ""
    put_back = ""

    def __init__(self, name: str, why: str) -> None:
        self.name = name
        self.title = f"{name} (not loaded)"
        self.why = why

    def run(self, context: Context) -> Run:
        yield from ()
        return Finding(check=self.name, outcome="open", remarks=(f"Not checked: {self.why}",))


class _Guarded:
    """A plug-in's check whose own defects become an open finding."""

    def __init__(self, check: Check, origin: str) -> None:
        self.name = check.name
        self.title = check.title
        self.needs = check.needs
        self.leads = check.leads
        self.put_back = check.put_back
        self._check = check
        self._origin = origin

    def run(self, context: Context) -> Run:
        try:
            return (yield from self._check.run(context))
        except Exception as error:  # noqa: BLE001 - see _load
            why = f"the plug-in {self._origin} failed: {_said(error)}"
            _log.warning("%s", why)
            return Finding(check=self.name, outcome="open", remarks=(f"Not checked: {why}",))
