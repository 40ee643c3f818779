"""Ground: errors that carry their exit code and speak the owner's language.

Every message has three parts: what was wrong, where, and what to do next.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class VibecheckError(Exception):
    """Base of every error that vibecheck raises on purpose.

    Parameters
    ----------
    what : str
        One sentence: what was wrong.
    where : str, optional
        The file, key, line or option it was found in.
    advice : str, optional
        One sentence: what to do next.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str | None = None, advice: str | None = None) -> None:
        self.what = what
        self.where = where
        self.advice = advice
        super().__init__(what)

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head} {self.advice}" if self.advice else head


class InputError(VibecheckError):
    """The input (recording, car file, model file, data set) cannot be used. Exit code 1."""


class CallError(VibecheckError):
    """The call itself is wrong: an option, a combination, a missing extra. Exit code 2."""

    exit_code = 2


class MissingExtraError(CallError):
    """A file needs an optional dependency that is not installed. Exit code 2."""

    def __init__(self, need: str, extra: str, *, where: str | None = None) -> None:
        super().__init__(
            f"{need} needs an optional part of vibecheck that is not installed.",
            where=where,
            advice=f'Install it with: pip install "vibecheck[{extra}]"',
        )


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``' Did you mean "x"?'`` for the closest known word, or an empty string."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f' Did you mean "{close[0]}"?' if close else ""
