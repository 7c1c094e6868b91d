"""A symbol in its box: encoded, sized on whole dots, checked against its standard's limits."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.label import fonts, gs1, s10, sizing
from gateway.label.errors import DataRefused, LabelError, SymbolTooLarge
from gateway.label.placed import Code, Dots, Placed
from gateway.label.room import Condition, Filling, Origin, Room
from gateway.label.symbols import (
    GS1_KINDS,
    MATRIX_KINDS,
    Extent,
    Spec,
    Symbology,
    datamatrix_size,
)
from gateway.label.template import Align, Drawn, SymbolElement, Vertical

_READABLE_GAP_MM = 0.8
_LEAST_READABLE_MM = 1.4


@dataclass(slots=True)
class SymbolStep:
    """A symbol element on one sheet."""

    data: Filling
    elements: tuple[tuple[str, Filling], ...]
    condition: Condition
    room: Room
    origin: Origin
    element: SymbolElement
    dots_per_mm: float
    _fitted: dict[tuple[int, int], sizing.Fitted] = field(default_factory=dict, init=False)

    def place(self, fields: Mapping[str, str], out: list[Placed], scans: list[str]) -> None:
        """Add the symbol, its figures, and what a scanner must read.

        Raises `DataRefused` or `SymbolTooLarge`.
        """
        if not self.condition.holds(fields):
            return
        try:
            self._place(fields, out, scans)
        except (DataRefused, SymbolTooLarge) as refused:
            refused.add_note(f"template {self.origin.template}, line {self.origin.line}")
            raise

    def _place(self, fields: Mapping[str, str], out: list[Placed], scans: list[str]) -> None:
        spec, readable = self._spec(fields)
        extent = spec.extent()
        fitted = self._fit(extent)
        room, quiet = self.room, fitted.quiet_across
        figures = self._figures_height()
        tall = fitted.height + 2 * fitted.quiet_down
        left = _aligned(self.element.align, room.across, fitted.width + 2 * quiet) + quiet
        top = _upright(self.element.vertical, room.down - figures, tall) + fitted.quiet_down
        x, y = room.corner(left, top, fitted.width, fitted.height)
        code = Code(x, y, spec, fitted.module, fitted.height, room.turn)
        out.append(code.drawn() if self.element.drawn is Drawn.HOST else code)
        if figures:
            self._figures(readable, left + fitted.width // 2, top + fitted.height, out)
        if self.element.scan:
            scans.append(extent.scan)

    def _spec(self, fields: Mapping[str, str]) -> tuple[Spec, str]:
        element = self.element
        kind = element.kind
        if self.elements:
            pairs = [(ai, filling.fill(fields)) for ai, filling in self.elements]
            pairs = [(ai, value) for ai, value in pairs if value]
            if element.link is not None:
                data = gs1.digital_link(pairs, element.link)
            else:
                data = gs1.message(pairs)
            readable = " ".join([f"({ai}) {value}" for ai, value in pairs])
        else:
            data = readable = self.data.fill(fields)
            if element.check == "s10":
                s10.check(data)
        if not data:
            raise LabelError(f"{kind.value}: there is nothing to encode")
        size = 0
        if kind in (Symbology.DATAMATRIX, Symbology.GS1_DATAMATRIX) and data.isascii():
            size = datamatrix_size(data, is_gs1=kind in GS1_KINDS)
        return Spec(kind, data, element.level, size, element.columns), readable

    def _fit(self, extent: Extent) -> sizing.Fitted:
        key = (extent.columns, extent.rows)
        known = self._fitted.get(key)
        if known is None:
            room = (self.room.across, self.room.down - self._figures_height())
            known = sizing.fit(
                extent,
                self.element.use,
                self.dots_per_mm,
                room,
                module_mm=self.element.module_mm,
                height_mm=self.element.height_mm,
            )
            if len(self._fitted) < 1000:
                self._fitted[key] = known
        return known

    def _figures_height(self) -> int:
        if self.element.readable_mm is None or self.element.kind in MATRIX_KINDS:
            return 0
        return round((self.element.readable_mm + _READABLE_GAP_MM) * self.dots_per_mm)

    def _figures(self, text: str, middle: int, below: int, out: list[Placed]) -> None:
        d = self.dots_per_mm
        size = round((self.element.readable_mm or 0) * d / fonts.CAPITAL_SHARE)
        least = round(_LEAST_READABLE_MM * d / fonts.CAPITAL_SHARE)
        text = fonts.tidy("".join(c if c.isprintable() else " " for c in text))
        while (wide := fonts.width(text, size, False)) > self.room.across:
            size -= 1
            if size < least:
                raise SymbolTooLarge(
                    "figures below the symbol",
                    needed_mm=wide / d,
                    available_mm=self.room.across / d,
                    nearest="widen the box or leave readable_mm out",
                )
        cut, line = fonts.line(text, size, False)
        own = fonts.letters(size, False)
        y = round(below + _READABLE_GAP_MM * d + size * fonts.CAPITAL_SHARE - own.ascent) + cut
        left = min(max(middle - wide // 2, 0), self.room.across - wide)
        x, top = self.room.corner(left, y, line.width, line.height)
        out.append(Dots(x, top, line.turned(self.room.turn)))


def _aligned(align: Align, room: int, width: int) -> int:
    match align:
        case Align.CENTER:
            return (room - width) // 2
        case Align.RIGHT:
            return room - width
        case _:
            return 0


def _upright(vertical: Vertical, room: int, height: int) -> int:
    spare = room - height
    return {Vertical.TOP: 0, Vertical.MIDDLE: spare // 2, Vertical.BOTTOM: spare}[vertical]
