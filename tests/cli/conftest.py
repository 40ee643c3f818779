"""Fixtures of the command-line tests: a short recording, a car file, a pipeline that is not run."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "report"))

from bench_files import CAR_FILE, write_wav
from builders import make_result


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with ``a.wav``, ``b.wav``, ``snug.wav`` and ``car.toml``."""
    for seed, name in enumerate(("a", "b", "snug")):
        write_wav(tmp_path / f"{name}.wav", seed=seed)
    (tmp_path / "car.toml").write_text(CAR_FILE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


@pytest.fixture
def fake_check(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[dict[str, Any]]]:
    """Replace the analysis by a fabricated result; returns the calls that were made."""

    def install(result: Any = None, error: BaseException | None = None) -> list[dict[str, Any]]:
        calls: list[dict[str, Any]] = []

        def check(takes: Any, car: Any = None, **options: Any) -> Any:
            calls.append({"takes": takes, "car": car, **options})
            if error is not None:
                raise error
            return make_result() if result is None else result

        module = types.ModuleType("vibecheck.pipeline")
        module.check = check  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "vibecheck.pipeline", module)
        return calls

    return install
