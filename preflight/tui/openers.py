"""Opens what an application shows. All of it may block, and is called off the event loop."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from textual.screen import Screen

from preflight.tui.app import Opened, WalkApp
from preflight.tui.conductor import Conductor
from preflight.tui.draw.scene import Notice, Scene
from preflight.tui.following import Following
from preflight.tui.looking import Looking
from preflight.tui.places import place_of
from preflight.tui.replay.screen import ReplayConductor, ReplayFollowing, ReplayScreen, left_out
from preflight.tui.replay.session import Replaying
from preflight.tui.screens.arrival import ArrivalScreen
from preflight.tui.screens.walk import WalkScreen
from preflight.tui.session import Session
from preflight.tui.view import Extra


def walk(session: Session | Looking, app: WalkApp, *, record: Path | None = None) -> Opened:
    """A walk from its arrival on, or a look at one. `record` is the unfinished one to point at first."""
    view = session.view().result()
    screen: Callable[[], Screen[None]] = WalkScreen
    if isinstance(session, Session):
        found = session.unfinished().result()
        screen = partial(ArrivalScreen, found, flight=view.flight, folder=session.folder, record=record)
    notice = Notice("Not remembered", app.unread) if app.unread is not None else None
    scene = Scene(view, Extra(), place_of(view.state.next), notice=notice, bell=app.remembered.bell)
    return Opened(session, Following(app, session), Conductor(app), scene, screen)


def replay(record: Path, app: WalkApp) -> Opened:
    """A record's folder to step through again: the replay's own screen, at what the entry shown is about."""
    replaying = Replaying(record)
    view = replaying.view().result()
    assert view.replay is not None
    scene = Scene(view, Extra(), view.replay.place, notice=left_out(view.replay), bell=app.remembered.bell)
    return Opened(
        replaying, ReplayFollowing(app, replaying), ReplayConductor(app, replaying), scene, ReplayScreen
    )
