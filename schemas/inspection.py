"""What was found in a label that the WMS supplied, before anything prints."""

from enum import StrEnum
from typing import Annotated

from pydantic import ConfigDict, Field

from schemas.base import Record
from schemas.order import LabelLanguage


class Severity(StrEnum):
    """How much a finding weighs: an error keeps the label from printing."""

    ERROR = "error"
    WARNING = "warning"
    INFO = "info"


class FindingCode(StrEnum):
    """The closed set of things that can be wrong with a supplied label."""

    TOO_LARGE = "too_large"
    """The stream goes beyond a limit of the reader; nothing of it may print."""
    NO_LABEL = "no_label"
    SEVERAL_LABELS = "several_labels"
    QUANTITY = "quantity"
    UNCLOSED_LABEL = "unclosed_label"
    """The stream ends inside a label: the printer would wait and merge it with the next one."""
    FORBIDDEN_COMMAND = "forbidden_command"
    """It changes the printer, its memory or its network, moves film, or asks for a reply."""
    ALLOWED_COMMAND = "allowed_command"
    """The same, allowed by the site by name."""
    LASTING_SETTING = "lasting_setting"
    """It stays in force for later labels until it is set again or the power goes."""
    UNKNOWN_COMMAND = "unknown_command"
    NOT_DRAWN = "not_drawn"
    """Known, and this reader can't draw it: the picture lacks it."""
    STRAY_DATA = "stray_data"
    """Bytes outside any command."""
    MISSING_OBJECT = "missing_object"
    """It recalls a format or an image that is not in the stream."""
    BAD_GRAPHIC = "bad_graphic"
    BAD_PARAMETER = "bad_parameter"
    CHARACTER_SET = "character_set"
    OFF_LABEL = "off_label"
    CUT = "cut"
    SIZE_MISMATCH = "size_mismatch"
    HEAD_TOO_NARROW = "head_too_narrow"
    DPI_MISMATCH = "dpi_mismatch"
    CHECK_DIGIT_WRONG = "check_digit_wrong"
    CHECK_DIGIT_MISSING = "check_digit_missing"
    SYMBOL_DATA = "symbol_data"
    """The printer can't encode the data as it stands, or would change it."""
    GS1_STRUCTURE = "gs1_structure"
    MODULE_TOO_THIN = "module_too_thin"
    QUIET_ZONE = "quiet_zone"
    SYMBOL_TOO_LOW = "symbol_too_low"
    SYMBOL_TOO_LONG = "symbol_too_long"
    OVERPRINTED = "overprinted"
    """Another mark runs through a bar code."""
    INVERSE = "inverse"
    """White bars on black."""
    CODE_IN_USE = "code_in_use"
    LANGUAGE_MISMATCH = "language_mismatch"


class _Found(Record):
    """Scanned data may begin or end with white space that counts, so nothing is trimmed here."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, str_strip_whitespace=False
    )


class Finding(_Found):
    """One thing that a person should know. `offset` counts bytes from the start of the stream."""

    code: FindingCode
    severity: Severity
    message: str
    offset: Annotated[int, Field(ge=0)]


class SizeFrom(StrEnum):
    """Where a figure came from."""

    STREAM = "stream"
    PRINTER = "printer"
    STATED = "stated"
    CONTENT = "content"
    """Nobody states it: the furthest printed dot."""
    GUESS = "guess"


class InspectedSymbol(_Found):
    """A bar code as it will stand on the label; x and y are its left and top edges."""

    symbology: str
    data: str
    """What a scanner reports, with GS (0x1D) between GS1 elements and no symbology prefix."""
    gs1: bool = False
    x_mm: float
    y_mm: float
    width_mm: float
    """Extent across the label, bars or modules only, without quiet zones."""
    height_mm: float
    """Extent down the label, bars or modules only."""
    module_mm: float
    rotation: int = 0
    """Clockwise, in degrees."""
    identifies: bool = True
    """False for codes that many parcels share: a postal route, an item's GTIN."""
    from_image: bool = False
    """Read out of an image in the label, its place and module measured, instead of a command."""
    offset: int = 0


class InspectedText(_Found):
    """A printed text; x and y are its anchor as the stream states it."""

    text: str
    x_mm: float
    y_mm: float
    height_mm: float
    rotation: int = 0
    offset: int = 0


class InspectedImage(_Found):
    """A bitmap in the stream."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    offset: int = 0


class InspectedLabel(_Found):
    """One label of the stream."""

    width_mm: float
    height_mm: float
    size_from: SizeFrom
    quantity: int = 1
    """Copies that the stream asks the printer for."""
    symbols: tuple[InspectedSymbol, ...] = ()
    texts: tuple[InspectedText, ...] = ()
    images: tuple[InspectedImage, ...] = ()
    expected_scans: tuple[str, ...] = ()
    """Codes that prove this label; those that others share only where it has no other."""
    findings: tuple[Finding, ...] = ()


class UnknownCommand(_Found):
    """A command that the reader doesn't know, with the number of its uses."""

    command: str
    count: int
    offset: int
    """Of its first use."""


class Inspection(_Found):
    """The whole stream. `findings` holds all of them; a label repeats those that are its own."""

    language: LabelLanguage
    dots_per_mm: float
    dots_per_mm_from: SizeFrom
    labels: tuple[InspectedLabel, ...] = ()
    findings: tuple[Finding, ...] = ()
    unknown_commands: tuple[UnknownCommand, ...] = ()

    @property
    def may_print(self) -> bool:
        """No finding is an error."""
        return all(found.severity is not Severity.ERROR for found in self.findings)

    @property
    def expected_scans(self) -> tuple[str, ...]:
        """Codes of all labels, each once, in reading order."""
        return tuple(dict.fromkeys(code for label in self.labels for code in label.expected_scans))
