"""Connections to the garage's file, and what goes wrong with them in the owner's words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from vibecheck.errors import InputError
from vibecheck.plain_text import plain_text

WAIT_S = 10.0
"""How long one process waits for another to finish writing."""


def engine_of(file: Path, *, wait_s: float = WAIT_S) -> Engine:
    """Return an engine whose transactions are ours to begin, and durable when they end.

    The rollback journal with ``synchronous=FULL`` (EXTRA also syncs the folder after the journal
    is deleted) keeps what was committed over a loss of power; no file but the garage's own is left
    behind.
    """
    # Not by an address: a "%" or "?" in the name of a folder would mean something else there.
    engine = create_engine(
        "sqlite://", poolclass=NullPool, creator=lambda: sqlite3.connect(file, timeout=wait_s)
    )

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _record: Any) -> None:
        # The driver's own transactions would end before a table is made or changed.
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute("PRAGMA synchronous=EXTRA")

    @event.listens_for(engine, "before_cursor_execute", retval=True)
    def _on_execute(
        _connection: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, many: bool
    ) -> tuple[str, Any]:
        # Names and words come from a call, whose bytes need not be text.
        return statement, [_fit(one) for one in parameters] if many else _fit(parameters)

    return engine


def _fit(parameters: Any) -> Any:
    """Return the parameters of a statement with all texts fit to be written down."""
    if isinstance(parameters, dict):
        return {name: _fit_value(value) for name, value in parameters.items()}
    return tuple(_fit_value(value) for value in parameters)


def _fit_value(value: Any) -> Any:
    return plain_text(value) if isinstance(value, str) else value


@contextmanager
def reading(engine: Engine, file: Path) -> Iterator[Connection]:
    """Give a connection on which all reads see the same state."""
    with _explained(file), engine.connect() as connection:
        connection.exec_driver_sql("BEGIN")
        try:
            yield connection
        finally:
            connection.exec_driver_sql("ROLLBACK")


@contextmanager
def writing(engine: Engine, file: Path) -> Iterator[Connection]:
    """Give a connection whose writes all happen, or none of them."""
    with _explained(file), engine.connect() as connection:
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        try:
            yield connection
        except BaseException:
            if _in_transaction(connection):
                connection.exec_driver_sql("ROLLBACK")
            raise
        connection.exec_driver_sql("COMMIT")


def _in_transaction(connection: Connection) -> bool:
    raw: Any = connection.connection.dbapi_connection
    return raw is not None and bool(raw.in_transaction)


@contextmanager
def _explained(file: Path) -> Iterator[None]:
    try:
        yield
    except DBAPIError as error:
        what, advice = _words(str(error.orig).lower())
        raise InputError(what, where=str(file), advice=advice) from error


def _words(reason: str) -> tuple[str, str]:
    if "locked" in reason or "busy" in reason:
        return (
            f"Another program has been writing to the garage for over {WAIT_S:.0f} s.",
            "Nothing was changed. End the other program, then try again.",
        )
    if "readonly" in reason or "read-only" in reason:
        return (
            "The garage cannot be written to: its file or folder is read-only.",
            "Nothing was changed. Make it writable, or name another folder with --data.",
        )
    if "full" in reason or "disk i/o" in reason:
        return (
            "The entry could not be written: the disk is full or failing.",
            "What was kept before is untouched. Make room, then try again.",
        )
    if "unable to open" in reason:
        return (
            "The garage's file cannot be opened.",
            "Check the folder and its rights, or name another with --data.",
        )
    if "not a database" in reason or "malformed" in reason:
        return (
            "This file is not a garage, or it is damaged.",
            "Name another folder with --data, or put a copy of the file back.",
        )
    return (f"The garage refused: {reason}.", "Nothing was changed.")
