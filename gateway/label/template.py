"""Label templates: a TOML file in millimetres, checked with line numbers.

Positions are `[x, y]` from the top left corner; a negative number counts from the right or bottom
edge. A box is `[width, height]`; a negative number reaches to that far from the edge. Text and data
take fields in braces, `{order_id}`; `{name?}` may be missing. `when = "routing"` draws an element
only where that field holds something, `when = "service=express"` only where it holds just that; an
exclamation mark in front turns either round, and all of a list must hold.
"""

import hashlib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from gateway.label.errors import LabelError, TemplateFault
from gateway.label.symbols import GS1_KINDS, Symbology

Turn = Literal[0, 90, 180, 270]
Pair = tuple[float, float]
Positive = Annotated[float, Field(gt=0, le=1000)]


class Align(StrEnum):
    """Where content lies in its box, across."""

    START = "start"
    """Where the line's own writing starts: at the left, Hebrew and Arabic at the right."""
    LEFT = "left"
    CENTER = "center"
    RIGHT = "right"


class Vertical(StrEnum):
    """Where content lies in its box, up and down."""

    TOP = "top"
    MIDDLE = "middle"
    BOTTOM = "bottom"


class Use(StrEnum):
    """What a symbol is for: it sets the range of its module and its least height."""

    LOGISTIC = "logistic"
    TRADE = "trade"
    RETAIL = "retail"
    INTERNAL = "internal"


class Drawn(StrEnum):
    """Who turns a symbol into dots."""

    BEST = "best"
    """The printer where its command fixes every dot, else the host.

    Left to the host in ZPL: QR, which printers shift by a bar height left over from elsewhere;
    PDF417, whose rows depend on how a printer packs text; EAN and UPC, whose guard bars some
    printers lengthen."""
    HOST = "host"


class _Element(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    at_mm: Pair
    when: tuple[str, ...] = ()
    """All must hold."""

    @model_validator(mode="before")
    @classmethod
    def _one_condition(cls, data: Any) -> Any:
        if isinstance(data, dict) and isinstance(data.get("when"), str):
            return {**data, "when": [data["when"]]}
        return data


class TextElement(_Element):
    """Text of one or more lines; a line that comes out empty is left out."""

    text: str
    box_mm: Pair | None = None
    """Left out: to the right and bottom edge of the label."""
    capital_mm: Positive | None = None
    """Height of a capital letter; or state `type_pt`."""
    type_pt: float | str | None = None
    """Type size in points of 1/72 in, or the field that holds it. Never set smaller than that."""
    grow: bool = False
    """With `type_pt`: set up to twice as large where the box has room."""
    least_mm: Positive | None = None
    """Capitals may shrink to this height where the text is too long. Left out: never smaller."""
    wrap: bool = False
    spacing: Annotated[float, Field(ge=0.9, le=3)] = 1.15
    """From line to line, in type sizes."""
    bold: bool = False
    align: Align = Align.START
    vertical: Vertical = Vertical.TOP
    turn: Turn = 0
    reverse: bool = False
    """White on a black box."""
    overflow: Literal["refuse", "cut"] = "refuse"
    """Text that does not fit refuses the label, or is cut with an ellipsis."""

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if (self.capital_mm is None) == (self.type_pt is None):
            raise ValueError("state capital_mm or type_pt, one of them")
        if self.reverse and self.box_mm is None:
            raise ValueError("reverse needs box_mm")
        return self


class BoxElement(_Element):
    """A frame, a filled rectangle, or a rule."""

    size_mm: Pair
    line_mm: Positive = 0.375
    fill: bool = False


class SymbolElement(_Element):
    """A bar code in a box that includes its quiet zones."""

    kind: Symbology
    box_mm: Pair
    data: str | None = None
    elements: tuple[tuple[str, str], ...] = ()
    """GS1 application identifiers and values, for the GS1 kinds and for `link`."""
    link: str | None = None
    """Base of a GS1 Digital Link that is made of `elements`."""
    check: Literal["s10"] | None = None
    """Prove the data before it is encoded: `s10` for postal item identifiers."""
    use: Use = Use.INTERNAL
    module_mm: Positive | None = None
    """Left out: the widest that fits and that the use allows."""
    height_mm: Positive | None = None
    """Bars only. Left out: what the box allows."""
    readable_mm: Positive | None = None
    """Height of the figures below the bars; left out, there are none."""
    level: str = ""
    columns: Annotated[int, Field(ge=0, le=30)] = 0
    align: Align = Align.CENTER
    vertical: Vertical = Vertical.TOP
    turn: Turn = 0
    drawn: Drawn = Drawn.BEST
    scan: bool = True
    """A scanner must read it from the finished label."""

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if self.kind in GS1_KINDS and not (self.elements and self.data is None):
            raise ValueError(f"{self.kind.value} takes elements, not data")
        if self.kind not in GS1_KINDS and (self.data is None) == (self.link is None):
            raise ValueError(f"{self.kind.value} takes data, or elements with link")
        if self.link is not None and not self.elements:
            raise ValueError("link needs elements")
        return self


class ImageElement(_Element):
    """A handling mark of ours by name (or `{field}`), or dots drawn as `#` and `.` in `rows`."""

    box_mm: Pair
    mark: str | None = None
    rows: str | None = None
    turn: Turn = 0

    @model_validator(mode="after")
    def _one_image(self) -> Self:
        if (self.mark is None) == (self.rows is None):
            raise ValueError("state mark or rows, one of them")
        return self


class RepeatElement(_Element):
    """A block drawn once for each of `over.1`, `over.2` ...: inside, `{over.x}` is that one's."""

    over: Annotated[str, Field(pattern=r"^[a-z_]+$")]
    step_mm: Pair
    most: Annotated[int, Field(ge=1, le=200)]
    more: str = ""
    """Text drawn in place of the last block where there are more; `{more}` counts them.
    Left out, a label with more is refused: nothing is dropped in silence."""
    text: tuple[TextElement, ...] = ()
    box: tuple[BoxElement, ...] = ()
    symbol: tuple[SymbolElement, ...] = ()
    image: tuple[ImageElement, ...] = ()


class Body(BaseModel):
    """The whole file."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    title: str = ""
    width_mm: Positive
    height_mm: Positive
    least_width_mm: Positive | None = None
    least_height_mm: Positive | None = None
    """The smallest label it may be printed on; left out, half a millimetre less than stated."""
    turn: Turn = 0
    """The whole label, clockwise: its width and height are those before turning."""
    needs: tuple[str, ...] = ()
    """Fields that must hold something."""
    letters: Literal["host", "printer"] = "host"
    """host: text goes as dots, alike on every printer; printer: its own font draws plain Latin."""
    box: tuple[BoxElement, ...] = ()
    text: tuple[TextElement, ...] = ()
    symbol: tuple[SymbolElement, ...] = ()
    image: tuple[ImageElement, ...] = ()
    repeat: tuple[RepeatElement, ...] = ()


@dataclass(frozen=True, slots=True)
class Template:
    """A checked template. `digest` names its exact text."""

    name: str
    body: Body
    digest: str
    lines: Mapping[tuple[int | str, ...], int]
    """Line of each element, by its path: `("text", 3)` is the fourth text."""

    def __hash__(self) -> int:
        return hash((self.name, self.digest))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Template) and (self.name, self.digest) == (
            other.name,
            other.digest,
        )


def load_template(text: str, name: str) -> Template:
    """Read a template file. Raises `TemplateFault` with the line of the first fault."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        found = re.search(r"line (\d+)", str(fault))
        line = int(found[1]) if found else text.count("\n") + 1
        raise TemplateFault(name, line, f"no TOML: {fault}") from fault
    lines = _Lines(text)
    try:
        body = Body.model_validate(raw)
    except ValidationError as fault:
        first = min(fault.errors(), key=lambda e: lines.of(e["loc"]))
        where = ".".join(str(part) for part in first["loc"])
        said = first["msg"].removeprefix("Value error, ")
        raise TemplateFault(name, lines.of(first["loc"]), f"{where}: {said}") from fault
    for path, content in _texts(raw):
        if problem := _bad_braces(content):
            raise TemplateFault(name, lines.of(path), f"{'.'.join(map(str, path))}: {problem}")
    return Template(name, body, hashlib.sha256(text.encode()).hexdigest(), lines.at)


def builtin_names() -> tuple[str, ...]:
    """Names of the templates that come with the gateway."""
    files = (resources.files("gateway.label") / "templates").iterdir()
    return tuple(sorted(f.name.removesuffix(".toml") for f in files if f.name.endswith(".toml")))


@cache
def builtin_template(name: str) -> Template:
    """A template that comes with the gateway. Raises `LabelError` for a name that is not there."""
    if name not in builtin_names():
        raise LabelError(f"there is no template {name!r}; there are {', '.join(builtin_names())}")
    file = resources.files("gateway.label") / "templates" / f"{name}.toml"
    return load_template(file.read_text("utf-8"), name)


_FIELD = re.compile(r"\{([a-z][a-z0-9_.-]*\??)\}")


def parts_of(text: str) -> tuple[tuple[str, str], ...]:
    """A text as (literal, field) pairs; the last pair's field is empty."""
    pieces = _FIELD.split(text)
    return tuple(zip(pieces[0::2], [*pieces[1::2], ""], strict=True))


def field_names(template: Template) -> frozenset[str]:
    """Fields that must be there. Those of repeated blocks and optional ones are not among them."""
    body = template.body.model_dump(exclude={"repeat"})
    named = {name for _, text in _texts(body) for _, name in parts_of(text)}
    counts = {f"{repeat.over}.count" for repeat in template.body.repeat}
    sizes = {t.type_pt for t in template.body.text if isinstance(t.type_pt, str)}
    return frozenset({name for name in named if name and not name.endswith("?")} | counts | sizes)


def _bad_braces(text: str) -> str:
    rest = _FIELD.sub("", text)
    if "{" in rest or "}" in rest:
        return "braces hold a field name of small letters, digits and . _ - such as {order_id}"
    return ""


def _texts(node: Any, path: tuple[int | str, ...] = ()) -> list[tuple[tuple[int | str, ...], str]]:
    if isinstance(node, str):
        return [(path, node)]
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if _is_row(node) else ()
    return [found for key, child in pairs for found in _texts(child, (*path, key))]


def _is_row(node: Any) -> bool:
    return isinstance(node, list | tuple)


class _Lines:
    """Where each key of a TOML text stands: the library does not say."""

    def __init__(self, text: str) -> None:
        self.at: dict[tuple[int | str, ...], int] = {(): 1}
        counts: dict[tuple[str, ...], int] = {}
        table: tuple[int | str, ...] = ()
        quote = ""
        for number, line in enumerate(text.splitlines(), 1):
            if quote:
                quote = "" if quote in line else quote
                continue
            if header := re.match(r"\s*\[\[([\w.-]+)\]\]", line):
                table = self._next(tuple(header[1].split(".")), counts)
                self.at[table] = number
            elif header := re.match(r"\s*\[([\w.-]+)\]", line):
                table = tuple(header[1].split("."))
                self.at[table] = number
            elif key := re.match(r"\s*([\w-]+)\s*=\s*(.*)", line):
                self.at[*table, key[1]] = number
                for mark in ('"""', "'''"):
                    if key[2].startswith(mark) and mark not in key[2][3:]:
                        quote = mark

    @staticmethod
    def _next(name: tuple[str, ...], counts: dict[tuple[str, ...], int]) -> tuple[int | str, ...]:
        counts[name] = counts.get(name, -1) + 1
        for inner in [n for n in counts if n[: len(name)] == name and n != name]:
            del counts[inner]
        path: list[int | str] = []
        for depth in range(1, len(name) + 1):
            path.append(name[depth - 1])
            if name[:depth] in counts:
                path.append(counts[name[:depth]])
        return tuple(path)

    def of(self, path: tuple[int | str, ...]) -> int:
        """Line of a path, or of the nearest thing around it."""
        while path not in self.at:
            path = path[:-1]
        return self.at[path]
