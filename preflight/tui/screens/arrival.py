"""Before a record is open: keys are unlocked, a new record is begun or an unfinished one gone on with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content

from preflight.config.flight import Flight
from preflight.tui import words
from preflight.tui.draw.choices import choice_lines
from preflight.tui.draw.foot import notice_lines
from preflight.tui.draw.head import people_line, title_line
from preflight.tui.draw.key_line import packed
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import badge, labelled, row, say
from preflight.tui.found_records import Unfinished
from preflight.tui.marks import CAUTION
from preflight.tui.nearby import record_words
from preflight.tui.nearby_pane import Nearby
from preflight.tui.pane import Pane
from preflight.tui.screens.scene_screen import SceneScreen
from preflight.tui.session import Session
from preflight.walk import manning

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

_KEYS = [
    ("1-9", "choose or unlock"),
    ("u", "unlock"),
    ("↑ ↓", "choose"),
    ("Enter", "do it"),
    ("r", "look again"),
    ("t", "theme"),
    ("?", "help"),
    ("q", "quit"),
]


LEAST_CHOICES = 3
"""Lines that the choices have, however low the screen is."""


class ArrivalScreen(SceneScreen):
    """Choices from the top: unfinished records of this flight, the latest first, then a new record."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "by(-1)", show=False),
        Binding("down", "by(1)", show=False),
        Binding("pageup", "by(-5)", show=False),
        Binding("pagedown", "by(5)", show=False),
        Binding("home", "by(-1000)", show=False),
        Binding("end", "by(1000)", show=False),
        Binding("enter", "go", "do it"),
        Binding("escape", "let_go", show=False),
        Binding("u", "act('unlock')", "unlock"),
        Binding("k", "act('lock')", "lock"),
        Binding("r", "look", "look again"),
        Binding("t", "act('theme')", "theme"),
        Binding("question_mark", "act('help')", "help"),
        Binding("q", "act('leave')", "quit"),
        *[Binding(str(n), f"choose({n})", show=False) for n in range(1, 10)],
    ]

    def __init__(
        self,
        found: tuple[Unfinished, ...],
        *,
        flight: Flight | None = None,
        folder: Path = Path(),
        record: Path | None = None,
    ) -> None:
        """`record` is the folder of the one to point at first; `flight` and `folder` say what to look for."""
        super().__init__()
        self.found = found
        self.at = next((n for n, item in enumerate(found) if item.folder == record), 0)
        self._nearby = Nearby(flight, folder)

    def compose(self) -> ComposeResult:
        yield Pane(lambda scene, width, _: [title_line(scene, width)], id="title-line")
        yield Pane(self._lines, id="arrival")
        yield self._nearby
        yield Pane(lambda scene, width, _: notice_lines(scene.notice, width), id="notice")
        yield Pane(lambda scene, width, _: [people_line(scene, width)], id="people")
        yield Pane(lambda _, width, height: packed(_KEYS, width, height), id="keys")

    def on_mount(self) -> None:
        # Whoever comes back mostly goes on with what is pointed at: it is read while they unlock their key.
        first = self.found[self.at] if self.found else None
        session = self._app.session
        if first is not None and first.kind == "interrupted" and isinstance(session, Session):
            self.call_after_refresh(session.read_ahead, first.folder)

    def _lines(self, scene: Scene, width: int, height: int) -> list[Content]:
        view = scene.view
        head = view.book.checklist.checklist
        planned = view.state.planned_release
        steps = len(view.book.steps)
        lines: list[Content] = []
        checklist = f"{head.title}, revision {head.revision}, {words.count(steps, 'step')}"
        lines += labelled("flight", say(view.title, "bold $lead"), width)
        lines += labelled("checklist", say(checklist), width)
        when = words.dated(planned, view.zone)
        lines += labelled(
            "release", say(f"planned {when}, {words.countdown(planned - view.state.now.at)}"), width
        )
        if missing := manning.unmanned(view.book.checklist, view.book.roster):
            text = f"nobody has the role {manning.told(missing)}: {manning.remedy(missing)}"
            lines += labelled("roster", row(badge(CAUTION), " ", say(text, "bold", limit=400)), width)
        advice = say("   The tool advises a crew; local rules and the competent person decide.", "$quiet")
        del lines[max(0, height - 1 - LEAST_CHOICES) :]
        room = height - len(lines) - 1
        apart = [Content("")] if room > 6 else []  # blank lines where there is room for them
        choices = self._choice_lines(scene, width, max(1, room - 3 * len(apart)))
        return [*apart, *lines, *apart, *choices, *apart, advice]

    def _choice_lines(self, scene: Scene, width: int, height: int) -> list[Content]:
        """The choices, as many as fit, the one chosen among them."""
        blocks = []
        for n, (title, about) in enumerate(self._choices(scene)):
            mark, style = ("▶ ", "bold $lead") if n == self.at else ("  ", "bold")
            block = [row("   ", say(f"{mark}{title}", style, limit=200))]
            block += [row("        ", line) for line in say(about, "$quiet", limit=400).wrap(width - 10)]
            blocks.append(block)
        return choice_lines(blocks, self.at, width, height)

    def _choices(self, scene: Scene) -> list[tuple[str, str]]:
        view = scene.view
        made = []
        for item in self.found:
            verb, about = record_words(item)
            if item.kind != "interrupted":
                about += ". Choose who opens it (number) first"
            made.append((f"{verb} {item.folder.name}", about))
        who = view.person(scene.selected) if scene.selected is not None else ""
        about = (
            f"opened by {who}" if who else "Unlock a key and choose who opens it: their number, then Enter"
        )
        made.append(("Begin a new record", about))
        return made

    @property
    def _app(self) -> WalkApp:
        return self.app  # type: ignore[return-value]

    def action_by(self, lines: int) -> None:
        """Another choice."""
        self.at = max(0, min(len(self.found), self.at + lines))
        self._app.change()

    def action_choose(self, number: int) -> None:
        """Choose the person who answers to a number."""
        self._app.conductor.choose(number)

    def action_let_go(self) -> None:
        """Let go of who is chosen and of what was said."""
        self._app.change(selected=None, notice=None)

    def action_act(self, name: str) -> None:
        """One of the acts of the key table."""
        self._app.conductor.begin(name)

    def action_look(self) -> None:
        """Look for ports and cards again."""
        self._nearby.look()

    def action_go(self) -> None:
        """Do what is chosen."""
        self._app.conductor.arrive(self.found[self.at] if self.at < len(self.found) else None)
