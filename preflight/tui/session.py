"""One walk at work behind the screen: everything that may block, on threads, behind futures.

Nothing here knows the screen library. The ledger and the record are touched by one thread alone, the writer;
opening a key (a second of key derivation) and computing figures have threads of their own.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from preflight.checks import table
from preflight.checks.base import Check, Context
from preflight.clock import Clock
from preflight.errors import PreflightError, Refused
from preflight.readings import FindingOutcome
from preflight.record.folder import read
from preflight.record.keys import Keyring, Signer, default_keys_folder
from preflight.record.scan import RECORD
from preflight.record.seal import add_seal, seal_code
from preflight.record.store import Recorder
from preflight.tui.earlier import Earlier
from preflight.tui.forms.form import Trial
from preflight.tui.found_records import Unfinished, unfinished
from preflight.tui.reruns import Reruns
from preflight.tui.runner import Done, Report, Runner
from preflight.tui.trial import check_refusal, refusal
from preflight.tui.view import Extra, View
from preflight.tui.viewing import Seals, extra_of, status_of, view_of
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.ahead import Ahead, ReadingAhead
from preflight.walk.carry import Offer
from preflight.walk.ledger import Ledger
from preflight.walk.rehearsal import Rehearsal

STOP_WAIT = 8.0
"""Seconds that a stopped check is waited for at the end, so that it can leave the logger logging."""

NO_RECORD = "No record is open: begin or resume one first."


@dataclass(frozen=True, slots=True)
class Seal:
    """A record just sealed, and its code."""

    folder: Path
    rec: str
    code: str


class Session:
    """A walk of one flight file: its record, its keys, the check that runs."""

    looking = False

    def __init__(
        self,
        sources: opening.Sources,
        *,
        folder: Path,
        logs: Path,
        clock: Clock,
        keys: Path | None = None,
        mirror: Path | None = None,
        drill: bool = False,
    ) -> None:
        """`folder` is the flight file's, where its relative paths start. Raises for bad files."""
        self.sources = sources
        self.folder = folder
        self.logs = logs
        self.clock = clock
        self.mirror = mirror
        self.drill = drill
        book = sources.book(drill=drill, where=str(folder))
        self.ledger = Ledger(book)
        self.keyring = Keyring(keys or default_keys_folder(), book.roster)
        self.walk: Walk | None = None
        self.runner: Runner | None = None
        self.sealed: Path | None = None
        self._seals = Seals()
        self._codes: dict[Path, str] = {}
        self._writer = ThreadPoolExecutor(1, "record")
        # More than one: whoever leaves an opening that takes long starts another beside it.
        self._opener = ThreadPoolExecutor(4, "keys")
        self._figurer = ThreadPoolExecutor(1, "figures")
        self._reruns = Reruns()
        self._ahead = ReadingAhead()
        self._earlier = Earlier()

    # -- looking ----------------------------------------------------------------------------------

    def view(self) -> Future[View]:
        """What there is to see now."""
        return self._writer.submit(self._look)

    def reckon(self, view: View) -> Future[Extra]:
        """Figures and limits of the values in a view."""
        return self._figurer.submit(extra_of, view, self.folder)

    def unfinished(self) -> Future[tuple[Unfinished, ...]]:
        """Records of this flight that can be gone on with."""
        return self._writer.submit(unfinished, self.logs, self.sources, self.clock.now().boot)

    def _look(self) -> View:
        record, code = None, ""
        seals: tuple[str, ...] = ()
        if self.walk is not None:
            recorder = self.walk.recorder
            record = status_of(recorder, self.folder, self.mirror)
            if recorder.closed:
                seals = self._seals.of(recorder.folder, recorder.roster, drill=self.drill)
                code = self._codes.get(recorder.folder, "")
        return view_of(
            self.ledger,
            self.clock,
            unlocked=self.keyring.unlocked,
            checklist_hash=hashlib.sha256(self.sources.checklist).hexdigest(),
            record=record,
            sealed=self.sealed is not None,
            seals=seals,
            code=code,
            takeable=self._earlier.takeable(self.walk),
        )

    # -- opening ----------------------------------------------------------------------------------

    def begin(self, person: str) -> Future[View]:
        """A new record, opened by someone whose key is unlocked."""
        return self._writer.submit(self._begin, person)

    def _begin(self, person: str) -> View:
        walk = opening.begin(
            self.logs,
            self.sources,
            keyring=self.keyring,
            person=person,
            clock=self.clock,
            drill=self.drill,
            mirror=self.mirror,
        )
        return self._take(walk)

    def resume(self, record: Path) -> Future[View]:
        """Go on with a record that was interrupted, with the files it keeps."""
        return self._writer.submit(self._resume, record)

    def read_ahead(self, record: Path) -> None:
        """Begin to read an interrupted record that is likely to be gone on with; called once."""
        self._ahead.begin(record)

    def _resume(self, record: Path) -> View:
        ahead = self._ahead.of(record)
        self._use_files_of(record, ahead)
        walk = opening.resume(record, keyring=self.keyring, clock=self.clock, mirror=self.mirror, ahead=ahead)
        return self._take(walk)

    def follow(self, record: Path, person: str, why: str, logs: Path | None = None) -> Future[View]:
        """A record that follows another one, opened by someone whose key is unlocked.

        A "new-flight" has the files that lie here now, any other goes on with those of the one before.
        """
        return self._writer.submit(self._follow, record, person, why, logs)

    def _follow(self, record: Path, person: str, why: str, logs: Path | None) -> View:
        new = why == "new-flight"
        if not new:
            self._use_files_of(record)
        # A failing device may keep the line it refused: what the writer counted is what goes on.
        recorder = self._recorder()
        stopped = recorder is not None and recorder.folder == record and recorder.failed is not None
        walk = opening.follow(
            record,
            why=why,
            keyring=self.keyring,
            person=person,
            clock=self.clock,
            logs=self.logs if new else logs,
            mirror=self.mirror,
            sources=self.sources,
            drill=self.drill,
            head=recorder.head if recorder is not None and stopped else None,
        )
        return self._take(walk)

    def _use_files_of(self, record: Path, ahead: Ahead | None = None) -> None:
        files = read(record, ahead.entries if ahead is not None and ahead.still(record) else ())
        self.sources = opening.Sources.kept(files)
        self.drill = files.drill
        if files.roster.to_text() != self.keyring.roster.to_text():
            self.keyring.lock_all()
            self.keyring = Keyring(self.keyring.folder, files.roster)
        if files.closed:
            self.sealed = record

    def _take(self, walk: Walk) -> View:
        if self.walk is not None:
            self.walk.recorder.close()
        self.walk, self.ledger = walk, walk.ledger
        self._reruns = Reruns()
        return self._look()

    # -- keys -------------------------------------------------------------------------------------

    def open_key(self, person: str, passphrase: str) -> Future[Signer]:
        """Open a person's key. It unlocks nothing yet: whoever waited may have left meanwhile."""
        return self._opener.submit(self.keyring.open, person, passphrase)

    def admit(self, signer: Signer) -> None:
        """Unlock an opened key; it stays so until it is locked."""
        self.keyring.admit(signer)

    def prove(self, person: str, passphrase: str) -> Future[str]:
        """Find a passphrase right; what comes back stands for it in one act of this person."""
        return self._opener.submit(self.keyring.prove, person, passphrase)

    def lock_all(self) -> None:
        """Forget every unlocked key."""
        self.keyring.lock_all()

    # -- acts -------------------------------------------------------------------------------------

    def act(self, do: Callable[[Walk], object], person: str | None = None) -> Future[View]:
        """Do something to the walk and see what comes of it; the rules' refusal comes back as an error.

        Where the record was closed and the walk is not over, `person` opens the one that follows it first.
        """
        return self._writer.submit(self._act, do, person)

    def _act(self, do: Callable[[Walk], object], person: str | None = None) -> View:
        if self.walk is None:
            raise Refused(NO_RECORD)
        recorder = self.walk.recorder
        if recorder.closed and person is not None and self.walk.state().next.kind != "none":
            do(Rehearsal(self.walk, person))  # what is refused begins no record
            self._follow(recorder.folder, person, "after-release", None)
        do(self.walk)
        return self._look()

    def refused(self, trial: Trial, instead: str) -> Future[str | None]:
        """Why nobody here could do an act now, and what to do instead; None if somebody could."""
        return self._writer.submit(
            lambda: NO_RECORD if self.walk is None else refusal(self.walk, trial, instead)
        )

    def offers(self) -> Future[tuple[Offer, ...]]:
        """Steps of the attempt that this record follows that can be taken over now."""
        return self._writer.submit(self._offers)

    def _offers(self) -> tuple[Offer, ...]:
        if self.walk is None:
            raise Refused(NO_RECORD)
        return self._earlier.offers(self.walk)

    def mirror_to(self, root: Path) -> Future[View]:
        """Keep the second copy in `root` from now on, whole; the view says why it is behind, if it is."""
        return self._writer.submit(self._mirror_to, root)

    def _mirror_to(self, root: Path) -> View:
        recorder = self._recorder()
        if recorder is None:
            raise Refused(NO_RECORD)
        self.mirror = root
        recorder.mirror_to(root)
        return self._look()

    def close_and_seal(
        self, person: str, passphrase: str, *, reason: str, sealers: tuple[str, ...] = ()
    ) -> Future[tuple[View, Seal]]:
        """Close the record and seal it, in one act."""
        return self._writer.submit(self._close_and_seal, person, passphrase, reason, sealers)

    def _close_and_seal(
        self, person: str, passphrase: str, reason: str, sealers: tuple[str, ...]
    ) -> tuple[View, Seal]:
        def close(walk: Walk) -> None:
            walk.close(person, passphrase, reason=reason, sealers=sealers)
            self.sealed = walk.recorder.folder
            walk.recorder.seal(self.keyring.signer(person))

        self._act(close)
        seal = self._code()
        return self._look(), seal

    def add_seal(self, person: str, passphrase: str) -> Future[tuple[View, Seal]]:
        """Another seal on the closed record."""
        return self._writer.submit(self._add_seal, person, passphrase)

    def _add_seal(self, person: str, passphrase: str) -> tuple[View, Seal]:
        if self.sealed is None:
            raise Refused("No record is closed yet.")
        self.keyring.check(person, passphrase)
        recorder = self._recorder()
        signer = self.keyring.signer(person)
        if recorder is not None and recorder.folder == self.sealed:
            recorder.seal(signer)
        else:
            add_seal(self.sealed, signer)
        return self._look(), self._code()

    def code(self) -> Future[Seal]:
        """The code of the record closed last."""
        return self._writer.submit(self._code)

    def _code(self) -> Seal:
        if self.sealed is None:
            raise Refused("No record is closed yet.")
        if self.sealed not in self._codes:
            data = (self.sealed / RECORD).read_bytes()
            self._codes[self.sealed] = seal_code(data, self.sealed.name)
        return Seal(self.sealed, self.sealed.name, self._codes[self.sealed])

    def _recorder(self) -> Recorder | None:
        return self.walk.recorder if self.walk is not None else None

    # -- checks -----------------------------------------------------------------------------------

    def refusal(self, step_id: str, outcome: FindingOutcome) -> Future[str | None]:
        """Why a check's finding of that outcome could not be entered now, None if it could."""
        return self._writer.submit(
            lambda: NO_RECORD if self.walk is None else check_refusal(self.walk, step_id, outcome)
        )

    def check_of(self, step_id: str) -> Check:
        """The check of a step."""
        return table.get(self.ledger.book.steps[step_id].check or "")

    def run(
        self,
        step_id: str,
        view: View,
        *,
        typed: Mapping[str, float] | None = None,
        on_report: Callable[[Report], None],
        on_done: Callable[[Done], None],
    ) -> Runner:
        """Start a step's check on a thread; its reports are called from there. One check runs at a time."""
        if self.runner is not None:
            raise Refused(f"The check {self.runner.check.name} is still running.")
        context = Context(
            flight=view.flight,
            folder=self.folder,
            clock=self.clock,
            measured=view.measured,
            typed=typed or {},
        )
        self.runner = Runner(step_id, self.check_of(step_id), context, on_report=on_report, on_done=on_done)
        self.runner.start()
        return self.runner

    def entered(self, done: Done) -> Future[View] | None:
        """Enter what the check that runs has found; None for the end of a run that is over already."""
        runner = self.runner
        if runner is None or runner.number != done.run:
            return None
        self.runner = None
        return self.act(lambda walk: walk.found(runner.step_id, done.finding))

    def rerun_due(self, view: View) -> str | None:
        """A step whose computed check is to run again by itself."""
        return self._reruns.due(view.state) if self.walk is not None else None

    # -- the end ----------------------------------------------------------------------------------

    def shut(self) -> None:
        """Stop the check (its leave sequence is sent, its finding entered), flush, let go of everything."""
        runner = self.runner
        if runner is not None:
            runner.stop()
            if runner.join(STOP_WAIT) and runner.done is not None and self.runner is runner:
                self._enter_last(runner.done)
        self._ahead.stop()
        self._writer.shutdown(wait=True)
        self._figurer.shutdown(wait=False, cancel_futures=True)
        self._opener.shutdown(wait=False, cancel_futures=True)
        self.keyring.lock_all()
        if self.walk is not None:
            self.walk.recorder.close()

    def _enter_last(self, done: Done) -> None:
        entered = self.entered(done)
        if entered is not None:
            with contextlib.suppress(PreflightError):
                entered.result()
