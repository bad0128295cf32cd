"""Why a logger did not answer as declared: silence, one way, own echo, the wrong lead, noise, other text."""

from __future__ import annotations

from dataclasses import dataclass

from preflight.checks.base import Context
from preflight.checks.replies import only_echo
from preflight.checks.talk import is_noise, shown
from preflight.decode import decoder_for
from preflight.errors import PreflightError


@dataclass(frozen=True, slots=True)
class Unanswered:
    """The sentence for people, and whether another speed could be the reason."""

    sentence: str
    speed_in_doubt: bool = False


def unanswered(
    context: Context, head: str, sent: bytes, heard: bytes, early: bytes, *, within: float, expected: str
) -> Unanswered:
    """Judge `heard`, which came within `within` seconds after `sent` and holds no answer.

    `early` came before anything was sent, `head` tells what was asked and `expected` shows the pattern. What
    it means comes first, as a line on the screen may have no room for more.
    """
    speed = logger_speed(context)
    if not heard and early and not is_noise(early):
        return Unanswered(
            f"The logger does not hear the tool: {head}, and heard nothing for {within:g} s, though it spoke "
            "by itself before. Check the lead from the tool's transmit to the logger's receive, and its level"
        )
    if not heard:
        return Unanswered(
            f"Heard nothing for {within:g} s: {head}. Check that the logger is powered, that its lead is "
            "on and the flight computer's transmit lead off, that transmit goes to receive both ways, and "
            f"that it runs at {speed}",
            speed_in_doubt=not early,
        )
    if only_echo(sent, heard):
        return Unanswered(
            f"Only our own bytes came back: {head}; transmit and receive are bridged, or the logger "
            "echoes without answering. Part the two leads and check the logger's own transmit lead"
        )
    if holds_samples(context, early + heard):
        return Unanswered(
            f"The lead is on the flight computer's transmit: {head}, and heard its samples {shown(heard)}. "
            "Move it to the logger's"
        )
    if is_noise(heard):
        return Unanswered(
            f"Heard noise: {head}, and {shown(heard)} came. Check that the logger runs at {speed}, the "
            "ground lead and the level",
            speed_in_doubt=True,
        )
    return Unanswered(
        f"The reply is not the expected one: {head}, and heard {shown(heard)}, not {expected}. Check that "
        "the logger is in the state in which it answers; if this reply is right, correct `expect`"
    )


def holds_samples(context: Context, data: bytes) -> bool:
    """Whether a sound sample of the declared layout is among these bytes."""
    if context.flight.sample is None:
        return False
    try:
        decoder = decoder_for(context.flight.sample, joined=True)
    except PreflightError:
        return False
    # A layout of one free text would take any reply for a sample.
    told = sum(field.role is not None or bool(field.unit) for field in context.flight.sample.field)
    return told >= 2 and any(not sample.faults for sample in decoder.feed(data))


def logger_speed(context: Context) -> str:
    """Speed and framing of the logger's port in words."""
    flight = context.flight
    port = next(port for port in flight.port if port.use == "logger")
    baud = port.baud or (flight.link.baud if flight.link else None)
    framing = port.framing or (flight.link.framing if flight.link else "8N1")
    return f"{baud} baud {framing}"
