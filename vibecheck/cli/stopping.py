"""Command line: Ctrl-C at any moment, also where Python by itself would swallow it or show code.

Python turns the signal into an exception wherever the program happens to be: in the middle of an
import, of tidying up, or inside a library that catches whatever comes. `Stopping` remembers that it
came, so that it ends the call with the same words and the same code everywhere.
"""

from __future__ import annotations

import _thread
import contextlib
import signal
import sys
import threading
from types import FrameType, TracebackType
from typing import Any

AGAIN_AFTER_S = 0.05
"""An interruption that was swallowed (by a destructor, say) is made anew after so long."""


class Stopping:
    """While it is open, Ctrl-C raises `KeyboardInterrupt`, and is remembered.

    Parameters
    ----------
    whole_process : bool
        The process ends with this call: what comes after it (the interpreter's own tidying up)
        is then ended at once and without a word by a further Ctrl-C.
    """

    def __init__(self, *, whole_process: bool) -> None:
        self.came = False
        self._whole_process = whole_process
        self._before: Any = None
        self._hook = sys.unraisablehook

    def __enter__(self) -> Stopping:
        if threading.current_thread() is not threading.main_thread():
            return self  # signals are the main thread's
        if signal.getsignal(signal.SIGINT) in (signal.SIG_IGN, None):
            return self  # in the background of a shell script: not meant for us
        self._before = signal.signal(signal.SIGINT, self._on_signal)
        sys.unraisablehook = self._on_swallowed
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._before is None:
            return
        self.hold_off()
        sys.unraisablehook = self._hook
        after = signal.SIG_DFL if self._whole_process else self._before
        signal.signal(signal.SIGINT, after)

    def hold_off(self) -> None:
        """From now on a Ctrl-C changes nothing: the call is over, and tidies up."""
        if self._before is not None:
            with contextlib.suppress(KeyboardInterrupt):  # it may come just before
                signal.signal(signal.SIGINT, signal.SIG_IGN)

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self.came = True
        raise KeyboardInterrupt

    def _on_swallowed(self, unraisable: Any) -> None:
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            self._hook(unraisable)
            return
        again = threading.Timer(AGAIN_AFTER_S, _interrupt_main)
        again.daemon = True
        again.start()


def _interrupt_main() -> None:
    """Interrupt the main thread, also where it waits for something."""
    main = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and main is not None:
        signal.pthread_kill(main, signal.SIGINT)
    else:  # pragma: no cover
        _thread.interrupt_main()
