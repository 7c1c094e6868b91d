"""What a supplied stream puts on a label: marks in whole dots, the same for every language.

Origin is the label's top left corner; x grows to the right, y downwards. A mark states where it
stands after its command's own anchor and rotation rules were applied.
"""

from dataclasses import dataclass, field

from schemas.inspection import Finding, FindingCode, Severity

MAX_BYTES = 2_000_000
"""The contract's limit for a supplied label; a longer stream is refused unread."""
MAX_LABELS = 50
MAX_COMMANDS = 20_000
MAX_MARKS = 2_000
MAX_SYMBOLS = 100
"""Of the whole stream, like the other limits: a crowded label has a dozen."""
MAX_FIELD_BYTES = 8_000
"""Longest data of one field; the largest symbol, QR, holds 7089 digits (ISO/IEC 18004)."""
MAX_IMAGE_BYTES = 4_000_000
"""Decoded image bytes of the whole stream: 4 x 6 in at 600 dpi is 1.1 million."""
MAX_DOTS = 32_000
"""Furthest coordinate that either language can state."""
MAX_FINDINGS = 500


class StreamTooLarge(Exception):
    """The stream goes beyond a limit; what was read until then is worth nothing."""

    def __init__(self, what: str, offset: int) -> None:
        super().__init__(what)
        self.offset = offset


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in dots: left, top, width, height."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        return self.x + self.width

    @property
    def bottom(self) -> int:
        return self.y + self.height

    def turned_over(self, width: int, height: int) -> "Box":
        """The same box after the label was turned by 180 degrees."""
        return Box(width - self.right, height - self.bottom, self.width, self.height)


@dataclass(frozen=True, slots=True)
class Symbol:
    """A bar code before it is placed, upright. Lengths in dots.

    `runs` holds the widths of bars and spaces, a bar first, of a linear symbol; `rows`
    the modules of a two-dimensional one, one integer a row, leftmost in the highest of `columns`
    bits. Both are empty if this reader can't draw it.
    """

    symbology: str
    data: str
    module: int
    width: int
    height: int
    gs1: bool = False
    runs: tuple[int, ...] = ()
    rows: tuple[int, ...] = ()
    columns: int = 0
    module_down: int = 0
    """Height of a module where it differs from its width."""
    ratio: float = 3.0
    troubles: tuple[tuple[FindingCode, Severity, str], ...] = ()

    @property
    def linear(self) -> bool:
        return not self.rows


@dataclass(frozen=True, slots=True)
class SymbolMark:
    """A bar code in its place; `caption` is the text line that the printer adds."""

    symbol: Symbol
    box: Box
    rotation: int
    offset: int
    caption: str = ""
    caption_above: bool = False
    reverse: bool = False


@dataclass(frozen=True, slots=True)
class Block:
    """Wrapping of a text field."""

    width: int
    lines: int
    spacing: int
    align: str
    indent: int


@dataclass(frozen=True, slots=True)
class TextMark:
    """A text at its anchor: its top left corner or the start of its baseline, turned with it."""

    text: str
    x: int
    y: int
    font: str
    height: int
    width: int
    """Of a character cell; 0 = in proportion to the height."""
    rotation: int
    offset: int
    from_baseline: bool = False
    right_aligned: bool = False
    fixed_pitch: bool = False
    block: Block | None = None
    reverse: bool = False
    """Turns white what it crosses where that is black."""
    on_black: bool = False
    """White letters in a black box of their own."""
    about_corner: bool = False
    """Turned about its own top left corner, which stays at x, y."""


@dataclass(frozen=True, slots=True)
class ShapeMark:
    """A box, circle or ellipse: its outer edge and the thickness of its line."""

    kind: str
    """box, ellipse, rising (/) or falling (\\)."""
    box: Box
    thickness: int
    white: bool
    rounding: int
    offset: int
    reverse: bool = False


@dataclass(frozen=True, slots=True)
class ImageMark:
    """A bitmap, 1 = black, most significant bit leftmost, `stride` bytes per row."""

    box: Box
    stride: int
    data: bytes
    offset: int
    scale_x: int = 1
    scale_y: int = 1
    reverse: bool = False


Mark = SymbolMark | TextMark | ShapeMark | ImageMark


@dataclass(frozen=True, slots=True)
class ReadLabel:
    """One label: marks in printing order. Sizes are None where the stream does not state them."""

    marks: tuple[Mark, ...]
    width: int | None
    height: int | None
    quantity: int
    offset: int
    turned: bool = False
    """Printed upside down as a whole."""
    mirrored: bool = False
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadStream:
    """A whole stream: labels, what the reader could not vouch for, commands by their first use."""

    labels: tuple[ReadLabel, ...]
    findings: tuple[Finding, ...]
    unknown: dict[str, tuple[int, int]]
    """Command to number of uses and offset of the first."""


@dataclass(slots=True)
class Notes:
    """Collects findings while reading, up to a limit. Raises `StreamTooLarge` beyond it."""

    found: list[Finding] = field(default_factory=list)
    unknown: dict[str, tuple[int, int]] = field(default_factory=dict)

    def add(self, code: FindingCode, severity: Severity, message: str, offset: int) -> None:
        if len(self.found) >= MAX_FINDINGS:
            raise StreamTooLarge(f"more than {MAX_FINDINGS} findings", offset)
        self.found.append(
            Finding(code=code, severity=severity, message=message, offset=max(offset, 0))
        )

    def error(self, code: FindingCode, message: str, offset: int) -> None:
        self.add(code, Severity.ERROR, message, offset)

    def warn(self, code: FindingCode, message: str, offset: int) -> None:
        self.add(code, Severity.WARNING, message, offset)

    def judge(self, name: str, effect: str, offset: int, *, allowed: bool) -> None:
        """A command that reaches beyond the label: refused, unless the site allows it."""
        if allowed:
            text = f"{name} {effect}; the site allows it"
            self.add(FindingCode.ALLOWED_COMMAND, Severity.INFO, text, offset)
        else:
            text = f"{name} {effect}; the site does not allow it"
            self.error(FindingCode.FORBIDDEN_COMMAND, text, offset)

    def unknown_command(self, name: str, offset: int) -> None:
        count, first = self.unknown.get(name, (0, offset))
        self.unknown[name] = (count + 1, first)
        if len(self.unknown) > MAX_FINDINGS:
            raise StreamTooLarge(f"more than {MAX_FINDINGS} unknown commands", offset)

    def take(self, since: int) -> tuple[Finding, ...]:
        """Remove and return the findings from position `since` on: those of one label."""
        taken = tuple(self.found[since:])
        del self.found[since:]
        return taken
