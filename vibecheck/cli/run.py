"""Command line: run a call, and turn whatever goes wrong into one clear message and a code."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from vibecheck.cli import terminal
from vibecheck.errors import VibecheckError

STOPPED = 130
BROKEN_PIPE = 1


def run(argv: Sequence[str] | None) -> int:
    """Run one call of the program and return its exit code; never raises."""
    terminal.prepare_streams()
    try:
        code = _call(argv)
        sys.stdout.flush()
    except BrokenPipeError:
        terminal.silence_stdout()
        return BROKEN_PIPE
    return code


def _call(argv: Sequence[str] | None) -> int:
    try:
        import typer

        from vibecheck.cli.app import app

        command = typer.main.get_command(app)
        answer = command.main(
            args=list(sys.argv[1:] if argv is None else argv),
            prog_name="vibecheck",
            standalone_mode=False,
        )
        code = answer if isinstance(answer, int) else 0
    except VibecheckError as error:
        from vibecheck.report.words import as_options

        advice = as_options(error.advice) if error.advice else None
        terminal.show_error(as_options(error.what), error.where, advice)
        return _with_traceback(error.exit_code)
    except KeyboardInterrupt:
        code = STOPPED
    except BrokenPipeError:
        raise
    except Exception as error:
        code = _other_error(error)
    if code == STOPPED:
        terminal.say("Stopped.")
    return code


def _other_error(error: Exception) -> int:
    """Answer an error of the parser (a wrong call), a stop at a prompt, or one nobody expected."""
    import typer

    if isinstance(error, typer.Abort):
        return STOPPED
    if hasattr(error, "format_message") and hasattr(error, "exit_code"):  # the parser's own
        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else "vibecheck"
        if type(error).__name__ == "NoArgsIsHelpError":
            terminal.say(error.format_message())
            return 2
        terminal.show_error(
            " ".join(str(error.format_message()).split()),
            None,
            f"{path} --help shows every option, with examples.",
        )
        return 2
    where = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    terminal.show_error(
        "Something went wrong inside vibecheck. This is a fault of the program, not of your files.",
        " ".join(where.split()),
        "Run it again with VIBECHECK_DEBUG=1 in front to see the details, and report them.",
    )
    return _with_traceback(1)


def _with_traceback(code: int) -> int:
    if os.environ.get("VIBECHECK_DEBUG", "") not in ("", "0"):
        import traceback

        traceback.print_exc()
    return code
