"""Marks: a shape, a word and a style for each outcome and verdict. The word and the shape carry the meaning.

Red and amber stand for alerts alone (14 CFR 25.1322): a no-go, and what wants attention before go. Styles
name variables of `preflight.tui.theme`; nothing here imports the screen library.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mark:
    """How one state is shown."""

    shape: str
    word: str
    style: str

    @property
    def text(self) -> str:
        return f"{self.shape} {self.word}"


GO_STYLE = "bold $go-ink on $go"
ALERT_STYLE = "bold $alert-ink on $alert"
CAUTION_STYLE = "bold $caution-ink on $caution"
NOTE_STYLE = "bold $note-ink on $note"
PLAIN_STYLE = "bold $plain-ink on $plain"

OUTCOMES: dict[str, Mark] = {
    "open": Mark("○", "OPEN", PLAIN_STYLE),
    "go": Mark("●", "GO", GO_STYLE),
    "no-go": Mark("■", "NO-GO", ALERT_STYLE),
    "waived": Mark("◆", "WAIVED", NOTE_STYLE),
    "not-applicable": Mark("–", "NOT APPLICABLE", NOTE_STYLE),
    "stale": Mark("△", "STALE", CAUTION_STYLE),
}

VERDICTS: dict[str, Mark] = {
    "go": Mark("●", "GO", GO_STYLE),
    "no-go": Mark("■", "NO-GO", ALERT_STYLE),
    "hold": Mark("‖", "HOLD", CAUTION_STYLE),
}

CAUTION = Mark("▲", "CAUTION", CAUTION_STYLE)
ALERT = Mark("■", "ALERT", ALERT_STYLE)
DRILL = Mark("◇", "DRILL", NOTE_STYLE)
SCRUBBED = Mark("■", "SCRUBBED", ALERT_STYLE)
CLOSED = Mark("○", "CLOSED", PLAIN_STYLE)
SEALED = Mark("●", "SEALED", NOTE_STYLE)
LOOKING = Mark("◇", "ONLY LOOKING", NOTE_STYLE)

PHASES: dict[str, Mark] = {
    "complete": Mark("●", "complete", "$quiet"),
    "again": Mark("△", "open again", CAUTION_STYLE),
    "no-go": Mark("■", "no-go again", ALERT_STYLE),
    "begun": Mark("◐", "begun", "bold $ink"),
    "waiting": Mark("○", "not begun", "$quiet"),
    "not-applicable": Mark("–", "does not apply", "$quiet"),
    "passed": Mark("▲", "NEVER BEGUN", CAUTION_STYLE),
}
