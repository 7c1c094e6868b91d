"""A template made ready for one printer: every place a whole dot, what never changes drawn once."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from gateway.label.bitmap import Bitmap
from gateway.label.errors import LabelError
from gateway.label.handling_marks import mark
from gateway.label.place_symbol import SymbolStep
from gateway.label.place_text import TextStep
from gateway.label.placed import Dots, Frame, Placed, Sheet
from gateway.label.room import Condition, Filling, Origin, Room, room
from gateway.label.template import (
    Align,
    BoxElement,
    ImageElement,
    Pair,
    RepeatElement,
    SymbolElement,
    Template,
    TextElement,
    parts_of,
)
from gateway.label.turned import turned, turned_sheet
from schemas.station import Printer

_SLACK_MM = 0.5
Rename = tuple[str, str]
"""Inside a repeat: the prefix of a field, and the numbered prefix that stands for it."""


@dataclass(frozen=True, slots=True)
class DotsStep:
    """Something that is the same on every label, drawn where its condition holds."""

    condition: Condition
    placed: Placed


@dataclass(frozen=True, slots=True)
class RepeatStep:
    """The blocks of a repeat, one list of steps each, and the text in place of too many."""

    over: str
    blocks: tuple[tuple["Step", ...], ...]
    more: TextStep | None
    condition: Condition


@dataclass(frozen=True, slots=True)
class MarkStep:
    """A handling mark that a field names."""

    condition: Condition
    name: Filling
    room: Room
    origin: Origin

    def place(self, fields: Mapping[str, str], out: list[Placed]) -> None:
        """Add the mark, where the field names one."""
        name = self.name.fill(fields) if self.condition.holds(fields) else ""
        if name:
            out.append(
                _turned(mark(name, self.room.across, self.room.down, self.origin), self.room)
            )


Step = TextStep | SymbolStep | DotsStep | MarkStep | RepeatStep


@dataclass(frozen=True, slots=True)
class Compiled:
    """A template on one printer. `fixed` never changes; `steps` are placed for each label.

    `layout` is the sheet that the template speaks of, `sheet` the one that the printer sees, which
    is the same turned by `turn`.
    """

    layout: Sheet
    sheet: Sheet
    turn: int
    needs: tuple[str, ...]
    fixed: tuple[Placed, ...]
    steps: tuple[Step, ...]

    def place(self, fields: Mapping[str, str]) -> tuple[list[Placed], tuple[str, ...]]:
        """What changes on this label, and the codes that a scanner must read from it."""
        for name in self.needs:
            if not fields.get(name):
                raise LabelError(f"the label needs the field {name!r}, which is empty")
        out: list[Placed] = []
        scans: list[str] = []
        _place(self.steps, fields, out, scans)
        if self.turn:
            out = [turned(thing, self.layout, self.turn) for thing in out]
        return out, tuple(dict.fromkeys(scans))


def _place(
    steps: tuple[Step, ...], fields: Mapping[str, str], out: list[Placed], scans: list[str]
) -> None:
    for step in steps:
        if isinstance(step, TextStep | MarkStep):
            step.place(fields, out)
        elif isinstance(step, SymbolStep):
            step.place(fields, out, scans)
        elif isinstance(step, RepeatStep):
            _repeat(step, fields, out, scans)
        elif step.condition.holds(fields):
            out.append(step.placed)


def _repeat(
    step: RepeatStep, fields: Mapping[str, str], out: list[Placed], scans: list[str]
) -> None:
    if not step.condition.holds(fields):
        return
    count, room_for = int(fields.get(f"{step.over}.count") or 0), len(step.blocks)
    shown = count if count <= room_for else room_for - 1
    if count > shown and step.more is None:
        raise LabelError(f"{count} of {step.over!r}, the label has room for {room_for}")
    for block in step.blocks[:shown]:
        _place(block, fields, out, scans)
    if count > shown and step.more is not None:
        step.more.place({**fields, "more": str(count - shown)}, out)


@lru_cache(maxsize=256)
def compile_template(template: Template, printer: Printer) -> Compiled:
    """Raises `LabelError` where the template does not go on what the printer has loaded."""
    return _Compiler(template, printer).compiled()


class _Compiler:
    def __init__(self, template: Template, printer: Printer) -> None:
        self.template, self.printer = template, printer
        self.sheet = _sheet(template, printer)

    def compiled(self) -> Compiled:
        body, steps = self.template.body, list[Step]()
        for n, box in enumerate(body.box):
            steps.append(self._box(box, self._origin("box", n), None))
        for n, image in enumerate(body.image):
            steps.append(self._image(image, self._origin("image", n), None))
        for n, text in enumerate(body.text):
            steps.append(self._text(text, self._origin("text", n), None))
        for n, repeat in enumerate(body.repeat):
            steps.append(self._repeat(repeat, n))
        for n, symbol in enumerate(body.symbol):
            steps.append(self._symbol(symbol, self._origin("symbol", n), None))
        fixed: list[Placed] = []
        changing: list[Step] = []
        for step in steps:
            if step.condition != Condition() or isinstance(
                step, SymbolStep | MarkStep | RepeatStep
            ):
                changing.append(step)
            elif isinstance(step, DotsStep):
                fixed.append(step.placed)
            elif step.filling.is_fixed and not isinstance(step.element.type_pt, str):
                step.place({}, fixed)
            else:
                changing.append(step)
        turn = body.turn
        return Compiled(
            self.sheet,
            turned_sheet(self.sheet, turn),
            turn,
            body.needs,
            tuple(turned(thing, self.sheet, turn) for thing in fixed),
            tuple(changing),
        )

    def _origin(self, *path: str | int) -> Origin:
        return Origin(self.template.name, self.template.lines.get(path, 1))

    def _box(self, element: BoxElement, origin: Origin, rename: Rename | None) -> DotsStep:
        place = room(self.sheet, element.at_mm, element.size_mm, 0, origin)
        thick = max(round(element.line_mm * self.sheet.dots_per_mm), 1)
        thick = max(place.width, place.height) if element.fill else thick
        frame = Frame(place.x, place.y, place.width, place.height, thick)
        return DotsStep(_condition(element.when, rename), frame)

    def _text(self, element: TextElement, origin: Origin, rename: Rename | None) -> TextStep:
        sized = element
        if rename and isinstance(element.type_pt, str):
            sized = element.model_copy(update={"type_pt": _renamed(element.type_pt, rename)})
        by_printer = self.template.body.letters == "printer" or not self.printer.font_host_images
        return TextStep(
            _filling(element.text, rename),
            _condition(element.when, rename),
            room(self.sheet, element.at_mm, element.box_mm, element.turn, origin),
            origin,
            sized,
            self.sheet.dots_per_mm,
            resident=by_printer and not element.reverse and not self.template.body.turn,
            images=self.printer.font_host_images or element.reverse,
        )

    def _symbol(self, element: SymbolElement, origin: Origin, rename: Rename | None) -> SymbolStep:
        return SymbolStep(
            _filling(element.data or "", rename),
            tuple((ai, _filling(value, rename)) for ai, value in element.elements),
            _condition(element.when, rename),
            room(self.sheet, element.at_mm, element.box_mm, element.turn, origin),
            origin,
            element,
            self.sheet.dots_per_mm,
        )

    def _image(
        self, element: ImageElement, origin: Origin, rename: Rename | None
    ) -> DotsStep | MarkStep:
        place = room(self.sheet, element.at_mm, element.box_mm, element.turn, origin)
        condition = _condition(element.when, rename)
        if element.mark is None:
            return DotsStep(condition, _turned(_rows(element.rows or "", place, origin), place))
        name = _filling(element.mark, rename)
        if not name.is_fixed:
            return MarkStep(condition, name, place, origin)
        dots = mark(element.mark, place.across, place.down, origin)
        return DotsStep(condition, _turned(dots, place))

    def _repeat(self, element: RepeatElement, number: int) -> RepeatStep:
        blocks = tuple(self._block(element, number, n) for n in range(element.most))
        more = None
        if element.more and element.text:
            first = element.text[0]
            last = first.model_copy(
                update={
                    "at_mm": _shifted(first.at_mm, element, element.most - 1),
                    "text": element.more,
                    "when": (),
                    "align": Align.LEFT,
                    "box_mm": (-3.0, first.box_mm[1] if first.box_mm else -0.001),
                }
            )
            more = self._text(last, self._origin("repeat", number), None)
        return RepeatStep(element.over, blocks, more, _condition(element.when, None))

    def _block(self, element: RepeatElement, number: int, n: int) -> tuple[Step, ...]:
        rename = (f"{element.over}.", f"{element.over}.{n + 1}.")
        steps: list[Step] = []
        for kind in ("box", "text", "symbol", "image"):
            for m, part in enumerate(getattr(element, kind)):
                moved = part.model_copy(update={"at_mm": _shifted(part.at_mm, element, n)})
                origin = self._origin("repeat", number, kind, m)
                steps.append(getattr(self, f"_{kind}")(moved, origin, rename))
        return tuple(steps)


def _turned(dots: Bitmap, place: Room) -> Dots:
    x, y = place.corner(0, 0, dots.width, dots.height)
    return Dots(x, y, dots.turned(place.turn))


def _shifted(at: Pair, element: RepeatElement, n: int) -> Pair:
    dx, dy = element.step_mm
    return at[0] + element.at_mm[0] + n * dx, at[1] + element.at_mm[1] + n * dy


def _sheet(template: Template, printer: Printer) -> Sheet:
    body, d = template.body, printer.dots_per_mm
    least = (
        body.least_width_mm or body.width_mm - _SLACK_MM,
        body.least_height_mm or body.height_mm - _SLACK_MM,
    )
    reach = (min(printer.label_width_mm, printer.head_width_mm), printer.label_height_mm)
    if body.turn in (90, 270):
        reach = reach[::-1]
    for what, needed, has in (("width", least[0], reach[0]), ("height", least[1], reach[1])):
        if has < needed:
            raise LabelError(
                f"template {template.name} needs a label of {needed:.1f} mm {what}, the printer "
                f"reaches {has:.1f} mm of it"
            )
    width, height = min(body.width_mm, reach[0]), min(body.height_mm, reach[1])
    # rounded down: a dot beyond the label prints on the liner, or not at all
    return Sheet(int(width * d + 1e-6), int(height * d + 1e-6), d)


def _renamed(name: str, rename: Rename | None) -> str:
    if rename and name.startswith(rename[0]):
        return rename[1] + name.removeprefix(rename[0])
    return name


def _filling(text: str, rename: Rename | None) -> Filling:
    return Filling(
        tuple(
            (literal, _renamed(name.removesuffix("?"), rename), name.endswith("?"))
            for literal, name in parts_of(text)
        )
    )


def _condition(when: tuple[str, ...], rename: Rename | None) -> Condition:
    wanted: list[tuple[str, str | None]] = []
    unwanted: list[tuple[str, str | None]] = []
    for text in when:
        name, equals, value = text.removeprefix("!").partition("=")
        part = (_renamed(name.strip(), rename), value.strip() if equals else None)
        (unwanted if text.startswith("!") else wanted).append(part)
    return Condition(tuple(wanted), tuple(unwanted))


def _rows(text: str, place: Room, origin: Origin) -> Bitmap:
    lines = [line for line in text.splitlines() if line.strip()]
    if len({len(line) for line in lines}) != 1 or re.search(r"[^#.]", "".join(lines)):
        raise origin.fault("rows are lines of # and . of one length")
    size = min(place.across // len(lines[0]), place.down // len(lines))
    if size < 1:
        raise origin.fault(f"{len(lines[0])} x {len(lines)} dots do not fit the box")
    rows = tuple(int(re.sub("#", "1", line).replace(".", "0"), 2) for line in lines)
    return Bitmap.from_rows(rows, len(lines[0])).enlarged(size, size)
