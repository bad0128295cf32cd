"""The printed checklist as one HTML file."""

from __future__ import annotations

from preflight.report.html import render
from preflight.report.paper import RULES, Paper


def paper_html(paper: Paper) -> str:
    """The list as an HTML document, for a browser's own print."""
    return render("paper.html", paper=paper, rules=RULES)
