"""Ask for known weaknesses in what the gateway runs on: .venv/bin/python .ci/audit.py.

The pinned list is asked about, line by line, at the public vulnerability service. Where that can't
be reached nothing was audited, which is said and is no failure; --must makes it one, for the place
from which releases are made.
"""

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
AUDIT = Path(sys.executable).with_name("pip-audit")
LIST = ROOT / "docker" / "requirements.txt"


def main() -> int:
    """0: nothing known, or not to be reached. 1: something known. 2: had to be reached."""
    asked = subprocess.run(
        [
            str(AUDIT), "--disable-pip", "--require-hashes", "--requirement", str(LIST),
            "--format", "json", "--progress-spinner", "off", "--timeout", "10",
        ],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    try:
        told = json.loads(asked.stdout)["dependencies"]
    except (ValueError, KeyError):
        told = []
    audited = [one for one in told if "vulns" in one]
    for one in audited:
        for known in one["vulns"]:
            mended = ", ".join(known["fix_versions"]) or "no version yet"
            print(f"{one['name']} {one['version']}: {known['id']}; mended in {mended}")
    if not audited:
        print("The vulnerability service can't be asked from here: NOTHING WAS AUDITED.")
        return 2 if "--must" in sys.argv[1:] else 0
    print(f"{len(audited)} of {len(told)} packages were audited.")
    return 1 if any(one["vulns"] for one in audited) else 0


if __name__ == "__main__":
    sys.exit(main())
