"""The demo, setting up everything first: python3 examples/demo.py [--help]."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / ".ci"))

import environment  # noqa: E402

environment.ready(environment.RUNTIME)
environment.start("python", str(ROOT / "examples" / "demo_room"), *sys.argv[1:])
