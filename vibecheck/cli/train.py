"""Command line: ``vibecheck train``."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibecheck.cli import terminal
from vibecheck.cli.json_out import print_json
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.training.workflow import Trained

HELP = help_text(
    "Train a looseness model on labelled takes, and judge it on cars it never saw.",
    "MANIFEST is a CSV file with one row a take: the recording, its car, and what the hand check "
    "found in every zone.",
    "The folder gets the model in two forms, metrics.json, and the model card as a page and as "
    "Markdown. Nothing is written before all of it is done.",
    examples=[
        ("", "vibecheck train takes/manifest.csv"),
        ("", "vibecheck train takes/manifest.csv --out club-2 --name club --workers 4"),
        ("", "vibecheck train takes/manifest.csv --json > metrics.json"),
        ("", "vibecheck train --with-own my-set --out my-model"),
    ],
    closing="A run that was stopped goes on where it was: the features of every take are kept.",
)
CacheOption = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR",
        help="Folder that keeps the takes' features, so that no take is measured twice; by "
        "default in your user's cache.",
    ),
]
WorkersOption = Annotated[
    int | None,
    typer.Option(
        min=1, metavar="COUNT", help="Processes; by default as many as there are processor cores."
    ),
]
SchedulerOption = Annotated[
    str | None,
    typer.Option(
        metavar="tcp://HOST:PORT",
        help="A Dask scheduler: its workers do the work instead of processes here. Needs the "
        "cluster extra.",
    ),
]
ForceOption = Annotated[
    bool, typer.Option("--force", help="Replace files of the same names in the folder.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]


def train_command(
    manifest: Annotated[
        Path | None,
        typer.Argument(
            metavar="MANIFEST",
            help="The labelled takes: a manifest.csv. May be left out with --with-own.",
            show_default=False,
        ),
    ] = None,
    with_own: Annotated[
        Path | None,
        typer.Option(
            metavar="SET",
            help="Your own takes (a set's folder or manifest): adapt the model to your cars, and "
            "write it only where it is no worse on own checks that it did not learn from.",
        ),
    ] = None,
    model: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="With --with-own: the model to adapt and to compare with; the shipped one by "
            "default.",
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the model; made where it is missing.")
    ] = Path("vibecheck-model"),
    cache: CacheOption = None,
    name: Annotated[
        str, typer.Option(metavar="TEXT", help="What the model is called.")
    ] = "looseness",
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    folds: Annotated[
        int,
        typer.Option(
            min=2, metavar="COUNT", help="Groups of cars; each is judged by a model without it."
        ),
    ] = 7,
    seed: Annotated[
        int, typer.Option(min=0, metavar="NUMBER", help="Draws which cars are in which group.")
    ] = 7,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck train`` (the help text is `HELP`)."""
    from vibecheck.cli.stages import Stages
    from vibecheck.training.workflow import require_training, train, write_trained

    require_training()
    check_out(out, force=force)
    if with_own is not None:
        _adapt(
            with_own, manifest, model, out, force=force, as_json=as_json, name=name,
            cache=cache_folder(cache), n_workers=n_workers(workers), scheduler=scheduler,
            n_outer=folds, seed=seed,
        )  # fmt: skip
        return
    if manifest is None:
        raise CallError(
            "MANIFEST must be given.",
            advice="Name a manifest.csv; or own takes with --with-own, to adapt the shipped model.",
        )
    if model is not None:
        raise CallError("--model goes with --with-own: it is the model to adapt.")
    with Stages() as report:
        trained = train(
            manifest,
            name=name,
            cache=cache_folder(cache),
            n_workers=n_workers(workers),
            scheduler=scheduler,
            n_outer=folds,
            seed=seed,
            report=report,
        )
        files = write_trained(trained, out, force=force)
    say_left_out(trained.left_out)
    if as_json:
        print_json(trained.facts)
        return
    print_trained(trained, files, out)


def _adapt(
    own: Path,
    manifest: Path | None,
    model: Path | None,
    out: Path,
    *,
    force: bool,
    as_json: bool,
    **words: Any,
) -> None:
    """Adapt a model to the owner's cars."""
    from vibecheck.cli.stages import Stages
    from vibecheck.training.with_own import adapt, write_adapted
    from vibecheck.training.workflow import PLAIN_FILE, file_facts

    with Stages() as report:
        found = adapt(own, manifest=manifest, old_model=model, report=report, **words)
        files = write_adapted(found, out, force=force)
    say_left_out(found.left_out)
    if as_json:
        print_json(file_facts(found.model))
        return
    how = "trained anew with your own takes" if found.trained else "adjusted to your own takes"
    card = found.model.card
    typer.echo(f'Model "{card.name}" (trained on {card.trained_on} takes): {how}.')
    typer.echo(
        f"On own checks that it did not learn from: {found.comparison.sentence()}. Own checks of "
        f"{found.comparison.n_cars} car{'s' if found.comparison.n_cars > 1 else ''}: what holds "
        "for them need not hold for others."
    )
    print_files(files, out)
    typer.echo(f"Next: vibecheck check TAKE --car CAR.toml --model {out / PLAIN_FILE}")
    typer.echo("The model says where to begin. The full hand check is always due.")


def print_trained(trained: Trained, files: Sequence[Path], out: Path) -> None:
    """Print what was trained, how well it does, where it lies and what to do next."""
    from vibecheck.training.workflow import PLAIN_FILE

    facts = trained.facts
    origin = facts["trained_on"]
    typer.echo(
        f'Model "{facts["name"]}": trained on {facts["n_takes"]} takes ({origin}) of '
        f"{facts['n_cars']} cars in {facts['n_checks']} bench checks."
    )
    print_figures(facts["metrics"], f"Judged on cars it never saw ({origin} takes)")
    if not trained.model.heads:
        typer.echo(
            "Nothing was learned that holds on other cars: this model hears no zone, and every "
            "zone is ranked by its history alone. More takes, or more cars, may change that."
        )
    print_files(files, out)
    typer.echo(f"Next: vibecheck check TAKE --car CAR.toml --model {out / PLAIN_FILE}")
    typer.echo("The model says where to begin. The full hand check is always due.")


def check_out(out: Path, *, force: bool) -> None:
    """Refuse a folder that cannot be written, or holds files, before any work is done."""
    from vibecheck.report.files import check_folder
    from vibecheck.training.output import refuse_existing

    refuse_existing(check_folder(out, "--out"), force=force)


def cache_folder(given: Path | None) -> Path:
    """Return the folder for the takes' features: the one that was named, or the user's cache."""
    if given is not None:
        from vibecheck.report.files import check_folder

        return check_folder(given, "--cache")
    import platformdirs

    try:
        return Path(platformdirs.user_cache_dir("vibecheck", appauthor=False)) / "features"
    except RuntimeError as error:  # neither the environment nor the system knows it
        raise CallError(
            "There is no place for the takes' features: your home folder is not known.",
            advice="Name a folder with --cache.",
        ) from error


def n_workers(given: int | None) -> int:
    """Return the number of processes: as asked for, or the cores this program may use."""
    if given is not None:
        return given
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def say_left_out(left_out: Sequence[str], most: int = 10) -> None:
    """Name the takes that could not be used (standard error)."""
    for sentence in left_out[:most]:
        terminal.say(f"Left out: {sentence}")
    if len(left_out) > most:
        terminal.say(f"Left out: {len(left_out) - most} more")


def print_figures(metrics: Mapping[str, Any], heading: str) -> None:
    """Print the main figures as a short table."""
    from vibecheck.cli.figures import table_lines

    typer.echo(f"{heading}, with 95 % intervals over cars:")
    for line in table_lines(metrics):
        typer.echo(line.rstrip())


def print_files(files: Sequence[Path], folder: Path) -> None:
    """Print the files that lie in the folder itself; pictures lie beneath it."""
    typer.echo("Files:")
    for path in files:
        if path.parent.name == folder.resolve().name:
            typer.echo(f"  {folder / path.name}")
