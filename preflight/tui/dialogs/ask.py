"""One dialogue for every act that asks for something."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.suggester import SuggestFromList
from textual.widgets import Input, Static

from preflight.errors import PreflightError
from preflight.tui.dialogs.typed import Typed
from preflight.tui.draw.text import badge, row, say
from preflight.tui.forms.form import Answers, Field, Form, Missing, explain
from preflight.tui.marks import CAUTION
from preflight.tui.view import View

Submit = Callable[[Form, Answers], Awaitable[None]]


class Ask(ModalScreen[bool]):
    """A form: Enter goes to the next field, in the last one it submits; Escape leaves without a trace.

    `submit` does the act; what it refuses stands in the dialogue, and what was typed stays.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave"),
        Binding("enter", "next", "next", priority=True),
        Binding("up", "focus_by(-1)", show=False, priority=True),
        Binding("down", "focus_by(1)", show=False, priority=True),
    ]

    def __init__(self, form: Form, view: View, submit: Submit) -> None:
        super().__init__()
        self.form = form
        self.view = view
        self._submit = submit
        self._working = False
        self._sent: dict[str, str] = {}

    def compose(self) -> ComposeResult:
        form = self.form
        with Vertical(id="dialogue"):
            yield Static(say(form.title, "bold $lead", limit=120), id="title")
            with VerticalScroll(id="about", can_focus=False):
                if form.caution:
                    yield Static(row(badge(CAUTION), " ", say(form.caution, "bold", limit=400)))
                for line in form.about:
                    yield Static(say(line, limit=400))
            for field in form.fields:
                with Horizontal(classes="field"):
                    yield Static(say(field.label, limit=60), classes="label")
                    yield _input(field, f"f{self._at(field)}")
                    yield Static("", classes="taken", id=f"taken-{self._at(field)}")
            yield Static("", id="said")
            yield Static(_foot(form.submit), id="foot")

    def on_mount(self) -> None:
        inputs = list(self.query(Input))
        empty = next((each for each in inputs if not each.value), inputs[0] if inputs else None)
        if empty is not None:
            empty.focus()
        for field in self.form.fields:
            self._explain(field, field.initial)

    def _at(self, field: Field) -> int:
        return self.form.fields.index(field)

    def _explain(self, field: Field, text: str) -> None:
        self.query_one(f"#taken-{self._at(field)}", Static).update(
            say(explain(self.view, field, text), "$quiet", limit=80)
        )

    def on_input_changed(self, event: Input.Changed) -> None:
        field = self.form.fields[int((event.input.id or "f0")[1:])]
        if field.kind != "secret":
            self._explain(field, event.value)
        if self._sent.get(field.key) != event.input.value:  # not the echo of what was just refused
            self.query_one("#said", Static).update("")

    def action_next(self) -> None:
        """To the next field, from the last one to the act.

        Done before the next key is looked at: whoever types ahead, or over a slow link, types into the field
        that they mean.
        """
        inputs = list(self.query(Input))
        at = inputs.index(self.focused) if isinstance(self.focused, Input) else len(inputs) - 1
        if at + 1 < len(inputs):
            self.set_focus(inputs[at + 1])
        else:
            self.action_submit()

    def action_focus_by(self, by: int) -> None:
        """To a field further on or back."""
        inputs = list(self.query(Input))
        at = inputs.index(self.focused) if isinstance(self.focused, Input) else 0
        self.set_focus(inputs[max(0, min(len(inputs) - 1, at + by))])

    def action_leave(self) -> None:
        if not self._working:
            self.dismiss(False)

    def action_submit(self) -> None:
        """Do the act with what is typed."""
        if not self._working:
            self._working = True
            self.run_worker(self._do(), exit_on_error=False)

    async def _do(self) -> None:
        await self._all_typed()
        typed = {field.key: self.query_one(f"#f{n}", Input).value for n, field in enumerate(self.form.fields)}
        self._sent = typed
        self.query_one("#said", Static).update(say("working…", "bold $lead"))
        try:
            await self._submit(self.form, self.form.answers(self.view, typed))
        except Missing as error:
            self._say(error)
            self.set_focus(self.query_one(f"#f{self._at(self.form.by_key[error.key])}", Input))
        except PreflightError as error:
            self._say(error)
            self._forget_secrets()
        except BaseException as error:
            self._fault(error)
            raise
        else:
            self.dismiss(True)
        finally:
            self._working = False

    async def _all_typed(self) -> None:
        """Wait until every field has taken in the keys that were pressed before Enter."""
        for own in self.query(Input):
            taken = asyncio.Event()
            own.call_later(taken.set)
            await taken.wait()

    def _fault(self, error: BaseException) -> None:
        if isinstance(error, Exception):
            self.app._handle_exception(error)

    def _say(self, error: PreflightError) -> None:
        head = say(f"{error.title}: ", "bold")
        self.query_one("#said", Static).update(row(Content("▪ "), head, say(str(error), limit=600)))

    def _forget_secrets(self) -> None:
        for n, field in enumerate(self.form.fields):
            if field.kind == "secret":
                own = self.query_one(f"#f{n}", Input)
                with self.prevent(Input.Changed):  # what was refused stays in view
                    own.value = ""
                own.focus()


def _foot(submit: str) -> Content:
    return row(
        Content.styled("Enter", "bold $lead"),
        " next  ",
        Content.styled("↑ ↓", "bold $lead"),
        " field  ",
        Content.styled("Esc", "bold $lead"),
        " leave   ",
        say(submit, "$quiet"),
    )


def _input(field: Field, name: str) -> Input:
    return Typed(
        id=name,
        value=field.initial,
        password=field.kind == "secret",
        compact=True,
        select_on_focus=True,
        max_length=2 if field.kind in ("person", "anyone") else 400,
        restrict=r"[0-9]*" if field.kind in ("person", "anyone") else None,
        suggester=SuggestFromList(field.suggest) if field.suggest else None,
    )
