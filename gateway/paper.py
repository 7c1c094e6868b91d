"""The look of what the gateway prints for people on A4: letters, headings, tables, page numbers."""

from collections.abc import Callable, Sequence
from functools import cache
from importlib import resources
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

INK = colors.HexColor("#1d2733")
QUIET = colors.HexColor("#5b6775")
RULE = colors.HexColor("#c9d1d9")
GROUND = colors.HexColor("#f2f5f7")
GOOD = colors.HexColor("#1b6e4b")
BAD = colors.HexColor("#a3321f")

WIDTH_MM = 174.0
"""Room between the margins."""

_MARGIN = 18 * mm
_TEXT, _BOLD = "PaperText", "PaperBold"

Flowable = Any
"""What reportlab lays out; the library has no types."""


@cache
def _register() -> None:
    fonts = resources.files("gateway.label") / "data" / "fonts"
    for name, file in (
        (_TEXT, "DejaVuSansCondensed.ttf"),
        (_BOLD, "DejaVuSansCondensed-Bold.ttf"),
    ):
        with resources.as_file(fonts / file) as path:
            pdfmetrics.registerFont(TTFont(name, str(path)))
    pdfmetrics.registerFontFamily(_TEXT, normal=_TEXT, bold=_BOLD, italic=_TEXT, boldItalic=_BOLD)


LACKING = "\ufffd"
"""Stands for a sign that the paper's letters lack."""


def lacks(words: str) -> bool:
    """Whether some sign of the words can't be shown: the letters are Latin, Greek and Cyrillic."""
    return shown(words) != words


def shown(words: str) -> str:
    """The words with every sign that the letters lack replaced."""
    known = _known_signs()
    return "".join(sign if sign in known or sign in "\n\t" else LACKING for sign in words)


@cache
def _known_signs() -> frozenset[str]:
    _register()
    return frozenset(map(chr, pdfmetrics.getFont(_TEXT).face.charToGlyph))


def _text(words: str) -> str:
    """Words as reportlab's markup, none of it interpreted."""
    return escape(shown(words)).replace("\n", "<br/>")


def _style(name: str, **settings: object) -> Any:
    _register()
    values = {"fontName": _TEXT, "fontSize": 9, "leading": 12, "textColor": INK, **settings}
    return ParagraphStyle(name, **values)


def title(words: str) -> Flowable:
    """The name of the whole paper."""
    return Paragraph(
        _text(words), _style("title", fontName=_BOLD, fontSize=17, leading=22, spaceAfter=2 * mm)
    )


_BELOW_HEADING = 42 * mm


class _Heading(Paragraph):  # type: ignore[misc]  # reportlab has no types
    """Asks for room for some lines below it, so that it never ends a page.

    Keeping it with the whole of what follows would leave half a page empty before a long table.
    """

    below = _BELOW_HEADING

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        wide, high = super().wrap(width, height)
        return (wide, high) if high + self.below <= height else (wide, height + 1)

    def split(self, width: float, height: float) -> list[Flowable]:
        del width, height
        return []


def heading(words: str) -> Flowable:
    """The name of a part, with room below it for a beginning of what follows."""
    style = _style(
        "heading",
        fontName=_BOLD,
        fontSize=11,
        leading=14,
        spaceBefore=6 * mm,
        spaceAfter=1.5 * mm,
    )
    return _Heading(_text(words), style)


def line(words: str, *, quiet: bool = False, bold: bool = False, colour: Any = None) -> Flowable:
    """A paragraph of plain text."""
    style = _style(
        "line",
        textColor=colour or (QUIET if quiet else INK),
        fontName=_BOLD if bold else _TEXT,
        spaceAfter=1 * mm,
    )
    return Paragraph(_text(words), style)


def code(words: str) -> Flowable:
    """Text of fixed width, wrapped anywhere; meant for ASCII."""
    style = _style("code", fontName="Courier", fontSize=7, leading=8.6, splitLongWords=1)
    return Paragraph(escape(words).replace(" ", "&nbsp;").replace("\n", "<br/>"), style)


def gap(height_mm: float) -> Flowable:
    """Empty room."""
    return Spacer(1, height_mm * mm)


def together(*parts: Flowable) -> Flowable:
    """Parts that stay on one page where it is long enough."""
    for part in parts:
        if isinstance(part, _Heading):
            part.below = 0.0
    return KeepTogether(list(parts))


def framed(part: Flowable) -> Flowable:
    """A picture with a thin line round it."""
    box = Table([[part]], hAlign="LEFT")
    box.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 0.5, RULE)]))
    return box


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    widths_mm: Sequence[float],
    *,
    right: Sequence[int] = (),
) -> Flowable:
    """A table with its head repeated on each page; the columns in `right` hold numbers."""
    return _table([list(head), *map(list, rows)], widths_mm, right=right, head=True)


def pairs(rows: Sequence[tuple[str, str]], *, name_mm: float = 44.0) -> Flowable:
    """Names and what they stand for, one a line."""
    return _table([list(row) for row in rows], (name_mm, WIDTH_MM - name_mm), right=(), head=False)


def _table(
    cells: list[list[str]], widths_mm: Sequence[float], *, right: Sequence[int], head: bool
) -> Flowable:
    def cell(words: str, row: int, column: int) -> Flowable:
        named = (head and row == 0) or (not head and column == 0)
        style = _style(
            "cell",
            fontSize=8,
            leading=10,
            textColor=QUIET if named else INK,
            alignment=2 if column in right else 0,
            splitLongWords=1,
        )
        return Paragraph(_text(words), style)

    made = Table(
        [[cell(words, r, c) for c, words in enumerate(row)] for r, row in enumerate(cells)],
        colWidths=[width * mm for width in widths_mm],
        repeatRows=1 if head else 0,
        hAlign="LEFT",
    )
    rules: list[tuple[object, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.4),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ]
    if head:
        rules.append(("BACKGROUND", (0, 0), (-1, 0), GROUND))
    made.setStyle(TableStyle(rules))
    return made


def paper(story: Callable[[], list[Flowable]], *, name: str, foot: str) -> bytes:
    """Lay the story out and return the PDF. `foot` stands on each page beside its number.

    `story` is called twice, because the number of pages is only known after the first time. The
    same story gives the same bytes.
    """
    pages = _build(story(), name, foot, None)[1]
    return _build(story(), name, foot, pages)[0]


def _build(story: list[Flowable], name: str, foot: str, pages: int | None) -> tuple[bytes, int]:
    out = BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN + 4 * mm,
        title=name,
        author="bagrelay",
        lang="en",
        invariant=1,
    )

    def draw_foot(canvas: Any, laid: Any) -> None:
        canvas.saveState()
        canvas.setFont(_TEXT, 7)
        canvas.setFillColor(QUIET)
        canvas.drawString(_MARGIN, 12 * mm, shown(foot[:140]))
        canvas.drawRightString(A4[0] - _MARGIN, 12 * mm, f"page {laid.page} of {pages or '?'}")
        canvas.restoreState()

    document.build(story, onFirstPage=draw_foot, onLaterPages=draw_foot)
    return out.getvalue(), document.page
