"""`bagrelay schemas`: write the contract as JSON Schema, OpenAPI and AsyncAPI documents."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

GENERATED = Path(__file__).resolve().parents[2] / "schemas" / "generated"


def schemas(
    folder: Annotated[
        Path, typer.Option("--to", help="Where to write them.", metavar="DIR")
    ] = GENERATED,
    check: Annotated[
        bool, typer.Option("--check", help="Write nothing; fail when a file is out of date.")
    ] = False,
) -> None:
    """Write the data contract as JSON Schema, OpenAPI and AsyncAPI documents.

    Exit code 0: they are as they should be. 1: with --check, one is out of date.
    """
    from gateway.contract_documents import documents

    wanted = {folder / name: as_text(document) for name, document in documents().items()}
    stale = [
        path
        for path, text in wanted.items()
        if not path.exists() or path.read_text(encoding="utf-8") != text
    ]
    leftover = [
        path
        for path in sorted((*folder.glob("*.json"), *folder.glob("*.md")))
        if path not in wanted
    ]
    if check:
        for path in [*stale, *leftover]:
            print(f"{path} is out of date; run `bagrelay schemas`")
        raise typer.Exit(1 if stale or leftover else 0)
    folder.mkdir(parents=True, exist_ok=True)
    for path in stale:
        path.write_text(wanted[path], encoding="utf-8")
        print(f"wrote {path}")
    for path in leftover:
        path.unlink()
        print(f"removed {path}")
    print(f"{len(wanted)} documents are up to date")


def as_text(document: Mapping[str, object] | str) -> str:
    """The one way in which these documents are written, so that a diff shows changes only."""
    if isinstance(document, str):
        return document
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"
