"""link-margin: does every sample get from the flight computer to the card?"""

from __future__ import annotations

from preflight.checks.base import Context, Run
from preflight.readings import Finding, FindingOutcome, Progress, judged

_MEASURED = ("sample.length", "sample.rate")
_NEEDED = ("link.margin", "link.stall_margin")


class LinkMargin:
    """Computes the line's load, and what piles up while the card stalls, from what the tap measured."""

    name = "link-margin"
    title = "Line and receive buffer hold the samples"
    needs = ("sample", "link")
    leads = ""
    put_back = ""

    def run(self, context: Context) -> Run:
        yield Progress("Computing the line's figures")
        from preflight.figures.compute import compute

        computed = compute(context.flight, context.measured, folder=context.folder)
        readings = tuple(figure for figure in computed.figures if figure.name.startswith("link."))
        outcome: FindingOutcome = judged(readings, needs=_NEEDED)
        if any(name.startswith("link.") for name in computed.no_go):
            outcome = "no-go"
        remarks = list(computed.sentences("link", "sample"))
        absent = [name for name in _MEASURED if name not in context.measured]
        if absent:
            remarks.append(f"Counted as declared, as the tap has not measured it yet: {', '.join(absent)}")
        return Finding(
            check=self.name,
            outcome=outcome,
            readings=readings,
            remarks=tuple(remarks),
            reads=(
                *("sample.length", "sample.rate", "card.stall"),
                *(
                    "link.baud",
                    "link.framing",
                    "link.buffer",
                    "link.stall",
                    "link.clock",
                    "link.oversampling",
                ),
            ),
        )


check = LinkMargin()
