"""Command line: progress of long work on standard error, one bar a stage."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any

from vibecheck.cli import terminal


class Stages:
    """Show one bar a stage at a terminal; elsewhere, one line as each stage begins.

    An instance is the ``report`` of `vibecheck.training.workflow`.
    """

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._bar: Any = None
        self._tasks: dict[str, Any] = {}

    def __enter__(self) -> Stages:
        if self._is_terminal:
            from rich.progress import (
                BarColumn,
                MofNCompleteColumn,
                Progress,
                TextColumn,
                TimeElapsedColumn,
                TimeRemainingColumn,
            )

            self._bar = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(bar_width=16),
                MofNCompleteColumn(),
                TimeElapsedColumn(),
                TimeRemainingColumn(),
                TextColumn("{task.fields[sentence]}", markup=False),
                console=terminal.console(stderr=True),
            )
            self._bar.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, stage: str, done: int, total: int | None, sentence: str = "") -> None:
        """Say how far a stage has come; ``total`` is ``None`` where that is not known."""
        is_new = stage not in self._tasks
        if self._bar is None:
            if is_new:
                self._tasks[stage] = None
                terminal.say(f"{stage} ({total})" if total else stage)
            return
        if is_new:
            self._tasks[stage] = self._bar.add_task(stage, total=total, sentence="")
        self._bar.update(self._tasks[stage], completed=done, total=total, sentence=sentence)
