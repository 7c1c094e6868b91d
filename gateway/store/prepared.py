"""Statements that every order needs, made once for each database and run on its driver.

A statement that is run through SQLAlchemy costs 20 to 90 microseconds before the database sees
it, and an order makes some sixty; the driver's own call costs one or two. So SQLAlchemy writes
the text and names the types, once, and the rest is done here.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Dialect
from sqlalchemy.exc import DBAPIError

Values = Mapping[str, Any]
_Convert = Callable[[Any], Any]
T = TypeVar("T")


def rows(conn: Connection, statement: "sa.Executable", values: Values) -> list[tuple[Any, ...]]:
    """Every row that the statement gives, columns in its order.

    `statement` must live as long as its module: its text is kept for ever. `values` must name the
    bound values in the same order at every call. Raises `DBAPIError` as SQLAlchemy does.
    """
    made = _made(statement, conn.dialect, tuple(values))
    found = _on_driver(conn, _fetch, made.text, made.bind(values))
    return made.read(found) if made.out_of else found


def row(conn: Connection, statement: "sa.Executable", values: Values) -> tuple[Any, ...] | None:
    """The first row, or nothing."""
    found = rows(conn, statement, values)
    return found[0] if found else None


def run(conn: Connection, statement: "sa.Executable", values: Values) -> int:
    """Run a statement that gives no rows; how many rows it changed."""
    made = _made(statement, conn.dialect, tuple(values))
    return _on_driver(conn, _change, made.text, made.bind(values))


def run_for_each(conn: Connection, statement: "sa.Executable", many: Sequence[Values]) -> None:
    """Run a statement once for each of many values, all of the same names."""
    made = _made(statement, conn.dialect, tuple(many[0]))
    _on_driver(conn, _change_many, made.text, [made.bind(values) for values in many])


def plain(conn: Connection, text: str) -> None:
    """Run a text without values, such as a savepoint."""
    _on_driver(conn, _change, text, ())


def _fetch(cursor: Any, text: str, bound: object) -> list[tuple[Any, ...]]:
    cursor.execute(text, bound)
    found: list[tuple[Any, ...]] = cursor.fetchall()
    return found


def _change(cursor: Any, text: str, bound: object) -> int:
    cursor.execute(text, bound)
    return int(cursor.rowcount)


def _change_many(cursor: Any, text: str, bound: object) -> None:
    cursor.executemany(text, bound)


def _on_driver(
    conn: Connection, do: Callable[[Any, str, object], T], text: str, bound: object
) -> T:
    driver: Any = conn.connection.dbapi_connection
    cursor = driver.cursor()
    errors = conn.dialect.loaded_dbapi
    try:
        return do(cursor, text, bound)
    except errors.Error as fault:
        away = conn.dialect.is_disconnect(fault, driver, cursor)
        if away:
            conn.invalidate(fault)
        raise DBAPIError.instance(
            text, None, fault, errors.Error, connection_invalidated=away, dialect=conn.dialect
        ) from fault
    finally:
        cursor.close()


@dataclass(frozen=True, slots=True)
class _Made:
    """A statement's text for one database, and how its values go in and come out."""

    text: str
    names: tuple[str, ...]
    constants: Mapping[str, Any]
    in_order: bool
    into: tuple[tuple[str, _Convert], ...]
    out_of: tuple[tuple[int, _Convert], ...]

    def bind(self, values: Values) -> object:
        given = {**self.constants, **values}
        for name, convert in self.into:
            given[name] = convert(given[name])
        return tuple([given[name] for name in self.names]) if self.in_order else given

    def read(self, found: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
        read = []
        for each in found:
            columns = list(each)
            for at, convert in self.out_of:
                columns[at] = convert(columns[at])
            read.append(tuple(columns))
        return read


_MADE: dict[tuple[object, str, tuple[str, ...]], _Made] = {}


def _made(statement: Any, dialect: Dialect, names: tuple[str, ...]) -> _Made:
    key = (statement, dialect.name, names)
    made = _MADE.get(key)
    if made is None:
        made = _MADE[key] = _make(statement, dialect, names)
    return made


def _make(statement: Any, dialect: Dialect, names: tuple[str, ...]) -> _Made:
    compiled = statement.compile(
        dialect=dialect, column_keys=names if statement.is_insert else None
    )
    into: dict[str, _Convert] = {
        name: convert
        for name, bind in compiled.binds.items()
        if (convert := bind.type.dialect_impl(dialect).bind_processor(dialect))
    }
    constants = {
        name: into[name](value) if name in into else value
        for name, value in compiled.params.items()
        if name not in names
    }
    order = compiled.positiontup
    return _Made(
        text=str(compiled),
        names=tuple(order or ()),
        constants=constants,
        in_order=order is not None,
        into=tuple((name, convert) for name, convert in into.items() if name in names),
        out_of=tuple(_out_of(statement, dialect)),
    )


def _out_of(statement: Any, dialect: Dialect) -> Iterator[tuple[int, _Convert]]:
    for at, column in enumerate(statement.exported_columns):
        if isinstance(column.type, sa.Float):  # as both drivers give it
            continue
        convert = column.type.dialect_impl(dialect).result_processor(dialect, None)
        if convert is not None:
            yield at, convert
