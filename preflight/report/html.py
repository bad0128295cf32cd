"""A report as one HTML file: no outside resource, no script, every text escaped."""

from __future__ import annotations

import functools
import io
from typing import TYPE_CHECKING, Any

from preflight.report import words
from preflight.report.evidence import shown_once
from preflight.report.glossary import GLOSSARY, STATES
from preflight.report.model import CAUTIONS, Report

if TYPE_CHECKING:
    from jinja2 import Environment


def to_html(report: Report) -> str:
    """The report as an HTML document."""
    return render(
        "report.html",
        report=report,
        words=page_words(report),
        evidence=shown_once(report),
        states=STATES,
        glossary=GLOSSARY,
        qr=qr_svg,
    )


def page_words(report: Report) -> tuple[str, ...]:
    """The loud words that stand on every page, each once."""
    return tuple(dict.fromkeys(loud.word for loud in report.loud))


def render(name: str, **values: Any) -> str:
    """A template of this package with the words every one of them uses."""
    return _environment().get_template(name).render(cautions=CAUTIONS, **values)


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("preflight.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        shapes=words.SHAPES,
        value_of=words.value_of,
        band_of=words.band_of,
        limits_of=words.limits_of,
        margin_of=words.margin_of,
        judged_words=words.judged_words,
        word_of=words.word_of,
    )
    return environment


def qr_svg(text: str) -> Any:
    """A QR code as inline SVG, safe to place as it is."""
    import segno
    from markupsafe import Markup

    out = io.BytesIO()
    code = segno.make(text, error="m", micro=False)
    code.save(out, kind="svg", scale=4, xmldecl=False, svgns=True, nl=False, light="#fff")
    return Markup(out.getvalue().decode("utf-8"))  # noqa: S704 - made by the library from the code alone
