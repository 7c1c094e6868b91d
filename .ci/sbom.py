"""Write the bill of materials, CycloneDX JSON: .venv/bin/python .ci/sbom.py FILE [PYTHON].

Made from the metadata of what is installed where PYTHON runs; without it, from the pinned list that
the image is made of, with its hashes.
"""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TOOL = Path(sys.executable).with_name("cyclonedx-py")


def main() -> int:
    """Write it; the tool's own exit code."""
    if len(sys.argv) not in (2, 3):
        print(__doc__)
        return 2
    target, *python = sys.argv[1:]
    source = ["environment", *python] if python else ["requirements", "docker/requirements.txt"]
    done = subprocess.run(
        [
            str(TOOL), *source, "--pyproject", "pyproject.toml", "--mc-type", "application",
            "--output-reproducible", "--output-format", "JSON", "--output-file",
            str(Path(target).resolve()),
        ],
        cwd=ROOT, check=False, env={"PYTHONWARNINGS": "ignore", "PATH": ""},
    )  # fmt: skip
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
