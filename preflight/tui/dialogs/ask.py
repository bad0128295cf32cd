"""One dialogue for every act that asks for something."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import Any, ClassVar, TypeVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from preflight.errors import PreflightError
from preflight.tui.dialogs.asked import Asked, label_width
from preflight.tui.draw.text import badge, row, say
from preflight.tui.forms.form import Answers, Form, Missing
from preflight.tui.marks import CAUTION
from preflight.tui.style import BROAD, HEAD, LOW
from preflight.tui.view import View
from preflight.tui.words import unused
from preflight.walk.who import NotTheirRole

T = TypeVar("T")
Submit = Callable[[Form, Answers], Awaitable[None]]

BORDERS = 2
AT_WORK = 1.0
"""Seconds after which the dialogue says for how long it has been at work."""


class Left(PreflightError):  # noqa: N818
    """Whoever waited for work that can't be stopped has left it: what it comes to is thrown away."""

    title = "Left"


class Ask(ModalScreen[bool]):
    """A form: Enter goes to the next field, in the last one it submits; Escape leaves without a trace.

    Enter leaves no field whose answer is missing or wrong: that is said under it, and `judging` is true until
    it is known. `submit` does the act; what it refuses stands in the dialogue, and what was typed stays.
    `at_work` is true from the last Enter until then.
    """

    AUTO_FOCUS = ""
    HORIZONTAL_BREAKPOINTS = BROAD
    VERTICAL_BREAKPOINTS = LOW
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave"),
        Binding("enter", "next", "next", priority=True),
        Binding("up", "focus_by(-1)", show=False, priority=True),
        Binding("down", "focus_by(1)", show=False, priority=True),
        Binding("pagedown", "scroll_about(1)", show=False, priority=True),
        Binding("pageup", "scroll_about(-1)", show=False, priority=True),
    ]

    def __init__(
        self,
        form: Form,
        view: View,
        submit: Submit,
        *,
        caution: str = "",
        refused: Callable[[Callable[[int], None]], None] = lambda tell: None,
    ) -> None:
        """`caution` is that of the step below, which the dialogue may cover.

        `refused` is called where keys typed ahead may be for nobody, with what tells how many those were.
        """
        super().__init__()
        self.form = form
        self.view = view
        self.at_work = self.judging = False
        self._submit = submit
        self._refused = refused
        self._caution = form.caution or caution
        self._asked = [Asked(field, n, view, label_width(form.fields)) for n, field in enumerate(form.fields)]
        self._sent: dict[str, str] = {}
        self._told = Content("")
        self._began = 0.0
        self._waited: asyncio.Future[Any] | None = None
        self._given_up = self._done = self._more = self._shown = False

    def compose(self) -> ComposeResult:
        form = self.form
        with Vertical(id="dialogue"):
            yield Static(say(form.title, "bold $lead", limit=120), id="title")
            for caution in filter(None, (self._caution, form.warning)):
                yield Static(row(badge(CAUTION), " ", say(caution, "bold", limit=400)), classes="caution")
            with VerticalScroll(id="about", can_focus=False):
                for line in filter(None, form.about):
                    yield Static(say(line, limit=400))
            yield from self._asked
            yield Static("", id="said")
            yield Static(id="foot")

    # -- fields -----------------------------------------------------------------------------------

    @property
    def _inputs(self) -> list[Input]:
        return [asked.input for asked in self._asked]

    @property
    def typed(self) -> dict[str, str]:
        """What stands in every field, by its key."""
        return {asked.field.key: asked.input.value for asked in self._asked}

    def on_mount(self) -> None:
        # What is to be decided first has the focus: a hand that types at once never types past it.
        first = next((asked for asked in self._asked if not asked.field.settled), None)
        if first is not None:
            self.set_focus(first.input)
        self._shown = True
        self._explain()
        self._say_keys()
        self.watch(self.query_one("#about"), "virtual_size", self._fit, init=False)
        self.set_interval(AT_WORK / 2, self._say_work)

    def on_resize(self, event: events.Resize) -> None:
        self.call_after_refresh(self._fit)

    def _fit(self) -> None:
        """What is asked always fits; what is said about it scrolls where it does not."""
        if not self.display:
            return  # closed while this was waited for
        dialogue, about = self.query_one("#dialogue"), self.query_one("#about", VerticalScroll)
        others = sum(child.outer_size.height for child in dialogue.children if child is not about)
        height = self.size.height
        room = max(1, height - BORDERS - others)
        # Nearly the whole window is the whole window: a lone line of the screen below tells nobody anything.
        wanted = others + about.virtual_size.height + BORDERS
        full = wanted > height - 3
        dialogue.styles.min_height = height if full else None
        if self.has_class("-low"):
            dialogue.styles.margin = (0 if full else min(HEAD, height - wanted), 0, 0, 0)
        else:
            dialogue.styles.margin = 0
        if about.styles.max_height is None or about.styles.max_height.value != room:
            about.styles.max_height = room
        self._more = about.virtual_size.height > room
        self._say_keys()

    def _explain(self) -> None:
        typed = self.typed
        for asked in self._asked:
            asked.explain(typed)
        self.call_after_refresh(self._fit)

    def on_input_changed(self, event: Input.Changed) -> None:
        if any(self._sent.get(key) != text for key, text in self.typed.items()):
            # Not the echo of what was just refused.
            self._take_back()
        self._explain()

    def on_descendant_focus(self) -> None:
        if self._shown:
            self._explain()  # how a field that was come back to is cleared

    # -- keys -------------------------------------------------------------------------------------

    def action_next(self) -> None:
        """To the next field, from the last one to the act.

        Done before the next key is looked at: whoever types ahead, or over a slow link, types into the field
        that they mean.
        """
        inputs = self._inputs
        at = inputs.index(self.focused) if isinstance(self.focused, Input) else len(inputs) - 1
        if at + 1 == len(inputs):
            self.action_submit()
        else:
            # The field first takes in the keys that were pressed before.
            self.judging = inputs[at].call_later(self._judge, at)

    def _judge(self, at: int) -> None:
        """On to the next field, unless this one's answer is missing or wrong."""
        self.judging = False
        field = self.form.fields[at]
        try:
            self.form.judge(self.view, field.key, self.typed)
        except Missing as error:
            if self.typed[field.key]:
                # What follows was typed for the fields behind this one, a passphrase perhaps.
                self._refused(self._say_unused)
            self._refuse(error)
        else:
            self._take_back()
            self._explain()
            if self.focused is self._inputs[at]:
                self.set_focus(self._inputs[at + 1])

    def action_focus_by(self, by: int) -> None:
        """To a field further on or back."""
        inputs = self._inputs
        at = inputs.index(self.focused) if isinstance(self.focused, Input) else 0
        self.set_focus(inputs[max(0, min(len(inputs) - 1, at + by))])

    def action_scroll_about(self, pages: int) -> None:
        """Read on in what is said about the act."""
        about = self.query_one("#about", VerticalScroll)
        about.scroll_relative(y=pages * max(1, about.size.height - 1), animate=False)

    def action_leave(self) -> None:
        """Leave the dialogue; while it is at work, the waiting, if that can be left."""
        if not self.at_work:
            self.dismiss(False)
        elif self._waited is not None:
            self._given_up = True
            self._waited.cancel()

    def action_submit(self) -> None:
        """Do the act with what is typed."""
        if not self.at_work:
            self.at_work, self._began = True, time.monotonic()
            self.run_worker(self._do(), exit_on_error=False)

    # -- the act ----------------------------------------------------------------------------------

    async def leavable(self, work: Awaitable[T]) -> T:
        """Wait for work that the crew may leave before it is over. Raises `Left` if they do.

        Whoever has left is back in the dialogue at once; the work's result is nobody's.
        """
        task = asyncio.ensure_future(work)
        self._waited, self._given_up = task, False
        self._say_work()
        try:
            return await task
        except asyncio.CancelledError:
            if not self._given_up:
                raise
            raise Left("nothing was done, and what was being worked out is thrown away.") from None
        finally:
            self._waited = None

    async def _do(self) -> None:
        await self._all_typed()
        self._sent = typed = self.typed
        self._say_work()
        try:
            await self._submit(self.form, self.form.answers(self.view, typed))
        except Missing as error:
            self._refused(self._say_unused)
            self._refuse(error)
        except PreflightError as error:
            self._refused(self._say_unused)
            self._say(error)
            self._wrong("who" if isinstance(error, NotTheirRole) else None)
        except BaseException as error:
            self._fault(error)
            raise
        else:
            self._done = True
            self._close()
            return
        self.at_work = False

    def _close(self) -> None:
        """The act is done; under another dialogue this one waits until that is gone."""
        if self._done and self.is_active:
            self.dismiss(True)

    def on_screen_resume(self) -> None:
        self._close()
        if self._shown:
            self._explain()  # what was done in the dialogue above may say something else here

    async def _all_typed(self) -> None:
        """Wait until every field has taken in the keys that were pressed before Enter."""
        for own in self.query(Input):
            taken = asyncio.Event()
            own.call_later(taken.set)
            await taken.wait()

    def _fault(self, error: BaseException) -> None:
        if isinstance(error, Exception):
            self.app._handle_exception(error)

    # -- what is said -----------------------------------------------------------------------------

    def _say_work(self) -> None:
        if not self.at_work:
            return
        spent = time.monotonic() - self._began
        said = say("working…" if spent < AT_WORK else f"working for {spent:.0f} s…", "bold $lead")
        if self._waited is not None:
            said = row(
                said, "   ", Content.styled("Esc", "bold $lead"), " back to the dialogue: nothing is done"
            )
        self.query_one("#said", Static).update(said)

    def _say(self, error: PreflightError) -> None:
        self._take_back()
        self._sent = self.typed
        self._told = row("▪ ", say(f"{error.title}: ", "bold"), say(str(error), limit=600))
        self.query_one("#said", Static).update(self._told)
        self._explain()

    def _refuse(self, error: Missing) -> None:
        """Say under a field what is wrong there, and go to it."""
        self._take_back()
        self._sent = self.typed
        asked = self._asked[self.form.fields.index(self.form.by_key[error.key])]
        if asked.field.kind == "secret":
            self._forget_secrets()
        asked.refuse(error)
        self.set_focus(asked.input)
        self._explain()

    def _wrong(self, key: str | None) -> None:
        """To the field whose answer had the act refused: `key`, else a passphrase, else where the hand is."""
        self._forget_secrets()
        secret = next((asked for asked in self._asked if asked.field.kind == "secret"), None)
        asked = next((asked for asked in self._asked if asked.field.key == key), secret)
        if asked is None:
            asked = next((asked for asked in self._asked if asked.input is self.focused), self._asked[-1])
        asked.again()
        self.set_focus(asked.input)

    def _take_back(self) -> None:
        """What was said of answers that have changed since."""
        self._sent = {}
        self._told = Content("")
        for asked in self._asked:
            asked.refuse(None)
        self.query_one("#said", Static).update("")

    def _say_unused(self, keys: int) -> None:
        said = say(unused(keys), "bold")
        self.query_one("#said", Static).update(row(self._told, " ", said) if self._told.plain else said)
        self.call_after_refresh(self._fit)

    def _say_keys(self) -> None:
        keys = [("Enter", "next"), ("↑ ↓", "field"), ("Esc", "leave")]
        if self._more:
            keys.append(("PgDn", "reads on"))
        parts = [row(Content.styled(key, "bold $lead"), f" {word}  ") for key, word in keys]
        self.query_one("#foot", Static).update(row(*parts, " ", say(self.form.submit, "$quiet")))

    def _forget_secrets(self) -> None:
        for asked in self._asked:
            if asked.field.kind == "secret":
                with self.prevent(Input.Changed):  # what was refused stays in view
                    asked.input.value = ""
