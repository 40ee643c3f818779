"""Command line: ``vibecheck demo``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from vibecheck.cli.texts import help_text

HELP = help_text(
    "Run the whole job on shipped, simulated recordings of one car over three bench checks.",
    "The pages land in a folder, and the first one opens in the browser when you sit at a "
    "terminal.",
    examples=[("", "vibecheck demo"), ("", "vibecheck demo --out my-demo --no-open")],
)


def demo_command(
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the pages; made where it is missing.")
    ] = Path("vibecheck-demo"),
    open_page: Annotated[
        bool, typer.Option("--open/--no-open", help="Open the first page in the browser.")
    ] = True,
) -> None:
    """Run ``vibecheck demo`` (the help text is `HELP`)."""
    from vibecheck.cli import terminal
    from vibecheck.cli.progress import Steps
    from vibecheck.demo import SIMULATED, read_story, run_story
    from vibecheck.report.files import check_folder

    folder = check_folder(out, "--out")
    story = read_story()
    with Steps(story.n_steps) as steps:
        told, index = run_story(story, folder, progress=steps)

    from vibecheck.cli.story import print_story

    print_story(told, SIMULATED, terminal.console())
    terminal.say(f"Begin here: {index}")
    if open_page and sys.stdout.isatty() and sys.stderr.isatty():
        import webbrowser

        webbrowser.open(index.resolve().as_uri())
