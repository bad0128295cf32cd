"""wiring: the declared connections, judged first and then shown to be confirmed by touch."""

from __future__ import annotations

from preflight.checks.base import Context, Run
from preflight.checks.wiring_rules import judge_wiring
from preflight.readings import Finding, FindingOutcome, Progress


class Wiring:
    """Judges [[wiring.connection]] by rule; its remarks end with each lead, pin by pin, to be touched.

    A go is what was declared, not what is soldered: who signs it has had every lead between two fingers.
    """

    name = "wiring"
    title = "Wiring"
    needs = ("wiring",)
    leads = "Payload's power off; each lead in its place, none pulled"
    put_back = ""

    def run(self, context: Context) -> Run:
        wiring = context.flight.wiring
        assert wiring is not None
        yield Progress("Reading the declared connections")
        wired = judge_wiring(wiring.connection, context.flight.port)
        outcome: FindingOutcome = "no-go" if wired.faults else "open" if wired.gaps else "go"
        gaps = [f"Not checked: {gap}" for gap in wired.gaps]
        return Finding(
            check=self.name,
            outcome=outcome,
            remarks=(*wired.faults, *gaps, *wired.notes, *wired.touch),
            reads=("wiring", "port"),
        )


check = Wiring()
