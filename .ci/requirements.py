"""Remake the pinned lists: .venv/bin/python .ci/requirements.py [--upgrade]."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
UV = Path(sys.executable).with_name("uv")
HEADER = """\
# {what}, pinned by version and hash; works with pip and uv.
# Made by a program from pyproject.toml. Remake: .venv/bin/python .ci/requirements.py
# Newer versions: the same with --upgrade. Do not edit by hand.
"""
COMMON = (
    "pip", "compile", "pyproject.toml", "--quiet", "--universal", "--python-version", "3.11",
    "--generate-hashes", "--no-emit-index-url", "--no-header", "--no-annotate", "--all-extras",
    "--group", "build",
)  # fmt: skip


def compile_list(name: str, what: str, *options: str) -> None:
    """Write one list under docker/ with our header."""
    target = ROOT / "docker" / name
    subprocess.run(
        [str(UV), *COMMON, *options, "--output-file", str(target)],
        cwd=ROOT,
        check=True,
        stdout=subprocess.DEVNULL,
    )
    target.write_text(HEADER.format(what=what) + target.read_text())


def main() -> None:
    """Make both lists; the second never contradicts the first."""
    upgrade = ("--upgrade",) if "--upgrade" in sys.argv[1:] else ()
    compile_list("requirements.txt", "What the gateway runs on", *upgrade)
    compile_list(
        "requirements-dev.txt",
        "What the gateway and its tests run on",
        *("--group", "dev", "--constraint", "docker/requirements.txt"),
        *upgrade,
    )


if __name__ == "__main__":
    main()
