"""Real records for reports: a full walk sealed, unsealed, tampered with, a drill, without go, interrupted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from small_flight import CHECKLIST, FLIGHT, PASSPHRASE, PEOPLE, START, Crew, go, margin

from preflight.readings import Evidence
from preflight.record.keys import Keyring, make_key
from preflight.record.kinds import Bound
from preflight.record.roster import Person, Roster
from preflight.record.scan import RECORD
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.opening import Sources

Keys = tuple[Path, Roster]


@pytest.fixture(scope="session")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Keys:
    folder = tmp_path_factory.mktemp("report-keys") / "keys"
    people = [
        Person(id=name, name=printed, roles=roles, key=make_key(folder, name, PASSPHRASE, rounds=1))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = make_key(folder, "laptop", None)
    return folder, Roster([*people, Person(id="laptop", name="Laptop", roles=("instrument",), key=laptop)])


@pytest.fixture
def make_crew(keys: Keys, tmp_path: Path) -> Callable[..., Crew]:
    """A crew; flight file, checklist or printed names can be others."""

    def make(flight: str = FLIGHT, checklist: str = CHECKLIST, names: dict[str, str] | None = None) -> Crew:
        folder, roster = keys
        if names:
            roster = Roster(
                Person(id=p.id, name=names.get(p.id, p.name), roles=p.roles, key=p.key)
                for p in roster.everyone
            )
        keyring = Keyring(folder, roster)
        for name in PEOPLE:
            keyring.unlock(name, PASSPHRASE)
        logs = tmp_path / "logs"
        logs.mkdir(exist_ok=True)
        return Crew(logs, keyring, Sources(flight.encode(), checklist.encode(), roster.to_text().encode()))

    return make


@pytest.fixture
def crew(make_crew: Callable[..., Crew]) -> Crew:
    return make_crew()


@dataclass
class Scenes:
    """Walks brought to where a report is asked for; each returns the record's folder."""

    crew: Crew

    def eventful(self, *, drill: bool = False) -> Walk:
        """Nearly everything happens once."""
        crew = self.crew
        walk = crew.begin(drill=drill)
        crew.powered(walk)
        walk.found("logger", go("logger-response", evidence=(Evidence(name="reply", data=b"> ready\r\n"),)))
        walk.sign("logger", "omar")
        walk.found("line", margin(1.4))
        walk.waive(
            "line",
            "ines",
            PASSPHRASE,
            reason="short flight",
            expires=START + timedelta(hours=3),
            bound=Bound(name="link.margin", at_least="1.2", at_most=None),
        )
        hold = walk.hold("vehicle on the field", claimed="omar")
        walk.countersign(hold.ref, "omar")
        walk.lift(hold.ref, "omar", "moved on")
        walk.complete("power-up", "omar")
        crew.polled(walk, "fill")
        walk.authorise("fill", "ines", PASSPHRASE)
        wrong = walk.measure("neck-lift", "omar", [1.95, 1.95, 1.95], (None, None))
        walk.correct(wrong.ref, "omar", "the hose was still on")
        walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
        walk.witness("neck-lift", "lena", mode="independent", values=[1.61])
        walk.confirm("gust", "omar", "4 m/s")
        crew.clock.forward(minutes=31)
        walk.confirm("gust", "omar", "5 m/s")
        window = {"valid_from": START, "valid_until": START + timedelta(hours=4)}
        walk.defer("notice", "ines", {"reference": "A-12"}, granted=True, **window)
        walk.replan({"flight.release": "2031-03-09T09:30:00Z"}, "ines", "waiting for the tracking car")
        walk.power("switch bumped", "omar")
        walk.found("logger", go("logger-response"))
        walk.sign("logger", "omar")
        walk.complete("fill", "omar")
        crew.polled(walk, "release")
        walk.authorise("release", "ines", PASSPHRASE)
        return walk

    def shut(self, walk: Walk) -> Path:
        """Closed and sealed by the director."""
        walk.close("ines", PASSPHRASE, reason="release decision")
        walk.recorder.seal(self.crew.keyring.signer("ines"))
        walk.recorder.close()
        return walk.recorder.folder

    def left(self, walk: Walk) -> Path:
        """Not closed."""
        walk.recorder.close()
        return walk.recorder.folder

    def sealed(self, *, drill: bool = False) -> Path:
        return self.shut(self.eventful(drill=drill))

    def unsealed(self) -> Path:
        return self.left(self.crew.ready_to_fill(self.crew.begin()))

    def scrubbed(self) -> Path:
        """Given up on a no-go, closed and sealed."""
        walk = self.crew.powered(self.crew.begin())
        walk.found("line", margin(0.8))
        walk.scrub("ines", "gusts over the field")
        return self.shut(walk)

    def tampered(self, line: int = 15) -> Path:
        """Sealed, then one byte of one line changed."""
        folder = self.sealed()
        path = folder / RECORD
        lines = path.read_bytes().split(b"\n")
        at = lines[line - 1].index(b'"at":"20') + 10
        lines[line - 1] = lines[line - 1][:at] + b"9" + lines[line - 1][at + 1 :]
        path.write_bytes(b"\n".join(lines))
        return folder

    def without_go(self) -> tuple[Path, Path]:
        """A sealed record, and the one that follows it, in which the balloon tears loose under a hold."""
        first = self.sealed()
        self.crew.clock.forward(minutes=2)
        walk = opening.follow(
            first, why="after-release", keyring=self.crew.keyring, person="ines", clock=self.crew.clock
        )
        walk.hold("aircraft overhead", "omar")
        self.crew.clock.forward(seconds=20)
        walk.release("ines", released_at=self.crew.clock.at, reason="the line tore in a gust")
        return first, self.left(walk)

    def interrupted(self) -> Path:
        """Stopped in mid-walk, the last line torn, and resumed after twelve minutes."""
        folder = self.unsealed()
        with (folder / RECORD).open("ab") as file:
            file.write(b'{"entry":{"at":"2031')
        self.crew.clock.forward(minutes=12)
        return self.left(opening.resume(folder, keyring=self.crew.keyring, clock=self.crew.clock))


@pytest.fixture
def scenes(crew: Crew) -> Scenes:
    return Scenes(crew)


@pytest.fixture
def scenes_of() -> type[Scenes]:
    return Scenes


class Page(HTMLParser):
    """An HTML document as a test looks at it: its elements, attributes and visible text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self._parts: list[str] = []
        self._hidden = 0
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._hidden += tag in ("style", "title")
        if tag in ("td", "th", "p", "div", "li", "dd", "dt", "br", "h1", "h2", "h3", "tr", "pre", "text"):
            self._parts.append("\n")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "title")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self._parts.append(data)

    @property
    def text(self) -> str:
        """What a reader sees, spaces folded."""
        return " ".join("".join(self._parts).split())

    @property
    def tags(self) -> set[str]:
        return {tag for tag, _ in self.elements}


@pytest.fixture
def page_of() -> type[Page]:
    return Page
