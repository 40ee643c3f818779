"""Ask at a terminal by single keys; where there is none, read the answers as lines."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping

import typer

ENTER = ("\r", "\n")
STOP = ("\x03", "\x04", "")


class Stopped(Exception):
    """The owner stopped, or the answers ran out. What was kept stays."""


class Asker:
    """Asks one question at a time."""

    def __init__(self) -> None:
        self.by_key = sys.stdin.isatty() and sys.stdout.isatty()

    def forget_typed(self) -> None:
        """Drop the keys that were hit and not read yet, at a terminal."""
        if self.by_key:
            try:
                import termios
            except ImportError:  # no such terminals on this system
                return
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)

    def key(self, question: str, keys: Mapping[str, str]) -> str:
        """Return the key of one of several answers.

        Parameters
        ----------
        question : str
            May be empty.
        keys : mapping of str to str
            From a letter, or ``""`` for Enter, to what it means. Asked again until one is hit.
        """
        shown = "  ".join(f"[{key or 'Enter'}] {words}" for key, words in keys.items())
        typer.echo(f"{question}  {shown} " if question else f"{shown} ", nl=False)
        while True:
            hit = self._one()
            if hit in keys:
                typer.echo(f"> {keys[hit]}")
                return hit
            if not self.by_key:
                typer.echo(f'\nNo such answer: "{hit}". {shown} ', nl=False)

    def keys(self, question: str, keys: Mapping[str, str]) -> tuple[str, ...]:
        """Return any of several answers, in their order; Enter ends."""
        shown = "  ".join(f"[{key}] {words}" for key, words in keys.items())
        typer.echo(f"{question}  {shown}  [Enter] that is all ", nl=False)
        chosen: set[str] = set()
        while True:
            if self.by_key:
                hit = self._one()
                if hit == "":
                    break
                if hit in keys:
                    chosen ^= {hit}
                    typer.echo(f"{'+' if hit in chosen else '-'} {keys[hit]} ", nl=False)
                continue
            words = self._line().split()
            wrong = [word for word in words if word not in keys]
            if not wrong:
                chosen = set(words)
                break
            typer.echo(f'\nNo such answer: "{" ".join(wrong)}". {shown} ', nl=False)
        said = tuple(key for key in keys if key in chosen)
        typer.echo("> " + (", ".join(keys[key] for key in said) or "nothing"))
        return said

    def line(self, question: str) -> str:
        """Return a line of text, without the space around it."""
        typer.echo(f"{question} ", nl=False)
        return self._line()

    def number(self, question: str, low: float, high: float) -> float | None:
        """Return a number, or ``None`` for an empty line; asked again where it cannot be."""
        while True:
            text = self.line(question)
            if not text:
                return None
            try:
                value = float(text.replace(",", "."))
            except ValueError:
                value = float("nan")
            if low <= value <= high:
                return value
            typer.echo(f'That must be a number from {low:g} to {high:g}. Got "{text}" instead.')

    def _one(self) -> str:
        if not self.by_key:
            return self._line().lower()
        try:
            hit = _key()
        except KeyboardInterrupt:
            hit = STOP[0]
        if hit in STOP:
            typer.echo()
            raise Stopped
        return "" if hit in ENTER else hit.lower()

    def _line(self) -> str:
        try:
            text = sys.stdin.readline()
        except KeyboardInterrupt:
            text = ""
        if not text:
            typer.echo()
            raise Stopped
        if not self.by_key:
            typer.echo()
        return text.strip()


def _key() -> str:
    """Wait for one key. What was typed ahead counts."""
    try:
        import termios
        import tty
    except ImportError:  # no such terminals on this system
        import click

        return click.getchar()
    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    try:
        tty.setcbreak(handle, termios.TCSADRAIN)
        return os.read(handle, 1).decode("ascii", "replace")
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)
