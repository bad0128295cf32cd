"""What declared connections tell before a lead is touched: pure rules over pins and the lines they form.

Pins that connections join, directly or in a row, are one line. Names of devices and pins are compared
without regard to case.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from preflight.clean import clean
from preflight.config.flight import Connection, PinFunction, Port

TOLERANCE = 0.3
"""Volts by which a driver may be above an input. Usual in data sheets' absolute limits; from memory."""
HIGH_SHARE = 0.7
"""Share of its own level above which a CMOS input surely reads high. From memory."""
FLIGHT_COMPUTER = "flight computer"
LOGGER = "logger"

_SIGNAL = ("transmit", "receive")
_WRONG: dict[frozenset[str], str] = {
    frozenset(("ground", "supply")): "a short circuit. Part them before any battery goes on",
    frozenset(("ground", "transmit")): "the transmitter drives into a short circuit. Part them",
    frozenset(("supply", "transmit")): "the transmitter drives into a short circuit. Part them",
    frozenset(("ground", "receive")): "the input is held and hears nothing. It takes the other's transmit",
    frozenset(("supply", "receive")): "the input is held and hears nothing. It takes the other's transmit",
    frozenset(("ground", "reset")): "the board is held in reset and never starts. Part them",
    frozenset(("reset", "transmit")): "each byte sent restarts the board. Part them",
    frozenset(("reset", "receive")): "nothing drives that line. An input takes the other's transmit",
}

PinKey = tuple[str, str]


@dataclass(slots=True)
class Pin:
    """One pin of one device, as every connection that names it declares it."""

    device: str
    pin: str
    functions: set[PinFunction] = field(default_factory=set)
    levels: set[float] = field(default_factory=set)

    @property
    def shown(self) -> str:
        return f"{clean(self.device, limit=80)} pin {clean(self.pin, limit=80)}"

    @property
    def level(self) -> float | None:
        return max(self.levels, default=None)

    def drives(self) -> bool:
        return "transmit" in self.functions

    def hears(self) -> bool:
        return "receive" in self.functions


@dataclass(slots=True)
class Wired:
    """What the rules say, as sentences.

    `faults` end in a no-go, `gaps` are what could not be judged, `notes` are worth knowing, and `touch` has
    one line for each connection, to be confirmed by touch.
    """

    faults: list[str] = field(default_factory=list)
    gaps: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    touch: list[str] = field(default_factory=list)


def judge_wiring(connections: Sequence[Connection], ports: Iterable[Port] = ()) -> Wired:
    """Judge [[wiring.connection]]; of `ports`, tap and logger are held against the pins they are put on."""
    house = _House(connections)
    wired = Wired()
    house.contradictions(wired)
    for connection in connections:
        _functions(house, connection, wired)
        _programming(house, connection, wired)
    for line in house.lines:
        _drivers(house, line, wired)
    _levels(house, connections, wired)
    _grounds(house, connections, wired)
    for port in ports:
        _port(house, port, wired)
    count = len(connections)
    wired.touch = [
        f"By touch, {number} of {count}: {_told(house, connection)}"
        for number, connection in enumerate(connections, start=1)
    ]
    return wired


def _key(device: str, pin: str) -> PinKey:
    return device.strip().casefold(), pin.strip().casefold()


def _ends(connection: Connection) -> tuple[PinKey, PinKey]:
    return _key(connection.from_, connection.from_pin), _key(connection.to, connection.to_pin)


class _House:
    """Every pin by key, and the lines: groups of pins that signal connections join."""

    def __init__(self, connections: Sequence[Connection]) -> None:
        self.pins: dict[PinKey, Pin] = {}
        self.joined: dict[PinKey, list[tuple[PinKey, bool]]] = {}
        for connection in connections:
            here, there = _ends(connection)
            self._add(
                here, connection.from_, connection.from_pin, connection.from_function, connection.from_level
            )
            self._add(there, connection.to, connection.to_pin, connection.to_function, connection.to_level)
            if _is_signal(connection):
                self.joined.setdefault(here, []).append((there, connection.divider))
                self.joined.setdefault(there, []).append((here, connection.divider))
        self.lines = list(_groups((key, [to for to, _ in ends]) for key, ends in self.joined.items()))

    def _add(self, key: PinKey, device: str, pin: str, function: PinFunction, level: float | None) -> None:
        known = self.pins.setdefault(key, Pin(device, pin))
        known.functions.add(function)
        if level is not None:
            known.levels.add(level)

    def contradictions(self, wired: Wired) -> None:
        for pin in self.pins.values():
            if len(pin.functions) > 1:
                wired.faults.append(
                    f"{pin.shown} is declared as {' and as '.join(sorted(pin.functions))}: look at the board "
                    "and correct its connections"
                )
            if len(pin.levels) > 1:
                levels = " and as ".join(f"{level:g} V" for level in sorted(pin.levels))
                wired.faults.append(
                    f"{pin.shown} is declared as {levels}: measure it, correct its connections"
                )

    def reached(self, driver: PinKey) -> Iterator[tuple[PinKey, bool]]:
        """Every pin on a driver's line, and whether a divider stands between them."""
        seen = {driver}
        waiting = [(driver, False)]
        while waiting:
            here, divided = waiting.pop()
            for there, divider in self.joined.get(here, ()):
                if there not in seen:
                    seen.add(there)
                    waiting.append((there, divided or divider))
                    yield there, divided or divider


def _groups(edges: Iterable[tuple[PinKey, list[PinKey]]]) -> Iterator[list[PinKey]]:
    neighbours = dict(edges)
    seen: set[PinKey] = set()
    for start in neighbours:
        if start in seen:
            continue
        group, waiting = [], [start]
        seen.add(start)
        while waiting:
            here = waiting.pop()
            group.append(here)
            for there in neighbours.get(here, ()):
                if there not in seen:
                    seen.add(there)
                    waiting.append(there)
        yield sorted(group)


def _is_signal(connection: Connection) -> bool:
    return connection.from_function in _SIGNAL and connection.to_function in _SIGNAL


def _functions(house: _House, connection: Connection, wired: Wired) -> None:
    """Pins that must never meet, and a lead whose two ends are on one device."""
    here, there = (house.pins[key] for key in _ends(connection))
    pair = frozenset((connection.from_function, connection.to_function))
    wrong = _WRONG.get(pair)
    if here is there or (_is_signal(connection) and _ends(connection)[0][0] == _ends(connection)[1][0]):
        wired.faults.append(
            f"{here.shown} goes to {there.shown}: both ends are on one device. Correct the connection, or "
            "take the test lead off"
        )
    elif wrong is not None:
        wired.faults.append(
            f"{here.shown} ({connection.from_function}) goes to {there.shown} ({connection.to_function}): "
            f"{wrong}"
        )


def _programming(house: _House, connection: Connection, wired: Wired) -> None:
    if connection.programming is None:
        return
    here, there = (house.pins[key] for key in _ends(connection))
    own, other = (here, there) if connection.programming == "from" else (there, here)
    function = connection.from_function if connection.programming == "from" else connection.to_function
    if function == "receive":
        wired.faults.append(
            f"{own.shown} also hears the board's programming port, so the port's transmit and {other.shown} "
            "drive one line: use another serial port of the board, and keep this one for programming"
        )
    elif function == "transmit":
        wired.notes.append(
            f"{own.shown} is also the board's programming line: {other.shown} hears what programs the board "
            "and may take it for commands. Take that lead off before programming, and the programming lead "
            "off before flight"
        )
    else:
        wired.gaps.append(
            f"{own.shown} is {function}: `programming` names the end whose transmit or receive pin the "
            "programming port shares"
        )


def _drivers(house: _House, line: list[PinKey], wired: Wired) -> None:
    """One line has one driver and at least one that hears."""
    pins = [house.pins[key] for key in line]
    drivers = [pin for pin in pins if pin.drives()]
    hearers = [pin for pin in pins if pin.hears()]
    if len(drivers) > 1 and hearers:
        all_drive = "both" if len(drivers) == 2 else "all"
        wired.faults.append(
            f"Two drivers on one line: {_listed(drivers)} {all_drive} transmit to {_listed(hearers)}, and "
            "spoil each other's bytes. Give each a line of its own, or take all but one off"
        )
        return
    other = _straight_pair(house, line)
    if not hearers and other:
        wired.faults.append(
            f"Not crossed: {_listed(pins)} are both transmit, {_listed(other)} both receive. Swap the two "
            "leads at one end, so that transmit goes to receive both ways"
        )
    elif not hearers:
        wired.faults.append(
            f"Transmit to transmit: {_listed(pins)} drive against each other and nobody hears. Each goes to "
            "the other's receive"
        )
    elif not drivers and not other:
        wired.faults.append(
            f"Receive to receive: nothing drives {_listed(pins)}. Each takes the other's transmit"
        )


def _straight_pair(house: _House, line: list[PinKey]) -> list[Pin]:
    """Of two devices joined straight, transmit to transmit, the pins of the other line (else none)."""
    devices = {key[0] for key in line}
    driven = house.pins[line[0]].drives()
    for other in house.lines:
        pins = [house.pins[key] for key in other]
        if (
            len(devices) == 2
            and {key[0] for key in other} == devices
            and all(pin.drives() != driven for pin in pins)
        ):
            return pins
    return []


def _levels(house: _House, connections: Sequence[Connection], wired: Wired) -> None:
    for key, driver in house.pins.items():
        if driver.drives():
            for to, divided in house.reached(key):
                if house.pins[to].hears():
                    _level(driver, house.pins[to], divided, wired)
    for connection in connections:
        pair = {connection.from_function, connection.to_function}
        if pair in ({"supply"}, {"supply", "reset"}):
            _supply(house, connection, wired)


def _level(driver: Pin, hearer: Pin, divided: bool, wired: Wired) -> None:
    high, takes = driver.level, hearer.level
    between = f"{driver.shown} to {hearer.shown}"
    if high is None or takes is None:
        unknown = driver if high is None else hearer
        wired.gaps.append(
            f"the levels from {between}: give from_level and to_level ({unknown.shown} has none)"
        )
    elif high > takes + TOLERANCE and not divided:
        wired.faults.append(
            f"{high:g} V from {driver.shown} into {hearer.shown}, which takes {takes:g} V, without a "
            "divider: it can destroy the input. Fit a divider or a level shifter and declare divider = true"
        )
    elif divided and high > takes + TOLERANCE:
        wired.notes.append(
            f"Divider between {between}: with {driver.shown} idle, which is high, measure at most {takes:g} "
            f"V at {hearer.shown}"
        )
    elif divided:
        wired.notes.append(
            f"A divider is declared between {between}, {high:g} V into {takes:g} V: it is not needed and may "
            "take the level too low"
        )
    elif high < HIGH_SHARE * takes:
        wired.notes.append(
            f"{high:g} V from {driver.shown} may be too low for {hearer.shown}, which takes {takes:g} V: "
            "see in its data sheet from what voltage it reads high, or fit a level shifter"
        )


def _supply(house: _House, connection: Connection, wired: Wired) -> None:
    gives, takes = connection.from_level, connection.to_level
    here, there = (house.pins[key] for key in _ends(connection))
    if gives is None or takes is None:
        wired.gaps.append(f"the supply from {here.shown} to {there.shown}: give from_level and to_level")
    elif gives > takes + TOLERANCE:
        wired.faults.append(
            f"{gives:g} V supply from {here.shown} into {there.shown}, which takes {takes:g} V: fit a "
            "regulator (a divider can't feed a board)"
        )
    elif gives < takes - TOLERANCE:
        wired.notes.append(
            f"{gives:g} V supply from {here.shown} to {there.shown}, which takes {takes:g} V: see that this "
            "is enough for it to start in the cold"
        )


def _grounds(house: _House, connections: Sequence[Connection], wired: Wired) -> None:
    """Devices that signal to each other need a way for the current back."""
    names = {key[0]: pin.device for key, pin in house.pins.items()}
    neighbours: dict[PinKey, list[PinKey]] = {(name, ""): [] for name in names}
    for connection in connections:
        if connection.from_function == connection.to_function == "ground":
            here, there = ((end[0], "") for end in _ends(connection))
            neighbours[here].append(there)
            neighbours[there].append(here)
    part = {key[0]: number for number, group in enumerate(_groups(neighbours.items())) for key in group}
    missing: dict[tuple[str, str], None] = {}
    for connection in connections:
        one, other = (end[0] for end in _ends(connection))
        if _is_signal(connection) and part[one] != part[other]:
            missing[(min(one, other), max(one, other))] = None
    for one, other in missing:
        wired.faults.append(
            f"No ground between {clean(names[one], limit=80)} and {clean(names[other], limit=80)}: they "
            "exchange signals but share no ground lead, so bytes come garbled or not at all. Join their "
            "grounds"
        )


def _port(house: _House, port: Port, wired: Wired) -> None:
    """The laptop's adapter at the pin it is put on, by the names 'flight computer' and 'logger'."""
    device = {"tap": FLIGHT_COMPUTER, "logger": LOGGER}.get(port.use)
    if device is None or port.level is None:
        return
    for (name, _), pin in house.pins.items():
        if name != device or pin.level is None:
            continue
        if pin.drives() and pin.level > port.level + TOLERANCE:
            wired.faults.append(
                f"The {port.use}'s adapter takes {port.level:g} V, but {pin.shown} sends {pin.level:g} V: "
                f"use an adapter for {pin.level:g} V"
            )
        elif port.use == "logger" and pin.hears() and port.level > pin.level + TOLERANCE:
            wired.faults.append(
                f"The logger's adapter sends {port.level:g} V, but {pin.shown} takes {pin.level:g} V: use an "
                f"adapter for {pin.level:g} V"
            )


def _told(house: _House, connection: Connection) -> str:
    here, there = (house.pins[key] for key in _ends(connection))
    ends = []
    for pin, function, level in (
        (here, connection.from_function, connection.from_level),
        (there, connection.to_function, connection.to_level),
    ):
        ends.append(f"{pin.shown} ({function}{'' if level is None else f', {level:g} V'})")
    return " to ".join(ends) + (", through the divider" if connection.divider else "")


def _listed(pins: Sequence[Pin]) -> str:
    return " and ".join(pin.shown for pin in pins)
