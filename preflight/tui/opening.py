"""Before a flight is chosen: the flight files and unfinished records here, ports and cards, and the demo.

What reads them takes a while to load: a thread does, while the names of the files can be seen already.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widget import Widget

from preflight.clock import Clock
from preflight.errors import PreflightError
from preflight.tui.draw.choices import choice_lines
from preflight.tui.draw.key_line import packed
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.themed import ThemedApp

if TYPE_CHECKING:
    from preflight.tui.found_records import Unfinished
    from preflight.tui.nearby import FoundFlight
    from preflight.tui.nearby_pane import Nearby
    from preflight.tui.remembered import Memory

KEYS = [
    ("↑ ↓", "choose"),
    ("Enter", "open"),
    ("r", "look again"),
    ("t", "theme"),
    ("q", "leave"),
]


@dataclass(frozen=True, slots=True)
class Opened:
    """What to walk: a flight file, and the record that was pointed at, if one was; without the file that."""

    flight: Path | None
    record: Path | None = None


Choice = Opened | Literal["demo"] | None


@dataclass(frozen=True, slots=True)
class _Line:
    choice: Choice
    title: str
    about: str
    problems: tuple[str, ...] = ()
    indent: int = 0


class _Lines(Widget):
    """Lines that a function of the width makes."""

    DEFAULT_CSS = "_Lines { height: auto; }"

    def __init__(self, draw: Callable[[int], list[Content]], name: str) -> None:
        super().__init__(id=f"opening-{name}")
        self._draw = draw

    def render(self) -> Content:
        return Content("\n").join(self._draw(max(20, self.size.width)))

    def get_content_height(self, container: object, viewport: object, width: int) -> int:
        """Lines that there are to show."""
        return len(self._draw(max(20, width)))


class _Choices(Widget):
    """As many choices as fit, the one pointed at among them."""

    DEFAULT_CSS = "_Choices { height: 1fr; }"

    def render(self) -> Content:
        app = self.app
        assert isinstance(app, OpeningApp)
        width, height = self.size
        blocks = [self._block(line, n == app.at, width) for n, line in enumerate(app.lines)]
        return Content("\n").join(choice_lines(blocks, app.at, width, height))

    def _block(self, line: _Line, here: bool, width: int) -> list[Content]:
        mark, look = ("▶ ", "bold $lead") if here else ("  ", "bold")
        pad = " " * (2 + 3 * line.indent)
        drawn = [fitted(row(pad, say(mark + line.title, look, limit=200)), width)]
        for text, style in [(line.about, "$quiet"), *((f"▲ {each}", "") for each in line.problems)]:
            wrapped = say(text, style, limit=600).wrap(max(20, width - len(pad) - 6))
            drawn += [row(pad, "    ", each) for each in wrapped[:3]]
        return drawn


class OpeningApp(ThemedApp[Choice]):
    """A list: flight files, each with its unfinished records, then the demo, then nothing."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "by(-1)", show=False),
        Binding("down", "by(1)", show=False),
        Binding("pageup", "by(-5)", show=False),
        Binding("pagedown", "by(5)", show=False),
        Binding("home", "by(-1000)", show=False),
        Binding("end", "by(1000)", show=False),
        Binding("enter", "go", "open"),
        Binding("r", "look", "look again"),
        Binding("t", "next_theme", "theme"),
        Binding("q,ctrl+q,ctrl+c", "leave", "leave", priority=True),
    ]

    def __init__(
        self, folder: Path, flights: list[Path], *, clock: Clock, memory: Memory | None = None
    ) -> None:
        super().__init__(memory)
        self.folder = folder
        self.clock = clock
        self.at = 0
        self._paths = flights
        self._flights: list[FoundFlight] | None = None
        self._strays: tuple[tuple[str, Unfinished], ...] = ()
        self.fault: Exception | None = None
        self._nearby: Nearby | None = None
        self._round = 0
        self._looking = True
        self._said = self.unread or ""

    @property
    def lines(self) -> list[_Line]:
        """What can be chosen, from the top."""
        return [
            *(self._read_lines() if self._flights is not None else self._unread_lines()),
            _Line("demo", "The demo", "an invented flight on a simulated payload, in preflight-demo/ here"),
            _Line(None, "Nothing", "preflight new DIR writes a flight file to start from"),
        ]

    def _unread_lines(self) -> list[_Line]:
        return [_Line(Opened(path), path.name, "reading …") for path in self._paths]

    def _read_lines(self) -> list[_Line]:
        from preflight.tui.nearby import record_words

        made: list[_Line] = []
        for flight in self._flights or ():
            made.append(_Line(Opened(flight.path), flight.title, flight.about, flight.problems))
            for record in flight.records:
                verb, about = record_words(record)
                made.append(
                    _Line(Opened(flight.path, record.folder), f"{verb} {record.folder.name}", about, indent=1)
                )
        for name, record in self._strays:
            verb, about = record_words(record)
            title = f"{verb} {record.folder.name}"
            told = f"{name}, whose flight file is not among these: {about}"
            made.append(_Line(Opened(None, record.folder), title, told))
        return made

    def compose(self) -> ComposeResult:
        yield _Lines(lambda width: [fitted(say(f" preflight   {self.folder}", "bold", 300), width)], "head")
        yield _Choices()
        yield _Lines(lambda width: say(self._said, "bold", 600).wrap(width)[:3] if self._said else [], "said")
        yield _Lines(lambda width: packed(KEYS, width, 1), "foot")

    def on_mount(self) -> None:
        # Not before the first screen is drawn: a thread that imports would delay it.
        self.call_after_refresh(self._read)

    @property
    def settled(self) -> bool:
        """Whether everything was looked at."""
        return not self._looking and self._nearby is not None and self._nearby.settled

    def _read(self) -> None:
        self._round += 1
        self._looking = True
        threading.Thread(target=self._read_all, args=(self._round,), name="opening", daemon=True).start()

    def _read_all(self, number: int) -> None:
        found: list[FoundFlight] = []
        strays: tuple[tuple[str, Unfinished], ...] = ()
        said = ""
        try:
            from preflight.tui.nearby import strays_here
            from preflight.tui.nearby_pane import Nearby

            if self.is_running:
                self.call_later(self._look_around, Nearby)
            found = [self._flight(path) for path in self._paths]
            strays = strays_here(self.folder, found, self.clock.now())
        except Exception as error:  # noqa: BLE001 - whatever it is, it must not leave the screen waiting
            said = f"Not everything could be looked at here ({type(error).__name__}: {error}); r looks again"
        if self.is_running:
            self.call_later(self._came, number, found, strays, said)

    async def _look_around(self, pane: type[Nearby]) -> None:
        """Ports and cards, looked for once what finds them is loaded; anew from then on."""
        if self._nearby is None:
            self._nearby = pane(None, self.folder)
            await self.mount(self._nearby, before="#opening-foot")
        else:
            self._nearby.look()

    def _flight(self, path: Path) -> FoundFlight:
        from preflight.tui.nearby import flight_here, records_here

        flight = flight_here(path)
        if flight.problems:
            return flight
        try:
            return replace(flight, records=records_here(path, self.clock.now()))
        except PreflightError as error:
            return replace(flight, problems=tuple(str(error).splitlines()[:4]))

    def _came(
        self, number: int, found: list[FoundFlight], strays: tuple[tuple[str, Unfinished], ...], said: str
    ) -> None:
        if number != self._round:
            return
        chosen = self.lines[self.at].choice
        if found or not self._paths:
            self._flights = found
        self._strays, self._looking = strays, False
        # What was pointed at stays so, wherever it stands now.
        self.at = next((n for n, line in enumerate(self.lines) if line.choice == chosen), 0)
        self.query_one(_Choices).refresh()
        if said:
            self.tell("Not looked at", said)

    def action_by(self, lines: int) -> None:
        """Another choice."""
        self.at = max(0, min(len(self.lines) - 1, self.at + lines))
        self.query_one(_Choices).refresh()

    def action_go(self) -> None:
        """Open what is chosen, unless something is wrong with it."""
        if self.lines[self.at].problems:
            self.tell("Not yet", "what is wrong stands under it; mend the file, then r looks again")
            return
        self.exit(self.lines[self.at].choice)

    def action_look(self) -> None:
        """Look for everything again."""
        self._said = ""
        self.query_one("#opening-said").refresh(layout=True)
        self._read()

    def action_next_theme(self) -> None:
        """Desk, sun, night."""
        self.next_theme()

    def action_leave(self) -> None:
        """Leave: nothing is open yet, so nothing is asked."""
        self.exit(None)

    def tell(self, title: str, text: str) -> None:
        """Say something that stays."""
        self._said = f"{title}: {text}"
        self.query_one("#opening-said").refresh(layout=True)

    def _handle_exception(self, error: Exception) -> None:
        # The library would print the traceback: whoever runs the screen tells of it in a sentence.
        self.fault = self.fault or error
        self._return_code = 70
        if self._exception is None:
            self._exception = error
            self._exception_event.set()
        self._close_messages_no_wait()
