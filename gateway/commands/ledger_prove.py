"""`bagrelay ledger prove`, `prove-growth` and `evidence`: files that convince without the store."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.commands.output import Out, fail, put
from gateway.commands.store_access import DEFAULT_SITE, SiteFile, reading, site_of

if TYPE_CHECKING:
    from gateway.ledger.evidence_store import KeyOf
    from schemas.site import Site


def prove(
    order_id: Annotated[str, typer.Argument(metavar="ORDER", help="The order's id.")],
    site_file: SiteFile = DEFAULT_SITE,
    out: Out = None,
) -> None:
    """Prove that all entries about an order are in the signed ledger: one small JSON file.

    `bagrelay ledger check-proof FILE` checks it anywhere. The gateway may be running.
    Exit code 1: the ledger has nothing about such an order.
    """
    from gateway.clock import SystemClock
    from gateway.ledger.evidence_store import order_proof
    from gateway.ledger.proof import to_text

    site = site_of(site_file)
    with reading(site) as conn, _in_words():
        proof = order_proof(conn, order_id, site, _key_of(site), SystemClock())
    put(to_text(proof).encode(), out)


def prove_growth(
    earlier: Annotated[int, typer.Argument(metavar="EARLIER", help="Size of a checkpoint.")],
    later: Annotated[int, typer.Argument(metavar="LATER", help="Size of a later one.")],
    site_file: SiteFile = DEFAULT_SITE,
    out: Out = None,
) -> None:
    """Prove that a later checkpoint's ledger begins unchanged with an earlier one's.

    Sizes stand in the checkpoints. Exit code 1: no checkpoint of such a size is kept.
    """
    from gateway.ledger.evidence_store import growth_proof
    from gateway.ledger.keys import archive_dir
    from gateway.ledger.proof import to_text

    site = site_of(site_file)
    with reading(site) as conn, _in_words():
        proof = growth_proof(conn, earlier, later, archive_dir(site))
    put(to_text(proof).encode(), out)


def evidence(
    parcel_id: Annotated[str, typer.Argument(metavar="PARCEL", help="The parcel's id.")],
    site_file: SiteFile = DEFAULT_SITE,
    pdf: Annotated[bool, typer.Option("--pdf", help="As a paper instead of JSON.")] = False,
    black_out: Annotated[
        bool,
        typer.Option("--black-out", help="Take out names, addresses and what people typed."),
    ] = False,
    out: Out = None,
) -> None:
    """Make the evidence file of one parcel, for a customer's claim.

    What was ordered, which bag and why, the label, every attempt, the verifying scan, the proof.
    `bagrelay ledger check-proof` checks the JSON. Exit code 1: there is no such parcel.
    """
    from gateway.clock import SystemClock
    from gateway.ledger import evidence as files
    from gateway.ledger.evidence_http import parts_of
    from gateway.ledger.evidence_pdf import to_pdf
    from gateway.ledger.evidence_store import machines_of, prover

    site = site_of(site_file)
    clock = SystemClock()
    with reading(site) as conn, _in_words():
        parts = parts_of(conn, site, parcel_id, prover(site, _key_of(site), clock))
        machines = machines_of(conn, site)
    file = files.evidence(parts, clock.now(), black_out=black_out, machines=machines)
    if pdf:
        put(to_pdf(file), out or Path(f"evidence-{parcel_id}.pdf"))
    else:
        put(files.to_json(file).encode(), out)


def _key_of(site: "Site") -> "KeyOf":
    from gateway.ledger.keys import key_file, read_key

    return lambda: read_key(key_file(site))


@contextmanager
def _in_words() -> Iterator[None]:
    from gateway.errors import GatewayError
    from gateway.ledger.archive_file import ArchiveBad
    from gateway.ledger.checkpoint import BadKey
    from gateway.ledger.proof import NotProvable

    try:
        yield
    except GatewayError as wrong:
        fail(wrong.detail, 1)
    except (ArchiveBad, BadKey, NotProvable) as wrong:
        fail(str(wrong))
