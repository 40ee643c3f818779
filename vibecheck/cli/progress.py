"""Command line: a progress bar on standard error, for anything over a second or two."""

from __future__ import annotations

import sys
import threading
from types import TracebackType
from typing import Any

PATIENCE_S = 1.0


class Steps:
    """Count steps, and show a bar once the work has taken longer than a moment.

    Nothing at all is shown where standard error is no terminal.

    Parameters
    ----------
    n_steps : int
        Steps to come.
    patience_s : float
        How long to wait before the bar appears.
    """

    def __init__(self, n_steps: int, patience_s: float = PATIENCE_S) -> None:
        self.n_steps = max(1, n_steps)
        self.n_done = -1
        self.sentence = ""
        self._lock = threading.Lock()
        self._bar: Any = None
        self._task: Any = None
        self._over = not sys.stderr.isatty()
        self._timer = threading.Timer(patience_s, self._appear)
        self._timer.daemon = True

    def __enter__(self) -> Steps:
        if not self._over:
            self._timer.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._timer.cancel()
        with self._lock:
            self._over = True
            if self._bar is not None:
                self._bar.stop()

    def __call__(self, sentence: str) -> None:
        """Begin the next step."""
        with self._lock:
            self.n_done = min(self.n_done + 1, self.n_steps)
            self.sentence = sentence
            if self._bar is not None:
                self._bar.update(self._task, completed=self.n_done, description=sentence)

    def _appear(self) -> None:
        from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

        from vibecheck.cli.terminal import console

        with self._lock:
            if self._over:
                return
            self._bar = Progress(
                SpinnerColumn("line"),
                BarColumn(bar_width=16),
                TextColumn("{task.completed}/{task.total}"),
                TimeElapsedColumn(),
                TextColumn("{task.description}", markup=False),
                console=console(stderr=True),
                transient=True,
            )
            self._task = self._bar.add_task(
                self.sentence, total=self.n_steps, completed=max(0, self.n_done)
            )
            self._bar.start()
