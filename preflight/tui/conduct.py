"""Where acts are done: off the key's own handler, one after another, their refusals shown."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING

from preflight.checks.base import asked_for
from preflight.checks.by_hand import by_hand
from preflight.clean import clean
from preflight.errors import Refused
from preflight.readings import Progress
from preflight.record.folder import ROSTER
from preflight.tui.asking import Asking
from preflight.tui.dialogs.ask import Ask
from preflight.tui.draw.scene import Kept, Notice, Running
from preflight.tui.forms import of_answer, of_step
from preflight.tui.forms.form import NO_PEOPLE, NONE_HAS, said_who, who
from preflight.tui.found_records import Unfinished
from preflight.tui.interruption import back_again
from preflight.tui.keys import BY_NAME
from preflight.tui.places import Place, begins, ordinary, place_of
from preflight.tui.refusals import why_not
from preflight.tui.runner import Done, Report
from preflight.tui.screens.walk import WalkScreen
from preflight.tui.view import View, numbers
from preflight.walk.acts import Walk
from preflight.walk.limits import Limits
from preflight.walk.state import GateState, StepState
from preflight.walk.who import NotTheirRole

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp


AT_ONCE = frozenset({"stop", "lock", "due", "back", "on", "jump", "theme", "bell"})
"""Acts that open nothing: the next key need not wait for them."""


class NotNow(Refused):
    """A key does nothing now; says why, and what to do instead."""

    title = "Not now"


class Conduct(Asking):
    """Does acts for one application and its session, and shows what came of them."""

    def __init__(self, app: WalkApp) -> None:
        super().__init__(app)
        self._entering = False

    async def came(self, future: Future[View], busy: str = "") -> None:
        """Wait for an act and show what it has led to; a record that was begun for it is told of."""
        before = self.app.seen.view.record
        await super().came(future, busy)
        scene = self.app.seen
        after = scene.view.record
        if before is None or after is None or before.rec == after.rec:
            return
        said, notice = f"A record that follows was begun: {clean(after.rec, limit=80)}", scene.notice
        if notice is None:
            self.say("Record", said)
        else:
            self.app.change(notice=replace(notice, text=f"{notice.text.rstrip('.')}. {said}"))

    # -- the way in -------------------------------------------------------------------------------

    def begin(self, name: str) -> None:
        """Start an act by its name, off the key's own handler."""
        signs = name == "ordinary" and ordinary(self.app.seen.view.state, self.app.seen.place).person
        self.start(self._do, name, opens=name not in AT_ONCE and not signs)

    def begin_hold(self) -> None:
        """The key that holds from everywhere: also over a dialogue, but not over its own."""
        over_itself = isinstance(self.app.screen, Ask) and self.app.screen.form.holds
        if not over_itself and self.app.seen.view.record is not None:
            self.begin("hold")

    async def _do(self, name: str) -> None:
        if name == "ordinary":
            await self._ordinary()
            return
        if not BY_NAME[name].when(self.app.seen):
            raise NotNow(why_not(self.app.seen, name))
        await getattr(self, f"do_{name}")()

    # -- acts -------------------------------------------------------------------------------------

    def choose(self, number: int) -> None:
        """Choose who answers to a number; a locked key is asked for. It signs nothing."""
        scene = self.app.seen
        person = numbers(scene.view.book.roster, scene.view.unlocked).get(number)
        if not scene.view.looking and not scene.view.book.roster.people:
            file = clean(str(self.session.folder / ROSTER), limit=200)
            self.say("Nobody", f"{NO_PEOPLE} --roster {file}")
        elif scene.view.looking or person is None:
            self.say("Nobody", f"There is no person number {number} on the roster.")
        elif person.id not in scene.view.unlocked:
            self.start(self.unlock, person.id, opens=True)
        else:
            self.app.change(selected=person.id, notice=None)

    async def _ordinary(self) -> None:
        scene = self.app.seen
        if scene.view.looking:
            raise Refused("This screen only looks; act on the one where the walk is at work.")
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
            await self.ask(of_answer.defer(scene.view, self._step()))
        elif does.does == "say":
            await self.ask(of_step.seen(self._step()))
        elif does.does == "form":
            await getattr(self, f"do_{scene.place.kind}")()
        elif does.does == "held":
            raise NotNow(f"{does.says[0].lower()}{does.says[1:]}.")
        elif does.does == "go-on":
            self.go(does.to or place_of(scene.view.state.next))

    async def _by_person(self, does: str, name: str, person: str | None) -> None:
        if person is None:
            raise NotNow("Choose who signs first: their number, then Enter.")
        step = self.app.seen.view.book.steps.get(name)
        acts: dict[str, Callable[[Walk], object]] = {
            "sign": lambda walk: walk.sign(name, person),
            "confirm": lambda walk: walk.confirm(name, person, step.response if step else ""),
            "witness": lambda walk: walk.witness(name, person),
            "complete": lambda walk: walk.complete(name, person),
        }
        if self._entering:
            return  # the same key, pressed twice: what it signs is being written
        self._entering = True
        try:
            await self.perform(acts[does], person)
        except Refused as error:
            raise Refused(f"{error} {self._instead(error, does)}".rstrip()) from error
        finally:
            self._entering = False

    def _instead(self, error: Refused, does: str) -> str:
        """What to do where an act by number is refused: somebody else, or what comes first."""
        scene = self.app.seen
        if isinstance(error, NotTheirRole) and scene.place.kind == "step":
            step = self._step()
            others = [one for one in scene.view.book.roster.people if one.id != scene.selected]
            roles = step.step.witness_by if does == "witness" else step.step.signed_by
            able = said_who(scene.view, who(*roles, people=tuple(one.id for one in others)))
            return f"Choose {able}." if able and not able.startswith(NONE_HAS) else ""
        return "" if scene.place == place_of(scene.view.state.next) else of_step.GO_THERE

    def _step(self) -> StepState:
        scene = self.app.seen
        if scene.place.kind != "step":
            raise Refused("This is no step: / finds one, . goes to what is next.")
        return scene.view.step(scene.place.name)

    def _gate(self) -> GateState:
        gate = self.app.seen.view.state.gate
        if gate is None:
            raise Refused("This checklist has no gate.")
        return gate

    def go(self, place: Place) -> None:
        """Stand at another place; nothing is done to it."""
        self.app.change(place=place, selected=None, notice=None)

    # -- checks -----------------------------------------------------------------------------------

    async def _run_or_ask(self, step_id: str) -> None:
        view = self.app.seen.view
        last = view.step(step_id).finding
        read = [each.name for each in last.readings if each.value is not None] if last is not None else None
        asks = asked_for(self.session.check_of(step_id), view.flight, read)
        if asks:
            await self._refuse_early(step_id)
            await self.ask(of_step.typed(self._step(), asks, await self._limits(step_id)))
        else:
            await self.run(step_id)

    async def _limits(self, step_id: str) -> dict[str, Limits]:
        """The limits of what a check reads, by name."""
        scene, folder = self.app.seen, self.session.folder
        check = scene.view.step(step_id).step.check or ""
        work = asyncio.to_thread(by_hand, check, scene.view.flight, scene.extra.figures, folder)
        read = await self.wait(asyncio.ensure_future(work), "working out the limits")
        return {each.reading.name: (each.reading.at_least, each.reading.at_most) for each in read}

    async def _refuse_early(self, step_id: str) -> Notice | None:
        """Refuse a check whose finding could not be entered; what to know of one whose go could not."""
        refusal = await self.wait(self.session.refusal(step_id, "no-go"))
        if refusal is not None:
            raise Refused(refusal)
        early = await self.wait(self.session.refusal(step_id, "go"))
        if early is None:
            return None
        return Notice("Only a no-go counts now", self._how(self.app.seen.view.step(step_id), early))

    def _how(self, step: StepState, refused: str) -> str:
        """Why a go can't be entered, with the key that begins its phase all the same where one does."""
        return f"{refused} g begins it." if begins(self.app.seen.view.state, step) else refused

    async def run(
        self, step_id: str, *, typed: dict[str, float] | None = None, by_itself: bool = False
    ) -> None:
        """Run a step's check on its thread, unless its finding could not be entered anyway."""
        try:
            notice = await self._refuse_early(step_id)
        except Refused:
            if by_itself:
                return  # nobody did anything that could be refused
            raise
        if by_itself:
            notice = self.app.seen.notice
        runner = self.session.run(
            step_id,
            self.app.seen.view,
            typed=typed,
            on_report=self.app.reported,
            on_done=self.app.finished,
        )
        title = clean(runner.check.title, limit=80)
        self.app.change(running=Running(step_id, title, by_itself=by_itself), notice=notice, kept=None)

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
        try:
            view = await self.wait(entered)
        except Refused as error:
            if kept is not None and self.app.seen.kept is kept:
                self.app.change(kept=replace(kept, outcome=""))
            if running is None:
                raise
            if running.by_itself:
                return  # the walk went on meanwhile, and nobody did anything that could be refused
            step = scene.view.step(running.step_id)
            raise Refused(f"{self._how(step, str(error))} What was found is dropped.") from error
        self.app.change(view=view)
        self.app.reckon()
        if running is not None and running.by_itself:
            last = scene.view.step(running.step_id).finding
            again = " again" if last is not None and last.signature is not None else ""
            signs = f" It is to be signed{again}." if done.finding.outcome == "go" else ""
            said = f"{running.title} ran again by itself: {done.finding.outcome}.{signs}"
            self.say("Run again", said)

    # -- arrival ----------------------------------------------------------------------------------

    def arrive(self, chosen: Unfinished | None) -> None:
        """Begin a new record, or go on with one that is not over."""
        self.start(self._arrive, chosen, opens=True)

    async def _arrive(self, chosen: Unfinished | None) -> None:
        person, drilled = self.app.seen.selected, self.app.seen.view.drill
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
        if drilled and not view.drill:
            self.app.change(bell=self.app.remembered.bell)
        self.app.reckon()
        gc.freeze()  # a record's entries stay, as what was loaded before does
        self.app.switch_screen(WalkScreen())
