"""Where dialogues are shown, and what is done with what was typed into them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from textual.worker import Worker

from preflight.errors import PreflightError, Refused
from preflight.record.keys import WrongPassphraseError
from preflight.record.store import WriterStoppedError
from preflight.tui import words
from preflight.tui.dialogs.ask import Ask
from preflight.tui.draw.scene import Notice, Scene
from preflight.tui.forms import of_count
from preflight.tui.forms.form import Answers, Form, Mistyped, Trial
from preflight.tui.interruption import passed_over
from preflight.tui.places import place_of, settled
from preflight.tui.session import Seal, Session
from preflight.tui.view import View
from preflight.walk.acts import Walk

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

T = TypeVar("T")
OPENING_KEY = "opening the key"
TRIED_WITHIN = 1.0
"""Seconds that a dialogue waits to hear whether its act could be done at all."""


def heard(done: asyncio.Future[Any]) -> None:
    """How work ended that nobody may wait for any more; its error is then nobody's."""
    if not done.cancelled():
        done.exception()


class Asking:
    """Runs what may wait off the key's own handler, asks for what an act needs, and shows what came of it."""

    def __init__(self, app: WalkApp) -> None:
        self.app = app
        self.seal: Seal | None = None
        self._told_failure: str | None = None

    @property
    def session(self) -> Session:
        session = self.app.session
        if not isinstance(session, Session):
            raise Refused("This screen only looks; act on the one where the walk is at work.")
        return session

    async def run(
        self, step_id: str, *, typed: dict[str, float] | None = None, by_itself: bool = False
    ) -> None:
        """Run a step's check."""
        raise NotImplementedError

    # -- at work ----------------------------------------------------------------------------------

    def start(
        self, work: Callable[..., Coroutine[Any, Any, None]], *args: object, opens: bool = False
    ) -> Worker[None]:
        """Run something that may wait; what it refuses is shown, a defect ends the application in order.

        Where it `opens` a dialogue, or goes to another screen, keys wait for that.
        """
        opening = self.app.keys.opening() if opens else None

        # A function, not a coroutine: where the end of the application overtakes it, none is made.
        async def begun() -> None:
            try:
                await self._guarded(work(*args), opens)
            finally:
                if opening is not None:
                    self.app.keys.over(opening)

        return self.app.run_worker(begun, name=work.__name__, exit_on_error=False)

    async def _guarded(self, work: Coroutine[Any, Any, None], opens: bool) -> None:
        try:
            await work
        except WriterStoppedError as error:
            self.say(error.title, str(error), alert=True)
            await self.tell_failure(await self.wait(self.session.view()), again=True)
        except PreflightError as error:
            self.say(error.title, str(error))
            if opens:
                self.app.keys.refused(partial(self._say_unused, error))
        except Exception as error:  # noqa: BLE001 - handed to the one place that tells of defects
            self.app.fault_with(error)
        finally:
            self.app.change(busy="")

    async def wait(self, future: Future[T] | asyncio.Future[T], busy: str = "") -> T:
        """Wait for a thread; past a moment the screen says what it is waiting for."""
        waiting = asyncio.wrap_future(future)
        # What is being done goes on where nobody waits for it any more; how it ends is then nobody's either.
        waiting.add_done_callback(heard)
        done, _ = await asyncio.wait({waiting}, timeout=0.3)
        if not done:
            self.app.change(busy=busy or "writing to the disk")
        try:
            return await asyncio.shield(waiting)
        finally:
            self.app.change(busy="")

    def say(self, title: str, text: str, *, alert: bool = False) -> None:
        """Show a notice until the next act."""
        self.app.change(notice=Notice(title, text, alert))

    def _say_unused(self, error: PreflightError, keys: int) -> None:
        self.say(error.title, f"{error} {words.unused(keys)}")

    async def perform(self, do: Callable[[Walk], object], person: str | None = None) -> None:
        """Do something to the walk, then go on to what is next if nothing is left to do here."""
        await self.came(self.session.act(do, person))

    async def came(self, future: Future[View], busy: str = "") -> None:
        """Wait for an act and show what it has led to.

        The crew goes on to what is next only from the place where they acted, and only if it is settled now
        and was not before: a screen never moves by itself.
        """
        scene = self.app.seen
        acted_at, before = scene.place, settled(scene.view.state, scene.place)
        view = await self.wait(future, busy)
        place = self.app.seen.place
        gone_past = None
        if settled(view.state, acted_at) and not before:
            gone_past = passed_over(view, acted_at)
            if place == acted_at:
                place = place_of(view.state.next)
        elif view.past and not scene.view.past:
            # Given up: nothing is left to do at any step.
            place = place_of(view.state.next)
        notice = gone_past or self._news_since(scene)
        self.app.change(view=view, place=place, selected=None, notice=notice)
        if gone_past is not None:
            self.app.ring()
        self.app.reckon()

    def _news_since(self, scene: Scene) -> Notice | None:
        """What was told while an act was at work; what stood there before is over with it."""
        now = self.app.seen.notice
        return None if now is scene.notice else now

    # -- dialogues --------------------------------------------------------------------------------

    async def ask(self, form: Form) -> bool:
        """Show a form; whether its act was done. What nobody could do now is refused before it is shown."""
        if form.trial is not None:
            form = await self._tried(form, form.trial)
        scene = self.app.seen
        caution = ""
        if scene.place.kind == "step" and scene.view.record is not None:
            caution = scene.view.step(scene.place.name).step.caution

        async def submit(_: Form, answers: Answers) -> None:
            await self._submit(dialogue, answers)

        form = form.chosen(scene.view, scene.selected)
        dialogue: Ask = Ask(form, scene.view, submit, caution=caution, refused=self.app.keys.refused)
        return await self.app.push_screen_wait(dialogue)

    async def _tried(self, form: Form, trial: Trial) -> Form:
        refused = await self._soon(self.session.refused(trial, form.instead))
        if refused is None:
            return form
        if form.no_go is None or await self._soon(self.session.refused(form.no_go, "")) is not None:
            raise Refused(refused)
        return replace(form, warning=f"Only what is no-go can be entered now. {refused}")

    async def _soon(self, future: Future[str | None]) -> str | None:
        """What a trial comes to; a disk that keeps it waiting keeps no dialogue from opening."""
        waiting = asyncio.wrap_future(future)
        waiting.add_done_callback(heard)
        done, _ = await asyncio.wait({waiting}, timeout=TRIED_WITHIN)
        return waiting.result() if done else None

    async def unlock(self, person: str | None) -> None:
        """Ask for the passphrase of somebody's key."""
        await self.ask(of_count.unlock(self.app.seen.view, person))

    async def _submit(self, dialogue: Ask, answers: Answers) -> None:
        form = dialogue.form
        if form.special:
            await getattr(self, f"_submit_{form.special}")(dialogue, answers)
            return
        assert form.make is not None
        form.make(answers)  # what is missing is told before a passphrase is worked on
        do = form.make(await self._proven(dialogue, answers))
        asked = form.by_key.get("who")
        person = answers.person() if asked is not None and asked.kind == "person" else None
        await self.perform(do, person)

    async def _proven(self, dialogue: Ask, answers: Answers) -> Answers:
        """Answers whose passphrase was found right: the act does not work on it a second time."""
        if "passphrase" not in answers.fields:
            return answers
        proof = self.session.prove(answers.person(), answers.secret("passphrase"))
        proven = await self._opened(dialogue, answers.person(), proof)
        return replace(answers, typed={**answers.typed, "passphrase": proven})

    async def _opened(self, dialogue: Ask, person: str, key: Future[T]) -> T:
        try:
            return await dialogue.leavable(self.wait(key, OPENING_KEY))
        except WrongPassphraseError:
            raise Mistyped(self.app.seen.view.person(person)) from None

    async def _submit_unlock(self, dialogue: Ask, answers: Answers) -> None:
        person = answers.person() if "who" in dialogue.form.by_key else answers.text("id")
        opened = self.session.open_key(person, answers.secret("passphrase"))
        self.session.admit(await self._opened(dialogue, person, opened))
        scene = self.app.seen
        view = await self.wait(self.session.view())
        self.app.change(view=view, selected=person, notice=self._news_since(scene))

    async def _submit_typed(self, dialogue: Ask, answers: Answers) -> None:
        typed = {key: answers.number(key) for key in dialogue.form.by_key if answers.text(key)}
        await self.run(dialogue.form.target, typed=typed)

    async def _submit_close(self, dialogue: Ask, answers: Answers) -> None:
        also = answers.text("also") if "also" in answers.fields else ""
        others = of_count.other_sealers(self.app.seen.view, also)
        reason = answers.text("reason")
        answers = await self._proven(dialogue, answers)
        passphrase = answers.secret("passphrase")
        await self._sealed(
            self.session.close_and_seal(answers.person(), passphrase, reason=reason, sealers=others)
        )

    async def _submit_seal(self, dialogue: Ask, answers: Answers) -> None:
        answers = await self._proven(dialogue, answers)
        await self._sealed(self.session.add_seal(answers.person(), answers.secret("passphrase")))

    async def _sealed(self, future: Future[tuple[View, Seal]]) -> None:
        scene = self.app.seen
        view, seal = await self.wait(future, "sealing")
        self.seal = seal
        place = place_of(view.state.next) if scene.view.state.closed is None else scene.place
        self.app.change(view=view, place=place, selected=None, notice=self._news_since(scene))

    async def _submit_storage(self, dialogue: Ask, answers: Answers) -> None:
        record = self.app.seen.view.record
        assert record is not None
        folder = Path(answers.text("folder")).expanduser()
        future = self.session.follow(Path(record.folder), answers.person(), "storage", folder)
        await self.came(future)

    async def tell_failure(self, view: View, *, again: bool = False) -> None:
        """A record that stopped is told at once, with how to go on; once, or whenever an act meets it."""
        record = view.record
        if record is None or record.failed is None or (self._told_failure == record.rec and not again):
            return
        self._told_failure = record.rec
        self.app.change(view=view)
        await self.ask(of_count.storage(view))
