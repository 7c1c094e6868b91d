"""Secrets from where they belong: the environment, or a file that only the gateway reads."""

from collections.abc import Mapping
from pathlib import Path


class NoSecret(Exception):
    """A secret is named and can't be had. The text never holds any of it."""


def secret(name: str | None, file: Path | None, environment: Mapping[str, str]) -> str | None:
    """The secret of a variable or a file; None where neither is named. Raises `NoSecret`.

    A file's last line end does not belong to it.
    """
    if file is not None:
        try:
            text = file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise NoSecret(f"{file} can't be read: {type(error).__name__}") from None
        if not text:
            raise NoSecret(f"{file} is empty")
        return text
    if name is not None:
        value = environment.get(name, "")
        if not value:
            raise NoSecret(f"the environment has no {name}")
        return value
    return None
