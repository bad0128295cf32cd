"""Where acts are done: off the key's own handler, one after another, their refusals shown."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from textual.worker import Worker

from preflight.checks.base import asked_for
from preflight.clean import clean
from preflight.errors import PreflightError, Refused
from preflight.readings import Progress
from preflight.record.store import WriterStoppedError
from preflight.tui.dialogs.ask import Ask
from preflight.tui.dialogs.sealed import Sealed
from preflight.tui.draw.scene import Kept, Notice, Running
from preflight.tui.forms import of_count, of_step
from preflight.tui.forms.form import Answers, Form
from preflight.tui.found_records import Unfinished
from preflight.tui.interruption import back_again, passed_over
from preflight.tui.keys import BY_NAME
from preflight.tui.places import Place, ordinary, place_of, settled
from preflight.tui.runner import Done, Report
from preflight.tui.screens.walk import WalkScreen
from preflight.tui.session import Seal, Session
from preflight.tui.view import View, numbers
from preflight.walk.acts import Walk
from preflight.walk.state import GateState, StepState

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

T = TypeVar("T")


class Conduct:
    """Does acts for one application and its session, and shows what came of them."""

    def __init__(self, app: WalkApp) -> None:
        self.app = app
        self._told_failure: str | None = None

    @property
    def session(self) -> Session:
        session = self.app.session
        if not isinstance(session, Session):
            raise Refused("This screen only looks: it can't act.")
        return session

    # -- the way in -------------------------------------------------------------------------------

    def begin(self, name: str) -> None:
        """Start an act by its name, off the key's own handler."""
        self.start(self._do, name)

    def begin_hold(self) -> None:
        """The key that holds from everywhere: also over a dialogue, but not over its own."""
        over_itself = isinstance(self.app.screen, Ask) and self.app.screen.form.title == "Hold"
        if not over_itself and self.app.seen.view.record is not None:
            self.begin("hold")

    def start(self, work: Callable[..., Coroutine[Any, Any, None]], *args: object) -> Worker[None]:
        """Run something that may wait; what it refuses is shown, a defect ends the application in order."""

        # A function, not a coroutine: where the end of the application overtakes it, none is made.
        async def begun() -> None:
            await self._guarded(work(*args))

        return self.app.run_worker(begun, exit_on_error=False)

    async def _guarded(self, work: Coroutine[Any, Any, None]) -> None:
        try:
            await work
        except WriterStoppedError as error:
            self.say(error.title, str(error), alert=True)
            await self.tell_failure(await self.wait(self.session.view()), again=True)
        except PreflightError as error:
            self.say(error.title, str(error))
        except Exception as error:  # noqa: BLE001 - handed to the one place that tells of defects
            self.app.fault_with(error)
        finally:
            self.app.change(busy="")

    async def _do(self, name: str) -> None:
        if name == "ordinary":
            await self._ordinary()
            return
        key = BY_NAME[name]
        if not key.when(self.app.seen):
            raise Refused(f"Not now: {key.help[0].lower()}{key.help[1:]}.")
        await getattr(self, f"do_{name}")()

    async def wait(self, future: Future[T] | asyncio.Future[T], busy: str = "") -> T:
        """Wait for a thread; past a moment the screen says what it is waiting for."""
        waiting = asyncio.wrap_future(future)
        done, _ = await asyncio.wait({waiting}, timeout=0.3)
        if not done:
            self.app.change(busy=busy or "writing to the disk")
        try:
            return await waiting
        finally:
            self.app.change(busy="")

    def say(self, title: str, text: str, *, alert: bool = False) -> None:
        """Show a notice until the next act."""
        self.app.change(notice=Notice(title, text, alert))

    # -- acts -------------------------------------------------------------------------------------

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
        notice = None
        if settled(view.state, acted_at) and not before:
            notice = passed_over(view, acted_at)
            if place == acted_at:
                place = place_of(view.state.next)
        elif view.past and not scene.view.past:
            # Given up: nothing is left to do at any step.
            place = place_of(view.state.next)
        self.app.change(view=view, place=place, selected=None, notice=notice)
        if notice is not None:
            self.app.ring()
        self.app.reckon()

    def choose(self, number: int) -> None:
        """Choose who answers to a number; a locked key is asked for. It signs nothing."""
        scene = self.app.seen
        person = numbers(scene.view.book.roster, scene.view.unlocked).get(number)
        if scene.view.looking or person is None:
            self.say("Nobody", f"There is no person number {number} on the roster.")
        elif person.id not in scene.view.unlocked:
            self.start(self.unlock, person.id)
        else:
            self.app.change(selected=person.id, notice=None)

    async def _ordinary(self) -> None:
        scene = self.app.seen
        if scene.view.looking:
            raise Refused("This screen only looks: it can't act.")
        if scene.running is not None and not scene.running.by_itself:
            raise Refused("The check is at work; s stops it.")
        does = ordinary(scene.view.state, scene.place)
        if does.person:
            await self._by_person(does.does, scene.place.name, scene.selected)
        elif does.does == "run":
            await self._run_or_ask(scene.place.name)
        elif does.does == "measure":
            await self.ask(of_step.measure(scene.view, scene.extra, self._step()))
        elif does.does == "defer":
            await self.ask(of_step.defer(scene.view, self._step()))
        elif does.does == "form":
            await getattr(self, f"do_{scene.place.kind}")()
        elif does.does == "go-on":
            self.go(place_of(scene.view.state.next))

    async def _by_person(self, does: str, name: str, person: str | None) -> None:
        if person is None:
            raise Refused("Choose who signs first: their number, then Enter.")
        step = self.app.seen.view.book.steps.get(name)
        acts: dict[str, Callable[[Walk], object]] = {
            "sign": lambda walk: walk.sign(name, person),
            "confirm": lambda walk: walk.confirm(name, person, step.response if step else ""),
            "witness": lambda walk: walk.witness(name, person),
            "complete": lambda walk: walk.complete(name, person),
        }
        await self.perform(acts[does], person)

    def _step(self) -> StepState:
        scene = self.app.seen
        if scene.place.kind != "step":
            raise Refused("Go to a step first.")
        return scene.view.step(scene.place.name)

    def _gate(self) -> GateState:
        gate = self.app.seen.view.state.gate
        if gate is None:
            raise Refused("This checklist has no gate.")
        return gate

    def go(self, place: Place) -> None:
        """Stand at another place; nothing is done to it."""
        self.app.change(place=place, selected=None, notice=None)

    # -- forms ------------------------------------------------------------------------------------

    async def ask(self, form: Form) -> bool:
        """Show a form; whether its act was done."""
        view = self.app.seen.view
        done: bool = await self.app.push_screen_wait(Ask(form, view, self._submit))
        return done

    async def unlock(self, person: str | None) -> None:
        """Ask for the passphrase of somebody's key."""
        await self.ask(of_count.unlock(self.app.seen.view, person))

    async def _submit(self, form: Form, answers: Answers) -> None:
        if form.special:
            await getattr(self, f"_submit_{form.special}")(form, answers)
            return
        assert form.make is not None
        do = form.make(answers)
        asked = form.by_key.get("who")
        person = answers.person() if asked is not None and asked.kind == "person" else None
        await self.perform(do, person)

    async def _submit_unlock(self, form: Form, answers: Answers) -> None:
        person = answers.person() if "who" in form.by_key else answers.text("id")
        await self.wait(self.session.unlock(person, answers.secret("passphrase")), "opening the key")
        view = await self.wait(self.session.view())
        self.app.change(view=view, selected=person, notice=None)

    async def _submit_typed(self, form: Form, answers: Answers) -> None:
        typed = {key: answers.number(key) for key in form.by_key if answers.text(key)}
        await self.run(form.target, typed=typed)

    async def _submit_close(self, form: Form, answers: Answers) -> None:
        others = of_count.other_sealers(self.app.seen.view, answers.text("also"))
        reason, person = answers.text("reason"), answers.person()
        future = self.session.close_and_seal(
            person, answers.secret("passphrase"), reason=reason, sealers=others
        )
        await self._sealed(future)

    async def _submit_seal(self, form: Form, answers: Answers) -> None:
        await self._sealed(self.session.add_seal(answers.person(), answers.secret("passphrase")))

    async def _sealed(self, future: Future[tuple[View, Seal]]) -> None:
        scene = self.app.seen
        view, seal = await self.wait(future, "sealing")
        place = place_of(view.state.next) if scene.view.state.closed is None else scene.place
        self.app.change(view=view, place=place, selected=None, notice=None)
        self.app.call_later(self.app.push_screen, Sealed(seal, drill=view.drill))

    async def _submit_storage(self, form: Form, answers: Answers) -> None:
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

    # -- checks -----------------------------------------------------------------------------------

    async def _run_or_ask(self, step_id: str) -> None:
        view = self.app.seen.view
        again = view.step(step_id).finding is not None
        asks = asked_for(self.session.check_of(step_id), view.flight, again=again)
        if asks:
            await self._refuse_early(step_id)
            await self.ask(of_step.typed(self._step(), asks))
        else:
            await self.run(step_id)

    async def _refuse_early(self, step_id: str) -> None:
        refusal = await self.wait(self.session.refusal(step_id))
        if refusal is not None:
            raise Refused(refusal)

    async def run(
        self, step_id: str, *, typed: dict[str, float] | None = None, by_itself: bool = False
    ) -> None:
        """Run a step's check on its thread, unless its finding could not be entered anyway."""
        await self._refuse_early(step_id)
        runner = self.session.run(
            step_id,
            self.app.seen.view,
            typed=typed,
            on_report=self.app.reported,
            on_done=self.app.finished,
        )
        title = clean(runner.check.title, limit=80)
        self.app.change(running=Running(step_id, title, by_itself=by_itself), notice=None, kept=None)

    def reported(self, report: Report) -> None:
        """Progress of the check that runs."""
        runner = self.session.runner
        running = self.app.seen.running
        if runner is None or runner.number != report.run:
            return
        progress = runner.fetch()
        if running is not None:
            self.app.change(running=self._now_running(progress))

    def _now_running(self, progress: Progress | None = None) -> Running | None:
        runner, running = self.session.runner, self.app.seen.running
        if runner is None or running is None:
            return None
        return Running(
            running.step_id,
            running.title,
            progress if progress is not None else running.progress,
            runner.seconds,
            runner.stopping,
            running.by_itself,
            runner.quiet,
        )

    def keep_time(self) -> None:
        """A second has passed for the check that runs."""
        if self.app.seen.running is not None:
            self.app.change(running=self._now_running())

    async def finished(self, done: Done) -> None:
        """Enter what a check has found."""
        entered = self.session.entered(done)
        if entered is None:
            return
        scene = self.app.seen
        running = scene.running
        kept = None
        if running is not None and done.progress is not None and scene.place.name == running.step_id:
            kept = Kept(running.step_id, done.progress, done.finding.outcome)
        self.app.change(running=None, kept=kept)
        view = await self.wait(entered)
        self.app.change(view=view)
        self.app.reckon()
        if running is not None and running.by_itself:
            said = f"{running.title} ran again by itself: {done.finding.outcome}. It is to be signed again."
            self.say("Run again", said)

    # -- arrival ----------------------------------------------------------------------------------

    def arrive(self, chosen: Unfinished | None) -> None:
        """Begin a new record, or go on with one that is not over."""
        self.start(self._arrive, chosen)

    async def _arrive(self, chosen: Unfinished | None) -> None:
        person = self.app.seen.selected
        if chosen is not None and chosen.kind == "interrupted":
            view = await self.wait(self.session.resume(chosen.folder), "reading the record")
        elif person is None:
            raise Refused("Choose who opens the record: their number, then Enter.")
        elif chosen is not None:
            why = {"scrubbed": "new-flight", "handover": "handover"}.get(chosen.kind, "after-release")
            future = self.session.follow(chosen.folder, person, why)
            view = await self.wait(future, "reading the record")
        else:
            view = await self.wait(self.session.begin(person))
        again = chosen is not None and chosen.kind in ("interrupted", "handover")
        notice = back_again(view) if again else None
        self.app.change(view=view, place=place_of(view.state.next), selected=None, notice=notice)
        self.app.reckon()
        self.app.switch_screen(WalkScreen())
