"""Run all tests, setting up everything first: python3 tests/run.py [pytest arguments]."""

import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / ".ci"))

import environment  # noqa: E402

environment.ready(environment.TESTS)
environment.node_parts()
os.chdir(ROOT)
environment.start("python", "-m", "pytest", *sys.argv[1:])
