"""A crew of one hand, every key unlocked, that fills in forms and reads drawn pages without a screen."""

from __future__ import annotations

from pathlib import Path

from screen_driving import PASSPHRASE, Stage
from small_flight import ToldClock

from preflight.record.keys import Keyring
from preflight.tui.draw.call import centre_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.forms.form import Form
from preflight.tui.places import Place, place_of
from preflight.tui.view import Extra, RecordStatus, View
from preflight.tui.viewing import extra_of, view_of
from preflight.walk.acts import Walk
from preflight.walk.opening import begin
from preflight.walk.state import StepState


class Hand:
    """Fills forms in and does what they make."""

    def __init__(self, stage: Stage) -> None:
        self.clock: ToldClock = stage.clock
        self.keyring = Keyring(stage.keys, stage.roster)
        for person in stage.roster.people:
            self.keyring.unlock(person.id, PASSPHRASE)
        self.walk: Walk = begin(
            stage.logs, stage.sources, keyring=self.keyring, person="ines", clock=self.clock
        )

    @property
    def view(self) -> View:
        recorder = self.walk.recorder
        status = RecordStatus(
            rec=recorder.rec,
            folder=str(recorder.folder),
            place=recorder.folder.name,
            entries=len(recorder.entries),
            on_disk=recorder.entries[-1].moment.at,
        )
        return view_of(
            self.walk.ledger,
            self.clock,
            unlocked=self.keyring.unlocked,
            checklist_hash="0" * 64,
            record=status,
        )

    @property
    def extra(self) -> Extra:
        return extra_of(self.view, Path())

    def step(self, name: str) -> StepState:
        return self.view.step(name)

    def fill(self, form: Form, **typed: str) -> None:
        whole = {field.key: field.initial for field in form.fields} | typed
        assert set(whole) == {field.key for field in form.fields}
        assert form.make is not None
        form.make(form.answers(self.view, whole))(self.walk)

    @property
    def last(self):
        return self.walk.ledger.acts[-1].entry

    def page(self, place: Place | None = None, *, selected: str | None = None) -> list[str]:
        """The lines of the centre at a place, or at what is next, at 80 by 24."""
        view = self.view
        scene = Scene(view, Extra(), place or place_of(view.state.next), selected=selected)
        return [line.plain.rstrip() for line in centre_lines(scene, 80, 15)]
