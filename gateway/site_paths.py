"""Relative paths of a site file are meant from its own folder, wherever the gateway is started."""

from pathlib import Path
from typing import TypeVar

from schemas.base import Record

R = TypeVar("R", bound=Record)


def from_folder(record: R, folder: Path) -> R:
    """The record with every relative path in it, at any depth, taken from the folder."""
    found = {name: getattr(record, name) for name in type(record).model_fields}
    moved = {name: _moved(value, folder) for name, value in found.items()}
    changed = {name: value for name, value in moved.items() if value is not found[name]}
    return record.model_copy(update=changed) if changed else record


def _moved(value: object, folder: Path) -> object:
    if isinstance(value, Path):
        return value if value.is_absolute() else folder / value
    if isinstance(value, Record):
        return from_folder(value, folder)
    if isinstance(value, tuple):
        moved = tuple(_moved(each, folder) for each in value)
        same = all(new is old for new, old in zip(moved, value, strict=True))
        return value if same else moved
    return value
