"""Command line: ``vibecheck evaluate``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibecheck.cli import terminal
from vibecheck.cli.json_out import print_json
from vibecheck.cli.texts import help_text
from vibecheck.cli.train import (
    CacheOption,
    ForceOption,
    JsonOption,
    SchedulerOption,
    WorkersOption,
    cache_folder,
    check_out,
    n_workers,
    print_figures,
    print_files,
    say_left_out,
)

HELP = help_text(
    "Judge a model file on labelled takes of cars that it was not trained on.",
    "The model is used as it is, never fitted again. Takes of cars that it was trained on are "
    "left out and named: a score on them is no evidence.",
    "The folder gets metrics.json and the model card with these figures.",
    examples=[
        ("", "vibecheck evaluate vibecheck-model/model.npz takes/manifest.csv"),
        ("", "vibecheck evaluate model.npz takes/manifest.csv --out club-figures"),
        ("", "vibecheck evaluate model.npz takes/manifest.csv --json > metrics.json"),
    ],
)


def evaluate_command(
    model: Annotated[Path, typer.Argument(metavar="MODEL", help="A model file.")],
    manifest: Annotated[
        Path, typer.Argument(metavar="MANIFEST", help="The labelled takes: a manifest.csv.")
    ],
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the card; made where it is missing.")
    ] = Path("vibecheck-evaluation"),
    cache: CacheOption = None,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck evaluate`` (the help text is `HELP`)."""
    from vibecheck.cli.stages import Stages
    from vibecheck.training.judging import evaluate_model, write_evaluation
    from vibecheck.training.workflow import require_training

    require_training()
    check_out(out, force=force)
    with Stages() as report:
        found = evaluate_model(
            model,
            manifest,
            cache=cache_folder(cache),
            n_workers=n_workers(workers),
            scheduler=scheduler,
            report=report,
        )
        files = write_evaluation(found, out, force=force)
    say_left_out(found.left_out)
    judged = found.about["evaluated_on"]
    if found.known_cars:
        terminal.say(
            f"Left out, since the model was trained on them: {judged['n_takes_left_out_as_known']} "
            f"takes of {', '.join(found.known_cars)}"
        )
    if as_json:
        print_json(found.about)
        return
    typer.echo(
        f'Model "{found.about["name"]}" (trained on {found.about["trained_on"]} takes), judged on '
        f"{judged['n_takes']} takes ({judged['origin']}) of {judged['n_cars']} cars in "
        f"{judged['n_checks']} bench checks."
    )
    print_figures(found.about["metrics"], "Cars it was not trained on")
    print_files(files, out)
    typer.echo("The model says where to begin. The full hand check is always due.")
