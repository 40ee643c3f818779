"""Read-only and full disks, other processes, damage: a clear error, and the store unchanged."""

from __future__ import annotations

import hashlib
import os
import resource
import sqlite3
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from garage_cars import add_car, made_up_file, snug

from vibecheck.errors import InputError, VibecheckError
from vibecheck.garage import Garage
from vibecheck.garage.connection import engine_of, reading, writing

CAR = "Saltflat 8"
NOBODY = 65534


def make(folder: Path) -> str:
    with Garage.open(folder) as garage:
        add_car(garage)
        return garage.start_sitting(CAR).id


def state(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def in_a_child(work: Callable[[], str]) -> str:
    """Run in a forked process, which may give up rights for good; return what it says."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(out)
            try:
                said = work()
            except VibecheckError as error:
                said = f"refused: {error}"
            except BaseException as error:
                said = f"fault: {error!r}"
            os.write(into, said.encode()[:4000])
        finally:
            os._exit(0)
    os.close(into)
    with os.fdopen(out, "rb") as stream:
        said = stream.read().decode()
    os.waitpid(child, 0)
    return said


@pytest.mark.skipif(sys.platform != "linux", reason="gives up rights as Linux does")
@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # fork beside threads, from Python 3.12
class TestRights:
    """A garage that may be read and not written."""

    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        make(tmp_path)
        with Garage.open(tmp_path) as garage:
            garage.add_take("1", made_up_file(tmp_path, 0))
        for parent in [*reversed(tmp_path.parents)][-3:]:
            if parent.stat().st_uid == os.getuid():
                parent.chmod(parent.stat().st_mode | 0o755)
        for path in [tmp_path, *tmp_path.rglob("*")]:
            path.chmod(0o555 if path.is_dir() else 0o444)
        yield tmp_path
        for path in [tmp_path, *tmp_path.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)

    @staticmethod
    def without_rights() -> None:
        if os.getuid() == 0:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)

    def test_it_can_be_read(self, folder: Path) -> None:
        def work() -> str:
            self.without_rights()
            with Garage.open(folder) as garage:
                return f"{garage.cars()[0].name}, {len(garage.sittings()[0].takes)}"

        assert in_a_child(work) == "Saltflat 8, 1"

    @pytest.mark.parametrize("kind", ["note", "take", "findings"])
    def test_it_cannot_be_written(self, folder: Path, tmp_path_factory: object, kind: str) -> None:
        before = state(folder)
        source = made_up_file(tmp_path_factory.mktemp("source"), 7)  # type: ignore[attr-defined]
        for parent in source.parents:
            if parent.stat().st_uid == os.getuid() and parent != parent.parent:
                parent.chmod(parent.stat().st_mode | 0o755)

        def work() -> str:
            self.without_rights()
            with Garage.open(folder) as garage:
                if kind == "note":
                    garage.note_decision("1", "go")
                elif kind == "take":
                    garage.add_take("1", source)
                else:
                    garage.log_hand_check("1", *snug())
            return "written"

        said = in_a_child(work)
        assert said.startswith("refused: ")
        assert "read-only" in said or "Permission denied" in said
        assert "Nothing was changed" in said
        assert state(folder) == before

    def test_a_folder_that_cannot_be_made_is_refused(self, folder: Path) -> None:
        def work() -> str:
            self.without_rights()
            Garage.open(folder / "new")
            return "made"

        assert "The folder of the garage cannot be made: Permission denied" in in_a_child(work)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("kind", ["take", "note"])
def test_a_full_disk_keeps_nothing_half(tmp_path: Path, kind: str) -> None:
    """The kernel refuses bytes beyond a limit on file sizes, as it does on a full disk."""
    folder = tmp_path / "garage"
    make(folder)
    source = made_up_file(tmp_path, 1, size=3_000_000)
    before = state(folder)
    size = (folder / "garage.sqlite").stat().st_size

    def work() -> str:
        with Garage.open(folder) as garage:
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            if kind == "take":
                garage.add_take("1", source)
            else:
                garage.note_decision("1", "go", "x" * 1_000_000)
        return "written"

    said = in_a_child(work)
    assert said.startswith("refused: ")
    assert "full" in said
    assert state(folder) == before
    with Garage.open(folder) as garage:
        assert garage.sitting("1").takes == ()
        assert garage.sitting("1").note == ""
        assert garage.add_take("1", source).path.stat().st_size == 3_000_000


def test_a_database_without_room_says_so(tmp_path: Path) -> None:
    make(tmp_path)
    file = tmp_path / "garage.sqlite"
    engine = engine_of(file)

    def write() -> None:
        with writing(engine, file) as connection:
            connection.exec_driver_sql("PRAGMA max_page_count = 1")
            connection.exec_driver_sql("UPDATE sittings SET note = ?", ("x" * 1_000_000,))

    with pytest.raises(InputError, match="the disk is full or failing"):
        write()
    with reading(engine, file) as connection:
        assert connection.exec_driver_sql("SELECT note FROM sittings").scalar() == ""


def test_two_processes_wait_for_each_other(tmp_path: Path) -> None:
    """Another writer holds the file for a moment: the second one waits and then goes on."""
    make(tmp_path)
    other = sqlite3.connect(
        tmp_path / "garage.sqlite", isolation_level=None, check_same_thread=False
    )
    with closing(other):
        other.execute("BEGIN IMMEDIATE")
        other.execute("UPDATE sittings SET tyres = 'foam'")
        timer = threading.Timer(0.3, lambda: other.execute("COMMIT"))
        timer.start()
        with Garage.open(tmp_path) as garage:
            noted = garage.note_decision("1", "go", "mine")
        timer.join()
    assert (noted.note, noted.set_up.tyres) == ("mine", "foam")


def test_a_process_that_never_lets_go_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make(tmp_path)
    file = tmp_path / "garage.sqlite"
    with closing(sqlite3.connect(file, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        engine = engine_of(file, wait_s=0.05)
        with (
            pytest.raises(InputError, match="Another program has been writing to the garage"),
            writing(engine, file),
        ):
            pass
        other.execute("ROLLBACK")
    with Garage.open(tmp_path) as garage:
        assert garage.sitting("1").is_open


def test_two_at_once_cannot_both_begin_a_bench_check(tmp_path: Path) -> None:
    with Garage.open(tmp_path) as garage:
        add_car(garage)
    outcomes: list[str] = []

    def start() -> None:
        with Garage.open(tmp_path) as garage:
            try:
                outcomes.append(garage.start_sitting(CAR).id)
            except VibecheckError as error:
                outcomes.append(str(error))

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum("has an open bench check" in said for said in outcomes) == 3
    with Garage.open(tmp_path) as garage:
        assert len(garage.sittings()) == 1


@pytest.mark.parametrize(
    "name", ["100%41", "a?mode=ro", "x#1", "Größe 🏎", "new\nline", "-dash", os.fsdecode(b"\xff")]
)
def test_a_folder_may_have_any_name(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    try:
        folder.mkdir()
    except (OSError, ValueError):
        pytest.skip("no such names here")
    make(folder)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (folder / "garage.sqlite").is_file()
    with Garage.open(folder) as garage:
        assert garage.sitting("1").car == CAR


def test_a_file_in_the_way_of_the_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="The folder of the garage cannot be made"):
        Garage.open(tmp_path / "file")
    (tmp_path / "g" / "garage.sqlite").mkdir(parents=True)
    with pytest.raises(InputError, match="cannot be opened"):
        Garage.open(tmp_path / "g")
