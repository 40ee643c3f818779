"""Command line: ``vibecheck dataset``: labelled sets of takes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibecheck.cli import terminal
from vibecheck.cli.dataset_texts import (
    ADD_HELP,
    MERGE_HELP,
    PACK_HELP,
    SUGGEST_HELP,
    VERIFY_HELP,
)
from vibecheck.cli.json_out import print_json
from vibecheck.cli.texts import help_text, markup_mode
from vibecheck.errors import CallError

if TYPE_CHECKING:
    pass

dataset_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=markup_mode(),
    help=help_text(
        "Labelled sets of takes: what hand checks found labels the takes before them.",
        "A set is a folder with a manifest.csv. Nothing leaves this machine by itself.",
        examples=[
            ("", "vibecheck dataset add my-set"),
            ("", "vibecheck dataset verify my-set"),
            ("", "vibecheck dataset suggest my-set"),
            ("", "vibecheck dataset pack my-set --out to-share.zip"),
            ("", "vibecheck dataset merge club-set to-share.zip"),
        ],
    ),
)
SetArgument = Annotated[
    Path, typer.Argument(metavar="SET", help="Folder of the set, or its manifest.csv.")
]
NewSetArgument = Annotated[
    Path, typer.Argument(metavar="SET", help="Folder of the set; made where it is missing.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]


@dataset_app.command("add", help=ADD_HELP)
def add_command(
    folder: NewSetArgument,
    takes: Annotated[
        list[Path] | None, typer.Argument(metavar="[TAKE ...]", help="Recordings of one check.")
    ] = None,
    car: Annotated[
        str | None,
        typer.Option(
            metavar="CAR", help="The car file; without TAKE, the name of a car of the garage."
        ),
    ] = None,
    check: Annotated[
        str, typer.Option(metavar="NAME", help="Name of the bench check; made up by default.")
    ] = "",
    kind: Annotated[
        str,
        typer.Option(
            metavar="KIND",
            help="baseline, loose, part_checked, mesh_tight, mesh_loose, or what made a snug car "
            "sound odd: out_of_balance, worn_bearing, stone_in_wheel, rubbing_wire, second_car, "
            "second_motor, speech.",
        ),
    ] = "",
    loose: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ZONE=FOUND",
            help="What was found: took_a_turn, loose or missing, with :DEGREES where known. Once a "
            "find.",
        ),
    ] = None,
    not_checked: Annotated[
        list[str] | None,
        typer.Option(metavar="ZONE", help="A zone at which nobody looked. Once a zone."),
    ] = None,
    rest_snug: Annotated[
        bool, typer.Option("--rest-snug", help="All zones not named were looked at and snug.")
    ] = False,
    spot: Annotated[
        list[str] | None,
        typer.Option(metavar="ZONE", help="Where the sensor sat: once for all, or once a take."),
    ] = None,
    sensor: Annotated[
        str | None,
        typer.Option(
            metavar="SENSOR", help="microphone or accelerometer, where the file does not tell."
        ),
    ] = None,
    device: Annotated[str, typer.Option(metavar="TEXT", help="Which phone or sensor.")] = "",
    licence: Annotated[
        str, typer.Option(metavar="TEXT", help="Under which terms the takes may be used.")
    ] = "",
    data: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="The garage, where it is not in its usual place."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck dataset add`` (the help text is `ADD_HELP`)."""
    from vibecheck.cli.dataset_added import named_takes, print_added
    from vibecheck.dataset.labelled_set import add_to_set

    if folder.suffix.lower() == ".csv":
        folder = folder.parent
    if takes:
        if data is not None:
            raise CallError("--data goes with the garage, and takes were named.")
        new = named_takes(
            takes, car, check, kind, loose or [], not_checked or [], rest_snug, spot or [],
            sensor, device, licence,
        )  # fmt: skip
    else:
        for option, value in (
            ("--check", check), ("--kind", kind), ("--loose", loose), ("--spot", spot),
            ("--not-checked", not_checked), ("--rest-snug", rest_snug), ("--sensor", sensor),
        ):  # fmt: skip
            if value:
                raise CallError(
                    f"{option} goes with takes, and none was named.",
                    advice="Name recordings behind the set, or leave the option out to add from "
                    "the garage.",
                )
        from vibecheck.dataset.from_garage import takes_of_garage

        new, skipped = takes_of_garage(data, car, device=device, licence=licence)
        for sentence in skipped:
            terminal.say(f"Not added: {sentence}")
    print_added(folder, add_to_set(folder, new), as_json)


@dataset_app.command("verify", help=VERIFY_HELP)
def verify_command(
    labelled_set: SetArgument,
    no_listening: Annotated[
        bool,
        typer.Option(
            "--no-listening", help="Compare bytes only: do not look for one sound in two files."
        ),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck dataset verify`` (the help text is `VERIFY_HELP`)."""
    from vibecheck.cli.stages import Stages
    from vibecheck.dataset.suggest import count
    from vibecheck.dataset.verify import verify_set

    with Stages() as report:
        found = verify_set(labelled_set, listen=not no_listening, progress=report)
    if as_json:
        print_json(
            {
                "schema": "vibecheck.verified/1",
                "manifest": str(found.manifest),
                "n_takes": len(found.rows),
                "problems": [dict(vars(one)) for one in found.problems],
                "notes": list(found.notes),
            }
        )
    else:
        for one in found.problems:
            typer.echo(f"{one.code}: {one.what}\n  where: {one.where}\n  do:    {one.advice}")
        for note in found.notes:
            typer.echo(f"note: {note}")
        cars = len({row.car for row in found.rows})
        checks = len({row.check for row in found.rows})
        typer.echo(
            f"{count(len(found.problems), 'problem') if found.problems else 'No problems'} found "
            f"in {count(len(found.rows), 'take')} of {count(cars, 'car')} in "
            f"{count(checks, 'bench check')}."
        )
    if found.problems:
        raise typer.Exit(1)


@dataset_app.command("pack", help=PACK_HELP)
def pack_command(
    labelled_set: SetArgument,
    out: Annotated[Path, typer.Option(metavar="FILE.zip", help="The archive.")],
    high_pass: Annotated[
        float, typer.Option(metavar="HZ", help="Edge of the high-pass, 0 (none) to 500.")
    ] = 40.0,
    no_masking: Annotated[
        bool, typer.Option("--no-masking", help="Leave the band of voices as it is.")
    ] = False,
    as_it_is: Annotated[
        bool, typer.Option("--as-it-is", help="No privacy pass: the bytes of the takes, tags too.")
    ] = False,
    force: Annotated[
        bool, typer.Option("--force", help="Replace an archive of this name.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck dataset pack`` (the help text is `PACK_HELP`)."""
    from vibecheck.cli.stages import Stages
    from vibecheck.dataset.pack import write_pack
    from vibecheck.dataset.privacy import PrivacyOptions
    from vibecheck.dataset.suggest import count

    if out.suffix.lower() != ".zip":
        raise CallError(f'--out must end in .zip. Got "{out.name}" instead.')
    if out.exists() and not force:
        raise CallError(
            "--out names a file that is there already.",
            where=str(out),
            advice="Choose another name, or replace it with --force.",
        )
    privacy = None if as_it_is else PrivacyOptions(high_pass, not no_masking)
    with Stages() as report:
        packed = write_pack(labelled_set, out, privacy=privacy, progress=report)
    if as_json:
        print_json(
            {
                "schema": "vibecheck.packed/1",
                "file": str(packed.file),
                "bytes": packed.n_bytes,
                "takes": [
                    {"sha256": row.sha256, "car": row.car, **one.plain()}
                    for row, one in zip(packed.rows, packed.reports, strict=True)
                ],
            }
        )
        return
    typer.echo(f"{out}: {count(len(packed.rows), 'take')}, {packed.n_bytes / 1e6:.1f} MB.")
    _print_privacy(packed.reports, as_it_is)


def _print_privacy(reports: Sequence[Any], as_it_is: bool) -> None:
    if as_it_is:
        typer.echo("No privacy pass: the takes may hold voices and the phone's tags.")
        return
    treated = [one for one in reports if one.treated]
    spoken = [one for one in treated if one.syllables_before]
    left = [one for one in treated if one.syllables_after]
    searched = sum(one.searched_s for one in treated)
    whole = sum(one.duration_s for one in treated)
    typer.echo(
        f"Privacy pass: {len(treated)} sound takes written anew; voices heard in {len(spoken)} of "
        f"them, in {len(left)} afterwards; {sum(one.masked_s for one in treated):.1f} s masked. "
        f"{searched:.0f} of {whole:.0f} s were masked or searched: run-up and coast-down are not. "
        "Listen before you share."
    )
    rest = len(reports) - len(treated)
    if rest:
        typer.echo(
            f"{rest} accelerometer takes are packed as they are, with all columns of their files."
        )
    typer.echo("What was done to each take stands in pack.json inside, and with --json here.")


@dataset_app.command("merge", help=MERGE_HELP)
def merge_command(
    folder: NewSetArgument,
    sources: Annotated[
        list[Path], typer.Argument(metavar="PACK ...", help="Packs, or folders of other sets.")
    ],
    owner: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Put before the names of their cars and checks, where two owners use one name.",
        ),
    ] = "",
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck dataset merge`` (the help text is `MERGE_HELP`)."""
    from vibecheck.dataset.merge import merge
    from vibecheck.dataset.suggest import count

    found = []
    for source in sources:
        added = merge(folder, source, owner=owner)
        found.append(
            {
                "source": str(source),
                "added": len(added.added),
                "known": added.known,
                "n_takes": added.n_takes,
            }
        )
        if not as_json:
            typer.echo(
                f"{source}: {count(len(added.added), 'take')} added, {added.known} there already. "
                f"The set {folder} holds {count(added.n_takes, 'take')}."
            )
    if as_json:
        print_json({"schema": "vibecheck.merged/1", "set": str(folder), "sources": found})


@dataset_app.command("suggest", help=SUGGEST_HELP)
def suggest_command(
    labelled_set: SetArgument,
    model: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The model to ask; the shipped one by default."),
    ] = None,
    no_model: Annotated[
        bool, typer.Option("--no-model", help="Count only: ask no model, measure no take.")
    ] = False,
    cache: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Folder that keeps the takes' features; by default in your cache."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck dataset suggest`` (the help text is `SUGGEST_HELP`)."""
    from vibecheck.cli.train import cache_folder
    from vibecheck.dataset.labelled_set import read_set
    from vibecheck.dataset.suggest import suggest, uncertain_takes

    if model is not None and no_model:
        raise CallError("--model and --no-model contradict each other.")
    rows = read_set(labelled_set)
    asked = []
    if not no_model:
        from vibecheck.training.workflow import one_thread, require_training

        require_training()
        with one_thread():
            asked = uncertain_takes(rows, model, cache_folder(cache))
    found = suggest(rows, asked)
    if as_json:
        print_json(
            {"schema": "vibecheck.suggestions/1", "suggestions": [one.plain() for one in found]}
        )
        return
    out = terminal.console()
    for number, one in enumerate(found, start=1):
        for lead, text in ((f"{number}. ", one.what), ("   Why: ", one.why), ("   How: ", one.how)):
            for line in terminal.hang(text, lead, out.width):
                typer.echo(line)
        if one.slackens:
            for text in one.cautions:
                for line in terminal.hang(text, "   Caution: ", out.width):
                    typer.echo(line)
    cautions = dict.fromkeys(text for one in found if not one.slackens for text in one.cautions)
    if cautions:
        typer.echo("Cautions for all recordings:")
        for text in cautions:
            for line in terminal.hang(text, "  - ", out.width):
                typer.echo(line)
