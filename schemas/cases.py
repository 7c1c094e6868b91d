"""Mislabel cases: what went wrong with a label, what was found, and what else it may touch."""

from enum import StrEnum

from schemas.base import Instant, JobId, Note, OrderId, ParcelId, Person, Record, StationId
from schemas.job import JobState
from schemas.ledger import LedgerEntry


class CaseKind(StrEnum):
    """What a case is about."""

    SHIFTED_ROW = "shifted_row"
    """A printed bag went missing, so that each after it bore its neighbour's label."""
    WRONG_ORDER = "wrong_order"
    """The label of another order was on the bag."""
    REPEATED_LABEL = "repeated_label"
    """A label that had been verified was read again, from another bag."""
    NO_READ = "no_read"
    """The scanner tried and read nothing until the station was held."""
    UNREADABLE = "unreadable"
    """A person looked: the print itself can't be read."""
    WRONG_STATION = "wrong_station"
    """The label belongs to a bag of another station."""
    STALE_LABEL = "stale_label"
    """The label was void or cancelled and should not exist any more."""
    SUPPLIED_LABEL_WRONG = "supplied_label_wrong"
    """A label that the WMS supplied can't be used."""
    CATALOGUE_SIZE_WRONG = "catalogue_size_wrong"
    """A measured size contradicts the catalogue."""
    FOREIGN_CODE = "foreign_code"
    """A code was read that no label of ours carries: often the goods' own."""
    LEFT_UNSCANNED = "left_unscanned"
    """A bag left the loading position without its verifying scan."""


class CaseState(StrEnum):
    """Where a case stands."""

    OPEN = "open"
    EXPLAINED = "explained"
    """A person said what had happened; something is still to be done."""
    CLOSED = "closed"


class Case(Record):
    """One case."""

    case_id: str
    kind: CaseKind
    state: CaseState
    opened: Instant
    changed: Instant
    closed: Instant | None = None
    station: StationId | None = None
    order_id: OrderId | None = None
    job_id: JobId | None = None
    code: str | None = None
    """The code that was read, or the article whose size is in dispute."""
    text: str
    """What was seen, in one sentence."""
    note: str = ""
    """What a person said of it last."""
    by: str = ""


class AffectedWhy(StrEnum):
    """Why a bag could be affected."""

    MISSING = "missing"
    """It was printed, lay before the bag that was read, and nobody knows where it is."""
    HELD_THE_GOODS = "held_the_goods"
    """It was due at the loading position: its goods may lie in a bag with another label."""
    BEHIND = "behind"
    """It lay further back in the row that was one place off."""
    LEFT_UNSCANNED = "left_unscanned"
    """It went since the last right scan, and no scan proved it."""
    PRINTED_SINCE = "printed_since"
    """It was printed before a scan proved the row right again."""


class AffectedBag(Record):
    """A bag that the same fault could have touched, and how it stands."""

    job_id: JobId
    order_id: OrderId
    parcel_id: ParcelId
    state: JobState
    """How it stands now."""
    why: AffectedWhy
    settled: bool
    """A later scan or a void has settled it."""


class Affected(Record):
    """Every bag that could be affected, between two scans that proved the row right."""

    station: StationId
    from_seq: int
    """The ledger's entry after which nothing is sure."""
    to_seq: int | None
    """The entry that proved the row right again; empty while none has."""
    bags: tuple[AffectedBag, ...]


class CaseStory(Record):
    """A case with its chain of entries and what it could touch."""

    case: Case
    entries: tuple[LedgerEntry, ...]
    affected: Affected | None


class CaseNote(Record):
    """What a person says of a case; a kind only where the case turned out to be another."""

    note: Note
    by: Person
    kind: CaseKind | None = None


class FoundKind(StrEnum):
    """What a search found."""

    ORDER = "order"
    PARCEL = "parcel"
    JOB = "job"
    STATION = "station"
    CASE = "case"
    MOMENT = "moment"


class Found(Record):
    """One answer of the search box."""

    kind: FoundKind
    id: str
    title: str
    text: str
    at: Instant | None = None


class SearchAnswer(Record):
    """What a search understood the query to be, and what it found."""

    query: str
    understood_as: str
    found: tuple[Found, ...]
