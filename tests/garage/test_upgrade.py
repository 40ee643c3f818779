"""Migrations: old garages are brought up to date, copied first, and left alone where that fails."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from garage_cars import add_car
from kill_worker import look_at_migrated, make_old

from vibecheck.errors import InputError
from vibecheck.garage import Garage, schema, upgrade
from vibecheck.garage.connection import engine_of
from vibecheck.garage.migrations import NEWEST, REVISIONS


def hash_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def revision(file: Path) -> str:
    with closing(sqlite3.connect(file)) as raw:
        return str(raw.execute("SELECT version_num FROM alembic_version").fetchone()[0])


def test_the_steps_make_the_tables_that_the_program_uses(tmp_path: Path) -> None:
    Garage.open(tmp_path).close()
    engine = engine_of(tmp_path / "garage.sqlite")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, schema.metadata) == []


def test_the_list_of_steps_is_that_of_the_files() -> None:
    config = Config()
    config.set_main_option("script_location", str(upgrade.SCRIPTS))
    steps = ScriptDirectory.from_config(config)
    assert tuple(step.revision for step in steps.walk_revisions())[::-1] == REVISIONS
    assert steps.get_heads() == [NEWEST]


def test_an_old_garage_is_brought_up_to_date_and_a_copy_is_kept(tmp_path: Path) -> None:
    file = make_old(tmp_path / "old")
    before = hash_of(file)
    assert revision(file) == "0001"
    look_at_migrated(tmp_path / "old")
    assert revision(file) == NEWEST
    copy = tmp_path / "old" / f"garage.before-{NEWEST}.sqlite"
    assert revision(copy) == "0001"
    with closing(sqlite3.connect(copy)) as raw, closing(sqlite3.connect(file)) as new:
        count = "SELECT count(*) FROM sittings"
        assert raw.execute(count).fetchone() == new.execute(count).fetchone() == (300,)
    assert before != hash_of(file)


def test_a_step_that_fails_leaves_the_garage_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = make_old(tmp_path / "old")
    before = hash_of(file)
    # A table of the second step is in the way: the step fails after its first change.
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("CREATE TABLE feature_names (id INTEGER)")
        raw.commit()
    before = hash_of(file)
    with pytest.raises(InputError, match="already exists"):
        Garage.open(tmp_path / "old")
    assert hash_of(file) == before
    assert revision(file) == "0001"


def test_without_room_for_the_copy_nothing_is_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = make_old(tmp_path / "old")
    before = hash_of(file)

    def full(*_names: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("vibecheck.whole_file.os.replace", full)
    with pytest.raises(InputError, match="The copy that is kept before"):
        Garage.open(tmp_path / "old")
    assert hash_of(file) == before
    assert [path.name for path in (tmp_path / "old").iterdir()] == ["garage.sqlite"]


def test_a_newer_garage_is_refused_and_left_alone(tmp_path: Path) -> None:
    with Garage.open(tmp_path) as garage:
        add_car(garage)
    file = tmp_path / "garage.sqlite"
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '9042'")
        raw.commit()
    before = hash_of(file)
    with pytest.raises(InputError, match=r"newer vibecheck.*9042.*Update vibecheck"):
        Garage.open(tmp_path)
    assert hash_of(file) == before
    assert [path.name for path in tmp_path.iterdir()] == ["garage.sqlite"]


@pytest.mark.parametrize(
    "content", [b"this is no garage\n" * 100, b"SQLite format 3\0" + b"x" * 99]
)
def test_a_file_that_is_no_garage_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "garage.sqlite").write_bytes(content)
    with pytest.raises(InputError, match="This file is not a garage, or it is damaged"):
        Garage.open(tmp_path)
    assert (tmp_path / "garage.sqlite").read_bytes() == content


def test_tables_of_another_program_are_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "garage.sqlite")) as raw:
        raw.execute("CREATE TABLE accounts (id INTEGER)")
        raw.commit()
    with pytest.raises(InputError, match="holds tables, but is no garage"):
        Garage.open(tmp_path)


def test_alembic_is_not_loaded_for_a_garage_that_is_up_to_date(tmp_path: Path) -> None:
    Garage.open(tmp_path).close()
    code = (
        "import sys\nfrom vibecheck.garage import Garage\nGarage.open(sys.argv[1]).cars()\n"
        "print('sqlalchemy' in sys.modules, 'alembic' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["True", "False"]


def test_many_processes_may_make_the_same_garage_at_once(tmp_path: Path) -> None:
    code = "import sys\nfrom vibecheck.garage import Garage\nGarage.open(sys.argv[1]).close()"
    command = [sys.executable, "-c", code, str(tmp_path / "new")]
    running = [
        subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=os.environ)
        for _ in range(3)
    ]
    for process in running:
        _, said = process.communicate(timeout=60)
        assert process.returncode == 0, said
    assert revision(tmp_path / "new" / "garage.sqlite") == NEWEST
