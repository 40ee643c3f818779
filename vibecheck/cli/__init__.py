"""Command line: `main` is the program ``vibecheck``. No logic of its own, one module a command."""

from __future__ import annotations

from collections.abc import Sequence


def main(argv: Sequence[str] | None = None) -> int:
    """Run the program and return its exit code.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process where absent.

    Returns
    -------
    int
        0 done, 1 the input cannot be used, 2 wrong call, 130 stopped by the user.
    """
    try:
        from vibecheck.cli.run import run

        return run(argv)
    except KeyboardInterrupt:  # before there was anything to stop
        return 130
