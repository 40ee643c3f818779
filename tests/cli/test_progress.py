"""The progress bar: silent in pipes and for quick work, there for slow work, gone at the end."""

from __future__ import annotations

import sys
import time

import pytest

from vibecheck.cli.progress import Steps


def wait_for(capsys: pytest.CaptureFixture[str], words: str, limit_s: float = 10.0) -> str:
    seen, start = "", time.monotonic()
    while words not in seen and time.monotonic() - start < limit_s:
        time.sleep(0.02)
        seen += capsys.readouterr().err
    return seen


def test_nothing_is_shown_where_standard_error_is_no_terminal(capsys):
    with Steps(2, patience_s=0.0) as steps:
        steps("Reading a.wav")
        time.sleep(0.1)
    assert capsys.readouterr() == ("", "")


def test_quick_work_shows_nothing(capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    with Steps(2, patience_s=60.0) as steps:
        steps("Reading a.wav")
    assert capsys.readouterr() == ("", "")


def test_slow_work_shows_the_step_and_the_count(capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    with Steps(3, patience_s=0.0) as steps:
        steps("Reading a.wav")
        assert "Reading a.wav" in wait_for(capsys, "Reading a.wav")
        steps("Listening to [b].wav")
        seen = wait_for(capsys, "Listening to [b].wav")
        assert "1/3" in seen
    assert capsys.readouterr().out == ""


def test_an_error_ends_the_bar(monkeypatch, capsys):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    steps = Steps(1, patience_s=0.0)

    def work() -> None:
        with steps:
            steps("Reading a.wav")
            wait_for(capsys, "Reading a.wav")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work()
    assert steps._bar.finished or not steps._bar.live.is_started


def test_more_steps_than_announced_do_no_harm():
    with Steps(1) as steps:
        for _ in range(5):
            steps("again")
        assert steps.n_done == 1
