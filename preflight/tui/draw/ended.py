"""What a walk that was given up or closed shows: what came of it, by whom, and what is left."""

from __future__ import annotations

from textual.content import Content

from preflight.clean import clean
from preflight.tui import words
from preflight.tui.draw.text import Block, badge, labelled, row, say, title
from preflight.tui.marks import CAUTION, CLOSED, SEALED, Mark
from preflight.tui.view import View
from preflight.walk.ledger import Act

SAFE = (
    "Make safe what is powered, filled or under pressure, as your own procedure, local rules and the "
    "competent person say."
)


def closed_mark(view: View) -> Mark | None:
    """Whether the record is closed, and sealed by everybody who was to; None while it goes on."""
    if view.state.closed is None:
        return None
    return CLOSED if view.seals_due else SEALED


def act_text(view: View, act: Act, more: str = "") -> Content:
    """A signature with printed name, time and meaning, and what it adds."""
    return row(
        say(view.person(act.signer), "bold", limit=100),
        f" {words.utc_s(act.at.at)} ",
        say(f"“{act.entry.meaning}”", "$quiet"),
        say(f" {more}" if more else "", "bold", limit=300),
    )


def scrubbed_blocks(view: View, width: int) -> list[Block]:
    """At the close of an attempt that was given up: who did, and what can still be entered."""
    act = view.state.scrubbed
    if act is None or not view.given_up:
        return []
    blocks = [Block(labelled("scrubbed", act_text(view, act, act.data.reason), width), 9, 2)]
    if view.replay is None:
        left = (
            "Close and seal. No step, poll or gate is entered any more; a hold, a power cycle, a correction, "
            "or a balloon that left all the same still can be."
        )
        blocks.append(Block(labelled("left", say(left), width), 8, 3))
        blocks.append(Block(labelled("mind", row(badge(CAUTION), " ", say(SAFE)), width), 8, 3))
    return blocks


def sealed_blocks(view: View, width: int) -> list[Block]:
    """Who closed the record and who sealed it, its code, where it and its copy lie."""
    act = view.state.closed
    if act is None:
        return []
    blocks = [Block(labelled("closed", act_text(view, act, act.data.reason), width), 9, 2)]
    due = [clean(view.person(name), limit=60) for name in view.seals_due]
    seals = [clean(view.person(name), limit=60) for name in view.seals]
    told = [words.listed(seals, "and")] if seals else []
    if due:
        told.append(f"waits for {words.listed(due, 'and')}")
    blocks.append(Block(labelled("sealed", say("; ".join(told), "bold", limit=300), width), 8))
    if view.code:
        code = row(say(view.code, "bold $lead"), "  note it elsewhere; m shows it large")
        blocks.append(Block(labelled("code", code, width), 9))
    record = view.record
    if record is not None:
        blocks.append(Block(labelled("record", say(record.place, limit=400), width), 7, 2))
        if not view.looking:
            blocks.append(Block(labelled("copy", _copy(view), width), 6, 2))
    return blocks


def _copy(view: View) -> Content:
    record = view.record
    assert record is not None
    if not record.mirror:
        return say("no second copy is kept: F5 names a folder for one, best on another device")
    if record.mirror_behind is not None:
        return row(say("▲ behind ", "bold"), say(f"{record.mirror_behind}: F5", limit=400))
    return say(record.mirror, limit=400)


def ended_blocks(view: View, width: int) -> list[Block]:
    """Where the record is closed: all of that, and what is left to do."""
    state = view.state
    over = state.next.kind == "none"
    blocks = [title("The walk is over" if over else "The record is closed", width)]
    if state.scrubbed is not None:
        said = act_text(view, state.scrubbed, state.scrubbed.data.reason)
        blocks.append(Block(labelled("scrubbed", said, width), 9, 2))
    if state.released is not None:
        go = "with go" if state.released.data.with_go else "WITHOUT GO"
        blocks.append(Block(labelled("released", act_text(view, state.released, go), width), 9, 2))
    blocks += sealed_blocks(view, width)
    if not view.looking:
        blocks.append(Block(labelled("left", say(_left(view, over=over)), width), 8, 2))
    return blocks


def _left(view: View, *, over: bool) -> str:
    seal = "z adds the seal that is waited for. " if view.seals_due else ""
    if not over:
        return f"{seal}Nothing is added to this record any more. Enter goes to the release"
    if view.seals_due:
        return f"{seal}Then q quits"
    return "Nothing: the record is whole. q quits. preflight walk RECORD shows it again"
