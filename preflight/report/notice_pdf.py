"""The notification sheet as a PDF, on A4 or US Letter."""

from __future__ import annotations

from datetime import datetime

from preflight import __version__
from preflight.report.notice import NoticePage
from preflight.report.pdf_page import Page, Para
from preflight.report.pdf_text import face_for


def notice_pdf(sheet: NoticePage, *, size: str = "a4") -> bytes:
    """The sheet as the bytes of a PDF; `size` is "a4" or "letter"."""
    foot = f"Notification sheet, {sheet.flight}, made {sheet.made}. The local authority decides."
    page = Page(paper=size, face=face_for(sheet), words=(), foot=foot)
    page.set_title(f"Notification sheet, {sheet.flight}")
    page.set_creator(f"preflight {__version__}")
    page.set_creation_date(datetime.fromisoformat(sheet.made_iso))
    page.heading(1, f"Notification sheet: {sheet.flight}")
    page.write_out([Para(f"Planned release {sheet.planned}", "bold"), Para(f"Made {sheet.made}.", "small")])
    page.set_y(page.get_y() + 1.5)
    page.boxed([Para(text, "b", "caution") for text in (sheet.standing, *sheet.missed)])
    for title, texts in sheet.before:
        page.heading(2, title)
        page.bullets(texts)
    page.heading(2, "What is asked for")
    page.grid(
        (6, 24, 44, 26),
        ("No.", "Item", "Value", "Asked for by"),
        (
            [
                [Para(item.number)],
                [Para(item.title)],
                [Para(item.value, "b" if item.missing else "")],
                [Para(item.asked_by, "small")],
            ]
            for item in sheet.items
        ),
    )
    for title, texts in sheet.after:
        page.heading(2, title)
        page.bullets(texts)
    return page.finished()
