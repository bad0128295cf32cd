"""The notification sheet as one HTML file."""

from __future__ import annotations

from preflight.report.html import render
from preflight.report.notice import NoticePage


def notice_html(page: NoticePage) -> str:
    """The sheet as an HTML document."""
    return render("notice.html", page=page)
