"""The replay's screen and its keys."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.content import Content

from preflight.clean import clean
from preflight.errors import Refused
from preflight.tui import words
from preflight.tui.conductor import Conductor
from preflight.tui.dialogs.ask import Ask
from preflight.tui.dialogs.tell import Page, Sure
from preflight.tui.draw.foot import notice_lines
from preflight.tui.draw.head import times_line, title_line
from preflight.tui.draw.key_line import packed
from preflight.tui.draw.phases import phases_line
from preflight.tui.draw.scene import Notice, Scene
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.draw.verdict import verdict_line
from preflight.tui.following import Following
from preflight.tui.forms.form import Answers, Field, Form
from preflight.tui.pages import WIDTH
from preflight.tui.palette import ALSO, Acts, Found
from preflight.tui.pane import Pane
from preflight.tui.places import beside
from preflight.tui.replay.draw import centre_lines, record_line, strip_lines
from preflight.tui.replay.session import Replaying, Shown
from preflight.tui.screens.scene_screen import SceneScreen
from preflight.tui.screens.walk import run_out, steps_around
from preflight.tui.style import COLUMNS

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp
    from preflight.tui.view import View


@dataclass(frozen=True, slots=True)
class ReplayKey:
    """One key of the replay: what it is to the screen library, how it is shown, its words."""

    name: str
    key: str
    shown: str
    word: str
    help: str


KEYS: tuple[ReplayKey, ...] = (
    ReplayKey("on", "right", "→", "on", "One entry on, or to when time changes something"),
    ReplayKey("back", "left", "←", "back", "One entry back"),
    ReplayKey("ten_on", "pagedown", "PgDn", "ten on", "Ten entries on"),
    ReplayKey("ten_back", "pageup", "PgUp", "ten back", "Ten entries back"),
    ReplayKey("trouble_on", "n", "n", "next trouble", "The next no-go, waiver, hold, scrub or correction"),
    ReplayKey("trouble_back", "p", "p", "the one before", "The no-go, waiver, hold, ... before"),
    ReplayKey("call_on", "right_square_bracket", "]", "phase on", "The next phase, gate, release or record"),
    ReplayKey("call_back", "left_square_bracket", "[", "phase back", "The phase, gate, ... before"),
    ReplayKey("time", "g", "g", "time", "Go to a time"),
    ReplayKey("first", "home", "Home", "first", "The first entry"),
    ReplayKey("last", "end", "End", "last", "The last entry"),
    ReplayKey("step_on", "down", "↓", "step on", "Another step at this moment"),
    ReplayKey("step_back", "up", "↑", "step back", "The step before at this moment"),
    ReplayKey("jump", "j", "j", "next not go", "To what was next against go"),
    ReplayKey("find", "slash", "/", "steps", "All steps as they stood"),
    ReplayKey("full", "space", "Space", "in full", "This step in full"),
    ReplayKey("figures", "i", "i", "figures", "Figures and run-out as they stood"),
    ReplayKey("theme", "t", "t", "theme", "Desk, sun, night"),
    ReplayKey("help", "question_mark", "?", "help", "Every key on one screen"),
    ReplayKey("leave", "q", "q", "quit", "Quit, after asking"),
)
_FOOT = (
    ("← →", "entry"),
    ("PgUp PgDn", "ten"),
    ("n p", "no-go, waive, hold"),
    ("[ ]", "phase"),
    ("g", "time"),
    ("Home End", ""),
    ("↑ ↓", "step"),
    ("Space", "in full"),
    ("t", "theme"),
    ("?", "help"),
    ("q", "quit"),
)


def _moment(view: View, at: datetime) -> str:
    """A moment on both clocks, with its day in UTC."""
    return words.dated(at, view.zone)


def left_out(shown: Shown) -> Notice | None:
    """What is missing before or after the entries that are shown; None where nothing is."""
    return Notice("Not all is here", shown.note, alert=True) if shown.note else None


class ReplayConductor(Conductor):
    """What each key does; nothing that it does writes."""

    def __init__(self, app: WalkApp, replaying: Replaying) -> None:
        super().__init__(app)
        self.replaying = replaying

    async def _do(self, name: str) -> None:
        if name not in {key.name for key in KEYS}:
            raise Refused("A replay only looks: nothing can be entered.")
        await getattr(self, f"do_{name}")()

    async def _came(self, future: Future[View | None], nowhere: str = "") -> None:
        view = await self.wait(future, "folding the record")
        if view is None:
            self.say("Here it ends", nowhere)
            return
        if view is not self.app.seen.view:
            assert view.replay is not None
            self.app.change(view=view, place=view.replay.place, notice=left_out(view.replay))
            self.app.reckon()

    async def do_on(self) -> None:
        await self._came(self.replaying.go(lambda moments, spot: moments.beside(spot, 1)))

    async def do_back(self) -> None:
        await self._came(self.replaying.go(lambda moments, spot: moments.beside(spot, -1)))

    async def do_ten_on(self) -> None:
        await self._came(self.replaying.go(lambda moments, spot: moments.away(spot, 10)))

    async def do_ten_back(self) -> None:
        await self._came(self.replaying.go(lambda moments, spot: moments.away(spot, -10)))

    async def do_first(self) -> None:
        await self._came(self.replaying.go(lambda moments, spot: moments.away(spot, -spot.entry)))

    async def do_last(self) -> None:
        await self._came(self.replaying.go(lambda moments, _: moments.last))

    async def do_trouble_on(self) -> None:
        await self._came(self.replaying.trouble(1), "No no-go, waiver, hold or the like follows.")

    async def do_trouble_back(self) -> None:
        await self._came(self.replaying.trouble(-1), "None comes before.")

    async def do_call_on(self) -> None:
        await self._came(self.replaying.call(1), "No phase, gate, release or record follows.")

    async def do_call_back(self) -> None:
        await self._came(self.replaying.call(-1), "None comes before.")

    async def do_time(self) -> None:
        view = self.app.seen.view
        form = Form(
            title="Go to a time",
            about=(
                f"Shown is {_moment(view, view.state.now.at)}.",
                f"hh:mm is the site's clock ({clean(view.zone.key, limit=40)}), hh:mmZ or hh:mm UTC is UTC; "
                "an offset such as +12:00 and a day can be added. Without a day: nearest the moment shown.",
            ),
            fields=(Field(key="time", label="site's time, or UTC: Z", kind="time-near"),),
            submit="Enter goes there",
        )
        await self.app.push_screen_wait(Ask(form, view, self._to_time))

    async def _to_time(self, form: Form, answers: Answers) -> None:
        at = answers.time("time")
        if at is None:
            return
        await self._came(self.replaying.go(lambda moments, _: moments.at(at)))
        view, notice = self.app.seen.view, self.app.seen.notice
        if notice is None or not notice.alert:  # what is missing from the record outweighs it
            first = view.state.now.at > at
            said = "nothing was entered by then, the first entry is shown" if first else "as it stood then"
            self.say(_moment(view, at), said)

    async def do_step_on(self) -> None:
        self.go(beside(self.app.seen.view.book, self.app.seen.place, 1))

    async def do_step_back(self) -> None:
        self.go(beside(self.app.seen.view.book, self.app.seen.place, -1))

    async def do_help(self) -> None:
        lines = [row(fitted(Content.styled(f"{k.shown:>6} ", "bold $lead"), 8), say(k.help)) for k in KEYS]
        note = "Nothing here writes: to go on with a record, preflight walk FLIGHT."
        await self.app.push_screen_wait(Page("Help: replay", [*lines, Content(""), *say(note).wrap(WIDTH)]))

    async def leave(self) -> None:
        """Ask, then go."""
        if await self.app.push_screen_wait(Sure("Quit the replay?", "Nothing was written.")):
            self.app.exit(0)


class ReplayActs(Acts):
    """The replay's keys and the steps, in the command palette."""

    def _acts(self, scene: Scene) -> Iterator[Found]:
        for key in KEYS:
            shown = row(say(f"{key.word}  ", "bold"), Content.styled(f"{key.shown}  ", "bold"), key.help)
            do = partial(self._walk.conductor.begin, key.name)
            yield Found(f"{key.word} {key.help}", shown, do, ALSO.get(key.name, ""))


class ReplayScreen(SceneScreen):
    """The walk's screen as it stood, and the entries around the moment shown."""

    CSS = """
    #record-line { height: 1; }
    #strip { height: 4; border-top: none; background: $panel-fill; }
    ReplayScreen #runout { height: 4; }
    ReplayScreen.-tall #strip { height: 9; }
    ReplayScreen.-tall #runout { height: 7; }
    """
    HORIZONTAL_BREAKPOINTS = COLUMNS
    VERTICAL_BREAKPOINTS = [(0, "-short"), (32, "-tall")]  # noqa: RUF012 - as the library has it
    COMMANDS: ClassVar[Any] = {ReplayActs}
    BINDINGS: ClassVar[list[BindingType]] = [
        *[Binding(key.key, f"act('{key.name}')", key.word) for key in KEYS],
        Binding("escape", "let_go", show=False),
    ]

    def middle(self, scene: Scene, width: int, height: int) -> list[Content]:
        """The step or call shown."""
        return centre_lines(scene, width, height)

    def compose(self) -> ComposeResult:
        yield Pane(lambda scene, width, _: [title_line(scene, width)], id="title-line")
        yield Pane(lambda scene, width, _: [record_line(scene, width)], id="record-line")
        yield Pane(lambda scene, width, _: [phases_line(scene, width)], id="phases")
        yield Pane(lambda scene, width, _: [verdict_line(scene, width)], id="verdict")
        with Horizontal(id="middle"):
            yield Pane(steps_around, id="steps")
            yield Pane(self.centre, id="centre")
            yield Pane(self.figures, id="figures")
        yield Pane(lambda scene, width, _: notice_lines(scene.notice, width), id="notice")
        yield Pane(run_out, id="runout")
        yield Pane(lambda scene, width, _: [times_line(scene, width)], id="times")
        yield Pane(strip_lines, id="strip")
        yield Pane(lambda _, width, height: packed(list(_FOOT), width, height), id="keys")

    def action_act(self, name: str) -> None:
        """One of the acts of the key table."""
        self.app.conductor.begin(name)  # type: ignore[attr-defined]

    def action_let_go(self) -> None:
        """Let go of what was said."""
        self.app.change(notice=None)  # type: ignore[attr-defined]


class ReplayFollowing(Following):
    """Nothing changes by itself here, and no alarm rings for what is long past."""

    def alarmed(self, before: Scene, scene: Scene) -> Scene:
        """The scene as it is."""
        return scene

    def tick(self) -> None:
        """A second has passed."""
        self.fit()
