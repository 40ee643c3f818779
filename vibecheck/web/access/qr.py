"""Web access: a QR picture for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

QUIET_MODULES = 4
"""ISO/IEC 18004: a margin of four modules (value from memory)."""
_BLACK_ON_WHITE = "\x1b[38;5;16;48;5;231m"
_END = "\x1b[0m"
_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}
_LIGHT_HALVES = {(0, 0): "█", (1, 0): "▄", (0, 1): "▀", (1, 1): " "}


def modules_of(text: str) -> list[list[int]]:
    """Return the modules of a QR picture with its margin, 1 for dark, shape (side, side)."""
    import segno

    made = segno.make(text, error="l", micro=False)
    return [[int(module) for module in row] for row in made.matrix_iter(border=QUIET_MODULES)]


def qr_lines(modules: Sequence[Sequence[int]], *, colour: bool, blocks: bool) -> list[str]:
    """Draw a QR picture as lines of text.

    Parameters
    ----------
    modules : sequence of rows of 0 and 1
    colour : bool
        Black on white by escape sequences, whatever the terminal's colours. Without it the blocks
        are the light parts, as a terminal with a dark ground needs it; most phones read it on a
        light ground too.
    blocks : bool
        The terminal can show half blocks. Without them, and with colour, a module is two spaces.
    """
    if not blocks:
        if not colour:
            return []
        shades = ("\x1b[48;5;231m  ", "\x1b[48;5;16m  ")
        return ["".join(shades[module] for module in row) + _END for row in modules]
    halves = _HALVES if colour else _LIGHT_HALVES
    lines = []
    for top in range(0, len(modules), 2):
        below = modules[top + 1] if top + 1 < len(modules) else [0] * len(modules[top])
        line = "".join(halves[pair] for pair in zip(modules[top], below, strict=True))
        lines.append(f"{_BLACK_ON_WHITE}{line}{_END}" if colour else line)
    return lines
