"""What there is to see live on the whole screen: strips above, below them every line that was kept."""

from __future__ import annotations

from textual.content import Content

from preflight.clean import clean
from preflight.live import Stream
from preflight.readings import Progress
from preflight.tui import words
from preflight.tui.draw.key_line import packed
from preflight.tui.draw.live import live_lines
from preflight.tui.draw.live_stream import history_lines
from preflight.tui.draw.scale import progress_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import apart, badge, fitted, row, say
from preflight.tui.draw.verdict import called
from preflight.tui.marks import OUTCOMES, VERDICTS

FEWEST = 4
"""Lines of history that strips leave."""


def stream_of(progress: Progress | None) -> Stream | None:
    """The lines among what there is to see."""
    parts = progress.live if progress is not None else ()
    return next((part for part in parts if isinstance(part, Stream)), None)


def whole_lines(
    scene: Scene, width: int, height: int, *, held: Stream | None = None, back: int = 0
) -> list[Content]:
    """The whole screen; `held` is the history as it stood when the crew began to go back in it, `back` how
    many lines its end lies below what is shown."""
    progress = scene.live
    stream = held or stream_of(progress)
    head, foot = _head(scene, width), _foot(scene, stream, held, width)
    room = height - len(head) - len(foot)
    if progress is None:
        body = [say(" There is nothing to see: no check is at work here.", "$quiet")]
        return [*head, *_filled(body, room), *foot]
    if stream is None:
        return [*head, *_filled(live_lines(progress, width, room), room), *foot]
    top = _without_lines(progress, width, max(1, min(room // 2, room - FEWEST)))
    counted = f" {clean(_counted(stream), limit=width)} "
    line = Content.styled("─" * max(0, width - len(counted)), "$rule")
    rule = row(Content.styled(counted, "$quiet"), line).truncate(width)
    under = max(0, room - len(top) - 1)
    # No more of it is drawn than can be seen: a line takes one line at least.
    history = history_lines(stream, width, latest=under + back + 2)
    last = len(history) - min(back, max(0, len(history) - under))
    return [*head, *top, rule, *_filled(history[max(0, last - under) : last], under), *foot]


def farthest_back(stream: Stream | None, width: int) -> int:
    """How many lines back there is anything to go."""
    return max(0, len(history_lines(stream, width)) - FEWEST) if stream is not None else 0


def _without_lines(progress: Progress, width: int, height: int) -> list[Content]:
    rest = tuple(part for part in progress.live if not isinstance(part, Stream))
    if not rest and not progress.readings:
        return []
    wanted = len(progress.readings) + 4 * len(rest)
    return live_lines(
        Progress(progress.text, progress.fraction, progress.reading, progress.readings, rest),
        width,
        min(height, wanted),
    )


def _counted(stream: Stream) -> str:
    bad = sum(1 for line in stream.lines if line.bad or line.kind == "undecoded")
    return (
        f"{stream.name}: the latest {len(stream.lines)} lines of {stream.seen}, {bad or 'none'} marked ■ or ▨"
    )


def _head(scene: Scene, width: int) -> list[Content]:
    running = scene.running
    name = say(f" {scene.place.name}  ", "bold", limit=60)
    if running is not None and running.step_id == scene.place.name:
        progress = running.progress
        said = (
            "stopping, the line is put back" if running.stopping else progress.text if progress else "starts"
        )
        share = progress.fraction if progress is not None else None
        lines = [row(" ", line) for line in progress_lines(said, share, running.seconds, width - 2)]
        title = row(name, say(running.title, "$quiet", limit=80))
        return [apart(title, _stands(scene, width), width), *lines]
    kept = scene.kept
    outcome = badge(OUTCOMES[kept.outcome]) if kept is not None and kept.outcome else Content("")
    stood = "  as it stood when the check ended"
    if kept is not None and not kept.outcome:
        stood = "NOT ENTERED: what it found is dropped"
    text = kept.progress.text if kept is not None else ""
    return [
        apart(
            row(name, outcome, say(stood, "$quiet")),
            _stands(scene, width),
            width,
        ),
        fitted(say(f" {text}", limit=200), width),
    ]


def _stands(scene: Scene, width: int) -> Content:
    """What must not be missed behind the picture: a no-go, a hold and who called it; and the time."""
    state = scene.view.state
    parts: list[Content | str] = []
    if state.gate is not None and state.gate.verdict == "no-go":
        parts += [badge(VERDICTS["no-go"]), " "]
    if state.holds:
        parts += [badge(VERDICTS["hold"]), f" {called(scene.view, state.holds[0], width)} "]
    return row(*parts, Content.styled(f" {words.utc_s(state.now.at)} ", "bold"))


def _foot(scene: Scene, stream: Stream | None, held: Stream | None, width: int) -> list[Content]:
    pairs = [("Esc", "back")]
    if scene.running is not None:
        pairs.append(("s", "stop"))
    pairs.append(("F2", "hold"))
    if stream is not None:
        pairs += [("↑ ↓ PgUp", "lines"), ("End", "latest")]
    pairs.append(("Space", "step in full"))
    lines = packed(pairs, width, 1)
    if held is not None:
        told = " ◌ paused while you read: more may have come; End goes on"
        return [fitted(say(told, "bold $lead"), width), *lines]
    return lines


def _filled(lines: list[Content], height: int) -> list[Content]:
    return [*lines[:height], *[Content("")] * max(0, height - len(lines))]
