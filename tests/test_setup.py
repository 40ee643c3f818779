"""The set-up file and the pinned requirements."""

from __future__ import annotations

import importlib.util
import re
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent
LOCKS = ("requirements.txt", "requirements-dev.txt")


@pytest.fixture
def run_file() -> ModuleType:
    spec = importlib.util.spec_from_file_location("run_file", ROOT / "run.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def pins(lock: str) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for name, version in re.findall(
        r"^([A-Za-z0-9._-]+)==(\S+)", (ROOT / lock).read_text(encoding="utf-8"), re.MULTILINE
    ):
        found.setdefault(name, set()).add(version)
    return found


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_has_hashes_and_no_address(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert "://" not in text
    assert "index" not in text
    for entry in re.split(r"\n(?=[A-Za-z])", text.strip()):
        assert "--hash=sha256:" in entry, entry.splitlines()[0]


def test_lock_names_every_dependency() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    pinned = pins("requirements.txt")
    wanted = [*project["project"]["dependencies"], *project["dependency-groups"]["build"]]
    for extra in ("formats", "record", "web"):  # what `run.py` gives to a user
        wanted += project["project"]["optional-dependencies"][extra]
    for requirement in wanted:
        name = re.split(r"[><=\[]", requirement)[0]
        assert name in pinned, f"{name} is not pinned: run scripts/lock.py"


def test_locks_agree() -> None:
    user, test = (pins(lock) for lock in LOCKS)
    for name in user.keys() & test.keys():
        assert user[name] == test[name], name


def test_old_python_gets_one_clear_message(
    run_file: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 9, 2, "final", 0))
    with pytest.raises(SystemExit, match=r"Python 3\.11 or newer is needed"):
        run_file.main(["demo"])


def test_environment_of_another_python_is_left_alone(
    run_file: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run_file, "ROOT", tmp_path)
    assert run_file.venv_folder() == tmp_path / ".venv"
    (tmp_path / ".venv").mkdir()
    (tmp_path / ".venv" / "pyvenv.cfg").write_text("version = 3.1.4\n", encoding="utf-8")
    version = ".".join(map(str, sys.version_info[:2]))
    assert run_file.venv_folder() == tmp_path / f".venv-{version}"


def test_help_names_the_two_commands(
    run_file: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_file.main(["--help"]) == 0
    text = capsys.readouterr().out
    assert "run.py demo" in text
    assert "run.py test" in text


def test_what_the_tests_installed_serves_the_user_too(
    run_file: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run_file, "venv_folder", lambda: tmp_path)
    monkeypatch.setattr(run_file, "make_venv", lambda _folder: pytest.fail("installed again"))
    assert not run_file.is_set_up(tmp_path, run_file.USER_LOCK)
    stamp, wanted = run_file.stamp_of(tmp_path, run_file.TEST_LOCK)
    stamp.write_text(wanted, encoding="utf-8")
    assert run_file.set_up(run_file.USER_LOCK) == tmp_path
    stamp.write_text("an older lock", encoding="utf-8")
    assert not run_file.is_set_up(tmp_path, run_file.TEST_LOCK)
