"""Run all tests, setting up everything first: python3 tests/run.py [pytest arguments].

Without arguments two halves run side by side, since most tests wait and do not compute; what the
second half says is printed when the first is through.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / ".ci"))

import environment  # noqa: E402

HALVES = (("tests/service", "tests/unit"), ("tests/contract", "tests/browser"))


def pytest_of(*arguments):
    """The command that runs these tests."""
    return [str(environment.venv_python()), "-m", "pytest", *arguments]


def side_by_side():
    """Run both halves; the exit code is that of the first that failed."""
    first, second = HALVES
    with tempfile.TemporaryFile() as said:
        other = subprocess.Popen(pytest_of(*second), stdout=said, stderr=subprocess.STDOUT)
        try:
            ended = subprocess.run(pytest_of(*first), check=False).returncode
            ended_too = other.wait()
        finally:
            other.kill()
        said.seek(0)
        sys.stdout.flush()
        shutil.copyfileobj(said, sys.stdout.buffer)
    return ended or ended_too


environment.ready(environment.TESTS)
environment.node_parts()
os.chdir(ROOT)
if len(sys.argv) > 1:
    environment.start("python", "-m", "pytest", *sys.argv[1:])
sys.exit(side_by_side())
