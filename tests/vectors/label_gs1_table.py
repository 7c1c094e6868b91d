"""Makes gateway/label/data/gs1_ai.tsv anew.

    python tests/vectors/label_gs1_table.py path/to/barcode.ps > gateway/label/data/gs1_ai.tsv

Formats, linters, required and excluded pairs and the parts of a Digital Link come from the GS1
Barcode Syntax Dictionary (Apache-2.0) as it is carried in `barcode.ps` of the npm package bwip-js
4.11.4 (MIT); data titles and separator flags come from the PyPI package biip 5.2.0 (Apache-2.0).
"""

import json
import re
import sys
from importlib import resources
from pathlib import Path


def entries(source: str) -> dict[str, dict[str, str]]:
    """The dictionary's records by application identifier."""
    start = source.index("/gs1syntax <<") + len("/gs1syntax <<")
    found: dict[str, dict[str, str]] = {}
    for body, names in re.findall(
        r"\n        <<\n(.*?)\n        >>\n((?:        \(\d+\) exch dup\n)+)        pop",
        source[start : source.index("/gs1process {", start)],
        re.DOTALL,
    ):
        parts = [
            f"{cset}{low if low == high else f'{low}-{high}'}{'?' if optional == 'true' else ''}"
            + "".join(f":{name}" for name in re.findall(r"/lint(\w+)", linters))
            for cset, low, high, optional, linters in re.findall(
                r"/cset /(\w)\s+/min\s+(\d+)\s+/max\s+(\d+)\s+/opt (\w+)\s+/linters \[(.*?)\]", body
            )
        ]
        record = {
            "parts": " ".join(parts),
            "req": groups(body, "req"),
            "ex": ",".join(re.findall(r"\((\w+)\)", field(body, "ex"))),
            "link": link(body),
        }
        for name in re.findall(r"\((\d+)\)", names):
            found[name] = record
    return found


def field(body: str, name: str) -> str:
    """The rest of the line that states one member."""
    match = re.search(rf"/{name}\s+(.*)", body)
    return match[1] if match else ""


def groups(body: str, name: str) -> str:
    """All of (`;`) any of (`,`) all of (`+`)."""
    text = field(body, name)[1:-1]
    return ";".join(
        ",".join(
            "+".join(re.findall(r"\((\w+)\)", one)) for one in re.findall(r"\[([^\[\]]+)\]", g)
        )
        for g in re.findall(r"\[((?: \[[^\[\]]*\])+ )\]", text)
    )


def link(body: str) -> str:
    """`key:` and its qualifier sequences, or `-` for what may not be a data attribute."""
    if "/dlpkey" in body:
        sequences = re.findall(r"\[ ((?:\(\w+\) ?)+)\]", field(body, "dlpkey"))
        return "key:" + "|".join("+".join(re.findall(r"\((\w+)\)", s)) for s in sequences)
    return "-" if "/dlattr false" in body else ""


def main() -> None:
    """Print the table."""
    syntax = entries(Path(sys.argv[1]).read_text("latin-1"))
    table = resources.files("biip.gs1_application_identifiers")
    named = {e["ai"]: e for e in json.loads((table / "_application_identifiers.json").read_text())}
    assert syntax.keys() == named.keys(), syntax.keys() ^ named.keys()
    print("ai\tfnc1\tparts\trequires\texcludes\tlink\ttitle")
    for ai in sorted(syntax):
        s = syntax[ai]
        flag = "1" if named[ai]["separator_required"] else "0"
        row = (ai, flag, s["parts"], s["req"], s["ex"], s["link"], named[ai]["data_title"])
        print("\t".join(row))


if __name__ == "__main__":
    main()
