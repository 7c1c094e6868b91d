"""A finished layout turned as a whole, for stock that passes the head sideways or upside down."""

from dataclasses import replace

from gateway.label.placed import Code, Dots, Frame, Placed, Sheet


def turned_sheet(sheet: Sheet, degrees: int) -> Sheet:
    """The sheet as the printer sees it."""
    if degrees in (0, 180):
        return sheet
    return replace(sheet, width=sheet.height, height=sheet.width)


def turned(thing: Placed, sheet: Sheet, degrees: int) -> Placed:
    """One thing of `sheet`, turned clockwise with it. Text in a printer's own font is not."""
    if degrees == 0:
        return thing
    if isinstance(thing, Dots):
        x, y = _corner(thing, thing.bitmap.width, thing.bitmap.height, sheet, degrees)
        return Dots(x, y, thing.bitmap.turned(degrees))
    if isinstance(thing, Code):
        extent = thing.spec.extent()
        across, down = extent.columns * thing.module, thing.height
        width, height = (across, down) if thing.turn in (0, 180) else (down, across)
        x, y = _corner(thing, width, height, sheet, degrees)
        return replace(thing, x=x, y=y, turn=(thing.turn + degrees) % 360)
    assert isinstance(thing, Frame), "letters of the printer are set upright only"
    x, y = _corner(thing, thing.width, thing.height, sheet, degrees)
    if degrees == 180:
        return replace(thing, x=x, y=y)
    return replace(thing, x=x, y=y, width=thing.height, height=thing.width)


def _corner(thing: Placed, width: int, height: int, sheet: Sheet, degrees: int) -> tuple[int, int]:
    if degrees == 90:
        return sheet.height - thing.y - height, thing.x
    if degrees == 180:
        return sheet.width - thing.x - width, sheet.height - thing.y - height
    return thing.y, sheet.width - thing.x - width
