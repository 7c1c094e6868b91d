"""From a decision to labels: our own, or those that the WMS supplied, checked either way."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256

import orjson
from pydantic import JsonValue

from gateway.label import (
    LabelError,
    Template,
    builtin_template,
    item_fields,
    make,
    parcel_fields,
    sscc,
)
from gateway.label.inspect import inspect
from schemas.decision import Decision, Parcel, Reason, ReasonCode
from schemas.inspection import Severity
from schemas.order import Order, Purpose, SuppliedLabel
from schemas.rules import WarningText
from schemas.site import Site
from schemas.station import Station


@dataclass(frozen=True, slots=True)
class ReadyLabel:
    """A label in the printer's language, with the codes that a scanner must read from it."""

    language: str
    content: bytes
    sha256: str
    expected_scans: tuple[str, ...]
    sscc: str | None
    supplied: bool


class NoLabel(Exception):
    """No label can be had for this order; the reason sends it to manual packing."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.text)
        self.reason = reason


class Labeller:
    """Builds or checks labels for the stations of one site."""

    def __init__(self, site: Site, templates: Mapping[str, Template]) -> None:
        self._site = site
        self._templates = dict(templates)
        self._services = {service.id: service for service in site.service}
        self._warnings: dict[str, WarningText] = {warning.id: warning for warning in site.warning}

    def needs_serials(self, order: Order, decision: Decision) -> int:
        """How many SSCC serials the order's labels will use."""
        if order.labels or order.purpose is Purpose.INBOUND:
            return 0
        return len(decision.parcels)

    def labels(
        self,
        order: Order,
        decision: Decision,
        station: Station,
        serials: Sequence[int],
        *,
        reprint: int = 0,
        place: tuple[int, int] | None = None,
    ) -> list[ReadyLabel]:
        """One label for each parcel of the decision. Raises `NoLabel`.

        `place` is the number of the first parcel and how many the order has, where the decision
        holds but a part of them.
        """
        if order.labels:
            return [self._supplied(label, station) for label in self._matched(order, decision)]
        try:
            if order.purpose is Purpose.INBOUND:
                return [self._item(order, parcel, station) for parcel in decision.parcels]
            first, of = place or (1, len(decision.parcels))
            return [
                self._parcel(order, parcel, station, serial, number, of, reprint)
                for number, (parcel, serial) in enumerate(
                    zip(decision.parcels, serials, strict=True), start=first
                )
            ]
        except LabelError as error:
            raise NoLabel(
                Reason(code=ReasonCode.LABEL_REFUSED, text=f"No label can be made: {error}")
            ) from error

    def _matched(self, order: Order, decision: Decision) -> Sequence[SuppliedLabel]:
        if len(order.labels) != len(decision.parcels):
            raise NoLabel(
                Reason(
                    code=ReasonCode.PARCELS_NOT_LABELLED,
                    text=(
                        f"The order makes {len(decision.parcels)} parcels, and the WMS supplied "
                        f"{len(order.labels)} labels."
                    ),
                    needed=len(decision.parcels),
                    available=len(order.labels),
                    unit="labels",
                )
            )
        return order.labels

    def _template(self, order: Order, station: Station) -> Template:
        service = self._services.get(order.service or "")
        name = station.label_template or (service.label_template if service else "parcel-4x6")
        known = self._templates.get(name)
        return known if known is not None else builtin_template(name)

    def _parcel(
        self,
        order: Order,
        parcel: Parcel,
        station: Station,
        serial: int,
        number: int,
        of: int,
        reprint: int,
    ) -> ReadyLabel:
        code = sscc(self._site.gs1.company_prefix, self._site.gs1.extension_digit, serial)
        fields = parcel_fields(
            order,
            parcel,
            sscc=code,
            number=number,
            of=of,
            ship_from=order.ship_from or self._site.ship_from,
            reprint=reprint,
            warning=self._warnings.get(parcel.warning_text or ""),
        )
        made = make(self._template(order, station), fields, station.printer)
        return ReadyLabel(
            language=made.language.value,
            content=made.content,
            sha256=made.sha256,
            expected_scans=made.expected_scans,
            sscc=code,
            supplied=False,
        )

    def _item(self, order: Order, parcel: Parcel, station: Station) -> ReadyLabel:
        lines = {line.line_id: line for line in order.lines}
        item = lines[parcel.pieces[0].line_id].item
        warning = self._warnings.get(parcel.warning_text or "")
        fields = item_fields(
            order,
            item,
            warning=warning,
            bag_width_mm=parcel.bag.width_mm,
            bag_length_mm=parcel.bag.length_mm,
        )
        template = self._templates.get(station.label_template or "") or builtin_template(
            station.label_template or "item-warning"
        )
        made = make(template, fields, station.printer)
        return ReadyLabel(
            language=made.language.value,
            content=made.content,
            sha256=made.sha256,
            expected_scans=made.expected_scans,
            sscc=None,
            supplied=False,
        )

    def _supplied(self, label: SuppliedLabel, station: Station) -> ReadyLabel:
        printer = station.printer
        if label.language is not printer.language:
            raise NoLabel(
                Reason(
                    code=ReasonCode.LABEL_REFUSED,
                    text=(
                        f"The supplied label is in {label.language.value}; the printer of "
                        f"{station.id} speaks {printer.language.value}."
                    ),
                )
            )
        found = inspect(
            label.content,
            label.language,
            dots_per_mm=label.dots_per_mm,
            printer=printer,
            allowed_commands=frozenset(self._site.allowed_label_commands),
        )
        scans = label.expected_scans or found.expected_scans
        wrong = [f.message for f in found.findings if f.severity is Severity.ERROR]
        if not scans:
            wrong.append("it has no code that a scanner could verify")
        if wrong:
            raise NoLabel(
                Reason(
                    code=ReasonCode.LABEL_REFUSED,
                    text="The supplied label can't be used: " + "; ".join(wrong[:3]),
                )
            )
        return ReadyLabel(
            language=label.language.value,
            content=label.content,
            sha256=sha256(label.content).hexdigest(),
            expected_scans=tuple(scans),
            sscc=None,
            supplied=True,
        )


def lines_json(order: Order, parcel: Parcel) -> list[JsonValue]:
    """What of which line lies in the parcel, for the ledger: no personal data."""
    counted: dict[str, int] = {}
    for piece in parcel.pieces:
        counted[piece.line_id] = counted.get(piece.line_id, 0) + 1
    return [
        {
            "line_id": line.line_id,
            "sku": line.item.sku,
            "gtin": line.item.gtin,
            "quantity": counted[line.line_id],
        }
        for line in order.lines
        if line.line_id in counted
    ]


def order_digest(order: Order) -> tuple[bytes, str]:
    """The order's content as kept, and its digest."""
    plain = order.model_dump(mode="json", exclude_defaults=True)
    content = orjson.dumps(plain, option=orjson.OPT_SORT_KEYS)
    return content, sha256(content).hexdigest()
