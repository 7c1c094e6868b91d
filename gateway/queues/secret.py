"""Secrets by name: from the environment, or from a file that the environment names."""

from collections.abc import Mapping
from pathlib import Path


def secret(environment: Mapping[str, str], name: str | None) -> str | None:
    """The value of `NAME`, else the content of the file that `NAME_FILE` names; None: neither."""
    if name is None:
        return None
    if value := environment.get(name):
        return value
    file = environment.get(f"{name}_FILE")
    if not file:
        return None
    try:
        return Path(file).read_text(encoding="utf-8").strip() or None
    except OSError:
        return None
