"""`bagrelay ledger check-proof`: check a proof file, with no database and no site file."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from gateway.ledger.proof import ProofReport

_MAX_BYTES = 64_000_000


def check_proof(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="A proof or evidence file; - reads standard input."),
    ],
    key: Annotated[
        Path | None,
        typer.Option(
            metavar="KEY.pem", help="The site's public key. Without it a forger's own key passes."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
) -> None:
    """Say what a proof file or an evidence file proves. Needs no database and no site file.

    Exit code 0: it holds. 1: it does not. 2: the file or the key can't be read.
    """
    from gateway.ledger.checkpoint import public_from_pem
    from gateway.ledger.evidence_check import check_file

    try:
        text = _read(file)
        known = public_from_pem(key.read_bytes()) if key else None
    except (OSError, ValueError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from None
    report = check_file(text, known)
    typer.echo(_as_json(report) if as_json else _as_text(report))
    raise typer.Exit(0 if report.ok else 1)


def _read(file: Path) -> bytes:
    if str(file) == "-":
        return typer.get_binary_stream("stdin").read()
    if file.stat().st_size > _MAX_BYTES:
        raise ValueError(f"{file} has more than {_MAX_BYTES} bytes: it is no proof file.")
    return file.read_bytes()


def _as_json(report: "ProofReport") -> str:
    return json.dumps(
        {
            "ok": report.ok,
            "proved": report.proved,
            "faults": report.faults,
            "cautions": report.cautions,
        },
        indent=2,
        ensure_ascii=False,
    )


def _as_text(report: "ProofReport") -> str:
    verdict = "The proof holds." if report.ok else "THE PROOF DOES NOT HOLD."
    lines = [verdict, *report.faults, *report.proved, *(f"Note: {c}" for c in report.cautions)]
    return "\n".join(lines)
