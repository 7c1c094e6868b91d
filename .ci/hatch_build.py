"""Compile the core of the fit while a wheel is built or the project is installed from a clone.

Without a compiler nothing is lost but speed: the fit then searches in Python and answers the same.
"""

import os
import shlex
import subprocess
import sysconfig
import tempfile
from hashlib import sha256
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

SOURCES = Path(__file__).resolve().parents[1] / "gateway" / "fit" / "c"
FLAGS = ("-O3", "-ffp-contract=off", "-fPIC", "-shared")


class CompiledCore(BuildHookInterface[Any]):
    """Puts the compiled core beside its source, and into the wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile, unless it is there already."""
        digest = sha256(b"".join(one.read_bytes() for one in sorted(SOURCES.glob("*.[ch]"))))
        library = SOURCES / f"core_{digest.hexdigest()[:16]}.so"
        if not library.exists() and not compiled(SOURCES / "front.c", library):
            self.app.display_warning("no C compiler works here: the fit will search in Python")
            return
        if version != "editable":
            platform = sysconfig.get_platform().replace("-", "_").replace(".", "_")
            build_data["tag"] = f"py3-none-{platform}"
            build_data["pure_python"] = False
            build_data["force_include"][str(library)] = f"gateway/fit/c/{library.name}"


def compiled(source: Path, library: Path) -> bool:
    """Whether it could be made; put in place whole, since another process may be loading it."""
    chosen = os.environ.get("CC") or sysconfig.get_config_var("CC") or "cc"
    for compiler in dict.fromkeys((chosen, "cc")):
        try:
            with tempfile.TemporaryDirectory(dir=source.parent) as folder:
                made = Path(folder) / "core.so"
                command = [*shlex.split(compiler), *FLAGS, str(source), "-o", str(made), "-lm"]
                subprocess.run(command, check=True, capture_output=True, timeout=120)
                made.replace(library)
        except (OSError, subprocess.SubprocessError):
            continue
        for older in set(source.parent.glob("core_*.so")) - {library}:
            older.unlink(missing_ok=True)
        return True
    return False
