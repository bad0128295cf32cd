"""The one place where keys become acts: each key of the table has its method here."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

from preflight.errors import Refused
from preflight.record.mirror import same_device
from preflight.tui import pages
from preflight.tui.conduct import Conduct
from preflight.tui.dialogs.ask import Ask
from preflight.tui.dialogs.pick import Pick
from preflight.tui.dialogs.sealed import Sealed
from preflight.tui.dialogs.tell import Page, Sure
from preflight.tui.forms import of_answer, of_correction, of_count, of_earlier, of_plan, of_release, of_step
from preflight.tui.forms.form import Answers
from preflight.tui.interruption import passed_over
from preflight.tui.places import HELD, Place, beside, place_of
from preflight.tui.screens.live import LiveScreen
from preflight.tui.session import STOP_WAIT, Session

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp


def missing_above(root: Path) -> Path | None:
    """The first folder above `root` that is not there, as where a path is mistyped; None if all are."""
    return next((each for each in reversed(root.absolute().parents) if not each.is_dir()), None)


class Conductor(Conduct):
    """What each key does; the names are those of `preflight.tui.keys`."""

    def __init__(self, app: WalkApp) -> None:
        super().__init__(app)
        self._jumped: Place | None = None

    async def do_stop(self) -> None:
        runner = self.session.runner
        if runner is not None:
            runner.stop()
            self.app.change(running=self._now_running())

    async def do_again(self) -> None:
        scene = self.app.seen
        step = self._step()
        if step.step.kind == "check":
            await self._run_or_ask(step.step.id)
        elif step.step.kind == "measure":
            await self.ask(of_step.measure(scene.view, scene.extra, step))
        elif step.step.kind == "defer":
            await self.ask(of_answer.defer(scene.view, step))
        else:
            await self.ask(of_step.seen(step))

    async def do_hold(self) -> None:
        await self.ask(of_count.hold(self.app.seen.view))

    async def do_lift(self) -> None:
        await self.ask(of_count.lift(self.app.seen.view))

    async def do_countersign(self) -> None:
        await self.ask(of_count.countersign(self.app.seen.view))

    async def do_seen(self) -> None:
        await self.ask(of_step.seen(self._step()))

    async def do_no_go(self) -> None:
        await self.ask(of_step.refuse(self._step()))

    async def do_not_applicable(self) -> None:
        await self.ask(of_step.not_applicable(self._step()))

    async def do_witness(self) -> None:
        scene, step = self.app.seen, self._step()
        # In a large window the dialogue leaves the step in view, and the first person's reading with it.
        self.app.change(covered=step.step.measure is not None)
        try:
            await self.ask(of_step.witness(scene.view, scene.extra, step))
        finally:
            self.app.change(covered=False)

    async def do_waive(self) -> None:
        await self.ask(of_step.waive(self.app.seen.view, self._step()))

    async def do_correct(self) -> None:
        scene = self.app.seen
        step = scene.view.step(scene.place.name) if scene.place.kind == "step" else None
        await self.ask(of_correction.correct(scene.view, step))

    async def do_paper(self) -> None:
        scene, step = self.app.seen, self._step()
        await self.ask(of_earlier.paper(scene.view, step, scene.extra.limits_of(step.step)))

    async def do_take_over(self) -> None:
        offers = await self.wait(self.session.offers(), "reading the earlier record")
        left: list[str] = []
        if await self.ask(of_earlier.take_over(self.app.seen.view, offers, left)) and left:
            self.say("Not taken over", "; ".join(left))

    async def do_mirror(self) -> None:
        root = self.session.mirror
        await self.ask(of_earlier.mirror(self.app.seen.view, "" if root is None else str(root)))

    async def _submit_mirror(self, dialogue: Ask, answers: Answers) -> None:
        root = Path(answers.text("folder")).expanduser()
        gone = await asyncio.to_thread(missing_above, root)
        if gone is not None:
            raise Refused(f"There is no folder {gone}: mend the path, or make that folder first.")
        view = await self.wait(self.session.mirror_to(root), "copying the record")
        self.app.change(view=view, notice=None)
        behind = view.record.mirror_behind if view.record is not None else None
        if behind is not None:
            raise Refused(f"{behind[0].upper()}{behind[1:]}.")
        said = f"It is whole, and every entry goes there too: {root}"
        if view.record is not None and same_device(root, Path(view.record.folder)):
            said = f"It is whole, but on the record's own device: what fails there takes both. {root}"
        self.say("Second copy", said)

    async def do_power(self) -> None:
        await self.ask(of_count.power(self.app.seen.view))

    async def do_replan(self) -> None:
        await self.ask(of_plan.replan(self.app.seen.view))

    async def do_begin(self) -> None:
        scene = self.app.seen
        phase = scene.view.book.phase_of.get(scene.place.name)
        phase_id = phase.id if phase else scene.place.name
        if await self.ask(of_count.begin_phase(scene.view, phase_id)):
            first = Place("step", scene.view.book.phases[phase_id].step[0].id)
            self.app.change(notice=passed_over(self.app.seen.view, first))
            self.app.ring()

    async def do_poll(self) -> None:
        while await self.ask(of_count.poll(self.app.seen.view, self._gate())):
            if self._gate().all_polled or self.app.seen.view.state.holds:
                break

    async def do_authorise(self) -> None:
        holds = self.app.seen.view.state.holds
        if holds and self._gate().verdict == "hold":
            raise Refused(f"{HELD}. It was called for: {holds[0].data.reason}")
        await self.ask(of_count.authorise(self.app.seen.view, self._gate()))

    async def do_release(self) -> None:
        await self.ask(of_release.release(self.app.seen.view, lambda: self.app.seen.view))

    async def do_scrub(self) -> None:
        await self.ask(of_count.scrub(self.app.seen.view))

    async def do_close(self) -> None:
        view = self.app.seen.view
        if await self.ask(of_count.add_seal(view) if view.state.closed else of_count.close(view)):
            await self._show_seal()

    async def do_code(self) -> None:
        self.seal = await self.wait(self.session.code(), "working out the code")
        await self._show_seal()

    async def _show_seal(self) -> None:
        assert self.seal is not None
        view = self.app.seen.view
        ahead = view.state.released is None and not view.given_up
        await self.app.push_screen_wait(Sealed(self.seal, drill=view.drill, ahead=ahead))

    async def do_unlock(self) -> None:
        await self.unlock(None)

    async def do_lock(self) -> None:
        self.session.lock_all()
        view = await self.wait(self.session.view())
        self.app.change(view=view, selected=None)
        self.say("Locked", "Every key is locked: unlock one with its number.")

    async def do_back(self) -> None:
        self.go(beside(self.app.seen.view.book, self.app.seen.place, -1))

    async def do_on(self) -> None:
        self.go(beside(self.app.seen.view.book, self.app.seen.place, 1))

    async def do_due(self) -> None:
        self.go(place_of(self.app.seen.view.state.next))

    async def do_jump(self) -> None:
        reasons = [each for each in self._gate().reasons if each.step is not None or each.phase is not None]
        places = [Place("step", r.step) if r.step else Place("complete", r.phase or "") for r in reasons]
        gate = self._gate()
        if not gate.reasons:  # nothing against go: what is left is to ask, and to decide
            places = [Place("authorise" if gate.all_polled else "poll", gate.gate)]
        if not places:
            raise Refused("Only a hold stands against go: lift it with l.")
        here = self.app.seen.place
        # From what is next, where the walk stands by itself, to the one that the verdict names; then in turn.
        at_next = here == place_of(self.app.seen.view.state.next)
        in_turn = here in places and not (at_next and self._jumped != here)
        to = places[(places.index(here) + 1) % len(places)] if in_turn else places[0]
        if to == here and len(places) > 1:
            to = places[1]
        self._jumped = to
        self.go(to)

    async def do_find(self) -> None:
        place = await self.app.push_screen_wait(Pick(self.app.seen))
        if place is not None:
            self.go(place)

    async def do_full(self) -> None:
        """What there is to see live, from where the same key leads to the step in words; else that."""
        if self.app.seen.live is not None and await self.app.push_screen_wait(LiveScreen()) != "full":
            return
        await self.app.push_screen_wait(Page(*pages.in_full(self.app.seen)))

    async def do_figures(self) -> None:
        await self.app.push_screen_wait(Page(*pages.figures(self.app.seen)))

    async def do_notice(self) -> None:
        work = asyncio.to_thread(pages.notice, self.app.seen.view, self.app.session.folder)
        page = await self.wait(asyncio.ensure_future(work), "working out the sheet")
        await self.app.push_screen_wait(Page(*page))

    async def do_help(self) -> None:
        await self.app.push_screen_wait(Page(*pages.help_page()))

    async def do_theme(self) -> None:
        self.app.next_theme()

    async def do_bell(self) -> None:
        bell, drill = not self.app.seen.bell, self.app.seen.view.drill
        self.app.change(bell=bell)
        if not drill:  # what is silenced in practice rings on the day
            self.app.keep(bell=bell)
        said = "Alarms ring." if bell else "Alarms are only shown."
        self.say("Bell on" if bell else "Bell off", f"{said} In this drill alone." if drill else said)
        self.app.ring()

    async def do_leave(self) -> None:
        await self.leave()

    async def leave(self) -> None:
        """Ask, then stop the check so that its line is put back, then go."""
        text = "What is entered is on disk; the walk can be gone on with later."
        if self.app.seen.running is not None:
            text = "The check at work is stopped and its line put back. " + text
        if not await self.app.push_screen_wait(Sure("Quit?", text)):
            return
        session = self.app.session
        runner = session.runner if isinstance(session, Session) else None
        if runner is not None:
            runner.stop()
            self.app.change(busy="stopping the check: its line is put back")
            await asyncio.to_thread(runner.join, STOP_WAIT)
        self.app.exit(0)
