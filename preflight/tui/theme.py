"""Three themes: a desk, bright sun (dark on light, 7:1 at least), night (red alone, which spares the eyes).

Every colour that the screens use is a variable here. Fills of outcomes stay apart for colour-blind people in
the first two; in the night theme fills are alike and words and shapes carry the meaning.
"""

from __future__ import annotations

from textual.theme import Theme

from preflight.tui import remembered

ORDER = remembered.THEMES


def _theme(name: str, *, dark: bool, **colours: str) -> Theme:
    variables = {key.replace("_", "-"): value for key, value in colours.items()}
    ink, paper, panel, lead = (variables[key] for key in ("ink", "paper", "panel-fill", "lead"))
    return Theme(
        name=name,
        primary=lead,
        secondary=lead,
        accent=lead,
        warning=variables["caution"],
        error=variables["alert"],
        success=variables["go"],
        foreground=ink,
        background=paper,
        surface=paper,
        panel=panel,
        boost=panel,
        dark=dark,
        text_alpha=1.0,
        variables={
            **variables,
            "text-muted": variables["quiet"],
            "text-disabled": variables["quiet"],
            "block-cursor-background": lead,
            "block-cursor-foreground": paper,
            "block-cursor-text-style": "bold",
            "block-cursor-blurred-background": panel,
            "block-cursor-blurred-foreground": ink,
            "block-hover-background": panel,
            "input-cursor-background": ink,
            "input-cursor-foreground": paper,
            "input-selection-background": variables["rule"],
            "scrollbar": variables["rule"],
            "scrollbar-background": panel,
            "scrollbar-hover": lead,
            "scrollbar-active": lead,
            "border": lead,
            "border-blurred": variables["rule"],
        },
    )


THEMES: dict[str, Theme] = {
    "desk": _theme(
        "desk",
        dark=True,
        ink="#E8ECF0",
        quiet="#A3B0BC",
        paper="#0E1318",
        panel_fill="#1A222A",
        rule="#6B7C8C",
        lead="#7CC4F4",
        bar="#8FA9BF",
        bar_back="#26313B",
        go="#00547A",
        go_ink="#FFFFFF",
        alert="#A80000",
        alert_ink="#FFFFFF",
        caution="#FFC800",
        caution_ink="#000000",
        note="#5A4A7A",
        note_ink="#FFFFFF",
        plain="#3A4855",
        plain_ink="#FFFFFF",
    ),
    "sun": _theme(
        "sun",
        dark=False,
        ink="#000000",
        quiet="#333333",
        paper="#FFFFFF",
        panel_fill="#EAEAEA",
        rule="#555555",
        lead="#001F4A",  # of sixteen colours black is the nearest: no other is as dark on white
        bar="#4A4A4A",
        bar_back="#D2D2D2",
        go="#00547A",
        go_ink="#FFFFFF",
        alert="#A80000",
        alert_ink="#FFFFFF",
        caution="#FFC800",
        caution_ink="#000000",
        note="#4A3A6A",
        note_ink="#FFFFFF",
        plain="#DADADA",
        plain_ink="#000000",
    ),
    "night": _theme(
        "night",
        dark=True,
        ink="#FF4A3A",
        quiet="#E23A2C",
        paper="#000000",
        panel_fill="#1C0000",
        rule="#B02A20",
        lead="#FF6A5A",
        bar="#C82820",
        bar_back="#2C0000",
        go="#2A0000",
        go_ink="#FF6A5A",
        alert="#FF4A3A",
        alert_ink="#000000",
        caution="#FF4A3A",
        caution_ink="#000000",
        note="#2A0000",
        note_ink="#FF6A5A",
        plain="#2A0000",
        plain_ink="#FF6A5A",
    ),
}


def after(name: str) -> str:
    """The theme that comes next when the key is pressed."""
    return ORDER[(ORDER.index(name) + 1) % len(ORDER)] if name in ORDER else ORDER[0]
