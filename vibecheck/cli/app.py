"""Command line: the program ``vibecheck`` and its commands. Importing it stays light."""

from __future__ import annotations

from typing import Annotated

import typer

from vibecheck import __version__
from vibecheck.cli import check, demo, evaluate, hand_check, history, record, serve, simulate, train
from vibecheck.cli.bench import bench_app
from vibecheck.cli.car import car_app
from vibecheck.cli.dataset import dataset_app
from vibecheck.cli.texts import help_text, markup_mode

HELP = help_text(
    "Listen to a bench spin-up of an RC car and learn which zone to hand-check first.",
    "vibecheck says where to begin. It never says that a car may go out: the full hand check is "
    "always due.",
    examples=[
        ("", "vibecheck demo"),
        ("", "vibecheck car new saltflat8.toml"),
        ("", "vibecheck car plan saltflat8.toml"),
        ("", "vibecheck record spin.wav --car saltflat8.toml"),
        ("", "vibecheck check spin.wav --car saltflat8.toml"),
        ("", "vibecheck serve"),
    ],
    closing="Each command explains itself: vibecheck check --help",
)

app = typer.Typer(
    name="vibecheck",
    help=HELP,
    rich_markup_mode=markup_mode(),
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"vibecheck {__version__}")
        raise typer.Exit()


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Show the version and stop.", callback=_version, is_eager=True
        ),
    ] = False,
) -> None:
    pass


app.command("check", help=check.HELP)(check.check_command)
app.command("demo", help=demo.HELP)(demo.demo_command)
app.command("hand-check", help=hand_check.HELP)(hand_check.hand_check_command)
app.command("history", help=history.HELP)(history.history_command)
app.command("serve", help=serve.HELP)(serve.serve_command)
app.command("record", help=record.HELP)(record.record_command)
app.command("simulate", help=simulate.HELP)(simulate.simulate_command)
app.command("train", help=train.HELP)(train.train_command)
app.command("evaluate", help=evaluate.HELP)(evaluate.evaluate_command)
app.add_typer(bench_app, name="bench")
app.add_typer(car_app, name="car")
app.add_typer(dataset_app, name="dataset")
