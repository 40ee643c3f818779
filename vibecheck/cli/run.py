"""Command line: run a call, and turn whatever goes wrong into one clear message and a code."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from vibecheck.cli import streams, terminal
from vibecheck.cli.stopping import Stopping
from vibecheck.errors import MissingExtraError, VibecheckError
from vibecheck.whole_file import remove_unfinished

STOPPED = 130
BROKEN_PIPE = 1


def run(argv: Sequence[str] | None) -> int:
    """Run one call of the program and return its exit code; never raises."""
    with Stopping(whole_process=argv is None) as stopping:
        try:
            streams.prepare_streams()
            code = _call_and_flush(argv, stopping)
        except KeyboardInterrupt:  # in the middle of answering what went wrong
            code = STOPPED
        finally:
            stopping.hold_off()
            remove_unfinished()
    return code


def _call_and_flush(argv: Sequence[str] | None, stopping: Stopping) -> int:
    try:
        code = _call(argv, stopping)
        sys.stdout.flush()
    except BrokenPipeError:
        streams.silence_stdout()
        return BROKEN_PIPE
    except VibecheckError as error:  # the last words could not be written
        return _say_error(error)
    return code


def _call(argv: Sequence[str] | None, stopping: Stopping) -> int:
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
    except KeyboardInterrupt:
        code = STOPPED
    except BrokenPipeError:
        raise
    except VibecheckError as error:
        # A part whose import was interrupted looks as if it were missing.
        if not (stopping.came and isinstance(error, MissingExtraError)):
            return _say_error(error)
        code = _with_traceback(STOPPED)
    except Exception as error:
        # Libraries turn an interruption into faults of all kinds.
        code = _with_traceback(STOPPED) if stopping.came else _other_error(error)
    if code == STOPPED:
        terminal.say("Stopped.")
    return code


def _say_error(error: VibecheckError) -> int:
    from vibecheck.report.words import as_options

    advice = as_options(error.advice) if error.advice else None
    terminal.show_error(as_options(error.what), error.where, advice)
    return _with_traceback(error.exit_code)


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
