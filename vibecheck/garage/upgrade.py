"""Make a garage, or bring one up to date, or refuse one of a newer version."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, Engine

from vibecheck.errors import InputError
from vibecheck.garage.connection import reading, writing
from vibecheck.garage.migrations import NEWEST, REVISIONS
from vibecheck.whole_file import whole_file

SCRIPTS = Path(__file__).parent / "migrations"


def revision_of(connection: Connection) -> str | None:
    """Return the step at which a garage is; ``None`` for an empty file."""
    found = connection.exec_driver_sql(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name = 'alembic_version'"
    ).first()
    if found is None:
        return None
    row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
    return None if row is None else str(row[0])


def bring_up_to_date(engine: Engine, file: Path, *, target: str = NEWEST) -> None:
    """Run the steps that are missing, in one transaction.

    A copy of an older garage is kept beside it first, as ``garage.before-STEP.sqlite``.

    Raises
    ------
    InputError
        If the garage is of a newer version or cannot be read or written; it is unchanged then.
    """
    with reading(engine, file) as connection:
        revision = revision_of(connection)
        foreign = revision is None and _has_tables(connection)
    if foreign:
        raise InputError(
            "This file holds tables, but is no garage.",
            where=str(file),
            advice="Name another folder with --data.",
        )
    if revision is not None and revision not in REVISIONS:
        raise InputError(
            f"This garage was written by a newer vibecheck (its form is {revision}, this version "
            f"knows up to {NEWEST}).",
            where=str(file),
            advice="Update vibecheck. The garage was not touched.",
        )
    if revision == target:
        return
    if revision is not None:
        keep_copy(file, file.with_name(f"{file.stem}.before-{target}{file.suffix}"))
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    with writing(engine, file) as connection:
        # Another process may have done it while this one waited: then no step is left to run.
        if revision_of(connection) != target:
            config.attributes["connection"] = connection
            command.upgrade(config, target)


def _has_tables(connection: Connection) -> bool:
    return connection.exec_driver_sql("SELECT 1 FROM sqlite_master").first() is not None


def keep_copy(file: Path, copy: Path) -> None:
    """Copy a garage that may be in use, whole or not at all.

    Raises
    ------
    InputError
        If the copy cannot be written.
    """
    try:
        with (
            whole_file(copy) as temporary,
            closing(sqlite3.connect(file)) as source,
            closing(sqlite3.connect(temporary)) as target,
        ):
            source.backup(target)
    except (OSError, sqlite3.Error) as error:
        raise InputError(
            f"The copy that is kept before a garage is brought up to date cannot be made: {error}.",
            where=str(copy),
            advice="Make room or make the folder writable. The garage was not touched.",
        ) from error
