"""Command line: takes for a labelled set, and what was added of them."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from vibecheck.cli.json_out import print_json
from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.dataset.labelled_set import Added, NewTake
    from vibecheck.dataset.own import Sensor


def named_takes(
    takes: Sequence[Path],
    car: str | None,
    check: str,
    kind: str,
    loose: Sequence[str],
    not_checked: Sequence[str],
    rest_snug: bool,
    spots: Sequence[str],
    sensor: str | None,
    device: str,
    licence: str,
) -> list[NewTake]:
    """Return recordings that were named on the command line, with their labels.

    Raises
    ------
    CallError, InputError
        If the car is not named, or a spot, a label or a recording is not right.
    """
    from vibecheck.car.read import read_car
    from vibecheck.car.zones import CENTRE_SPOT
    from vibecheck.dataset.labelled_set import NewTake
    from vibecheck.dataset.own import labels_by_hand, own_row
    from vibecheck.errors import InputError
    from vibecheck.whole_file import file_hash

    if car is None:
        raise CallError("--car must be given with takes.", advice="Name the car file.")
    if sensor not in (None, "microphone", "accelerometer"):
        raise CallError(f'--sensor must be microphone or accelerometer. Got "{sensor}" instead.')
    places = list(spots) or [CENTRE_SPOT]
    if len(places) == 1:
        places *= len(takes)
    if len(places) != len(takes):
        raise CallError(
            f"--spot must be given once for all, or once for each take ({len(takes)}). "
            f"Got {len(places)} instead."
        )
    car_file = Path(car)
    profile = read_car(car_file)
    known = [CENTRE_SPOT, *(zone.name for zone in profile.zones)]
    for place in places:
        if place not in known:
            raise CallError(
                f'The spot "{place}" is no zone of the car.', advice=f"Known: {', '.join(known)}."
            )
    labels = labels_by_hand(profile, kind, loose, not_checked, rest_snug=rest_snug)
    text = car_file.read_text(encoding="utf-8-sig")
    for take in takes:
        if not take.is_file():
            raise InputError("There is no such recording.", where=str(take))
    name = check or f"{profile.name} {file_hash(takes[0])[:8]}"
    kinds: Sensor | None = sensor  # type: ignore[assignment]
    return [
        NewTake(
            own_row(
                take, profile, car_file, name, labels,
                spot=place, sensor=kinds, device=device, licence=licence,
            ),
            text,
        )
        for take, place in zip(takes, places, strict=True)
    ]  # fmt: skip


def print_added(folder: Path, added: Added, as_json: bool) -> None:
    """Say what was added to a set, and the next command."""
    if as_json:
        plain = {
            "schema": "vibecheck.added/1",
            "set": str(folder),
            "added": [
                {"file": str(row.file), "car": row.car, "bench_check": row.check,
                 "kind": row.kind, "loose_zones": list(row.loose_zones),
                 "unknown_zones": list(row.unknown_zones)}
                for row in added.added
            ],
            "known": added.known,
            "n_takes": added.n_takes,
        }  # fmt: skip
        print_json(plain)
        return
    for row in added.added:
        what = f": {', '.join(row.loose_zones)}" if row.loose_zones else ""
        rest = f", {len(row.unknown_zones)} zones not checked" if row.unknown_zones else ""
        typer.echo(f"Added {row.file}  {row.car}, {row.kind}{what}{rest}")
    from vibecheck.dataset.suggest import count

    typer.echo(
        f"{count(len(added.added), 'take')} added, {added.known} there already. "
        f"The set {folder} holds {count(added.n_takes, 'take')}."
    )
    if added.n_takes:
        typer.echo(f"Next: vibecheck dataset verify {shlex.quote(str(folder))}")
