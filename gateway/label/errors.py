"""What can go wrong with a label. Every message says what, where and what to do."""


class LabelError(Exception):
    """A label was refused. Base of all errors of this package."""


class DataRefused(LabelError):
    """Data breaks the rules of its standard: a check digit, a length, a character set.

    `where` names the GS1 application identifier or the field, for example `(00)`.
    """

    def __init__(self, where: str, what: str) -> None:
        super().__init__(f"{where}: {what}")
        self.where = where
        self.what = what


class SymbolTooLarge(LabelError):
    """A symbol can't fit in the room that it has, quiet zones included. All figures in mm."""

    def __init__(
        self, what: str, *, needed_mm: float, available_mm: float, nearest: str = ""
    ) -> None:
        text = f"{what}: needs {needed_mm:.2f} mm, has {available_mm:.2f} mm"
        super().__init__(f"{text}; {nearest}" if nearest else text)
        self.needed_mm = needed_mm
        self.available_mm = available_mm
        self.nearest = nearest


class TextRefused(LabelError):
    """A text can't be printed as it is: no room for it, or no font that can draw it."""


class TemplateFault(LabelError):
    """A template is wrong. `line` is the line of the file, counted from 1."""

    def __init__(self, template: str, line: int, what: str) -> None:
        super().__init__(f"template {template}, line {line}: {what}")
        self.template = template
        self.line = line
