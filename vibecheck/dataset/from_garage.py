"""From the garage to a labelled set: every finished hand check labels the takes of its sitting."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from vibecheck.dataset.labelled_set import NewTake
from vibecheck.dataset.own import Labels, labels_of, own_row
from vibecheck.dataset.row import SNUG
from vibecheck.errors import InputError, VibecheckError

if TYPE_CHECKING:
    from vibecheck.garage.values import Sitting, StoredCar, StoredTake


def takes_of_garage(
    data: Path | None, car: str | None = None, *, device: str = "", licence: str = ""
) -> tuple[list[NewTake], list[str]]:
    """Gather the takes that a hand check labels.

    Parameters
    ----------
    data : Path, optional
        Folder of the garage; its usual place by default.
    car : str, optional
        One car; all cars by default, hidden ones too.
    device, licence : str
        Written to every row.

    Returns
    -------
    takes : list of NewTake
        Those before the hand check with what it found; those after it, where it left everything
        snug, as baseline.
    skipped : list of str
        Sittings and takes that cannot be used, with the reason.

    Raises
    ------
    InputError
        If there is no garage, or it cannot be read.
    CallError
        If the garage has no such car.
    """
    from vibecheck.garage import Garage, garage_folder
    from vibecheck.garage.place import garage_exists

    if not garage_exists(data):
        raise InputError(
            "There is no garage yet.",
            where=str(garage_folder(data)),
            advice="Begin a bench check with vibecheck bench start, name the garage's folder with "
            "--data, or name recordings behind the set.",
        )
    takes: list[NewTake] = []
    skipped: list[str] = []
    with Garage.open(data) as garage:
        cars = garage.cars(hidden=True) if car is None else (garage.find_car(car),)
        for stored in cars:
            for sitting in garage.sittings(stored.id, newest_first=False):
                why = _why_not(sitting, stored)
                if why:
                    skipped.append(f"bench check {sitting.number} of {stored.name}: {why}")
                    continue
                for take in sitting.takes:
                    made = _new_take(stored, sitting, take, device, licence)
                    if isinstance(made, str):
                        skipped.append(f"{take.file_name} of bench check {sitting.number}: {made}")
                    else:
                        takes.append(made)
    return takes, skipped


def _why_not(sitting: Sitting, stored: StoredCar) -> str:
    """Say why a sitting labels nothing; nothing where it does."""
    from vibecheck.garage.values import SetUp

    if not sitting.takes:
        return "it has no takes"
    if sitting.hand_check is None or not sitting.hand_check_done:
        return "its hand check is not finished, so its takes have no labels yet"
    own = SetUp.of(stored.car)
    for name in ("pinion_teeth", "spur_teeth"):
        fitted, said = getattr(sitting.set_up, name), getattr(own, name)
        if fitted is not None and said is not None and fitted != said:
            return (
                f"it was run with {fitted} teeth where the car file now says {said} "
                f"({name.replace('_', ' ')}); a set has one file for each car"
            )
    return ""


def _new_take(
    stored: StoredCar, sitting: Sitting, take: StoredTake, device: str, licence: str
) -> NewTake | str:
    check = sitting.hand_check
    assert check is not None
    name = f"{stored.name} {sitting.date:%Y-%m-%d} {sitting.id[:8]}"
    if take.after_hand_check:
        if not sitting.left_snug:
            return "recorded after a hand check that did not leave everything snug"
        labels = Labels("baseline", {zone.name: SNUG for zone in stored.car.zones}, "")
        name += " after"
    else:
        labels = labels_of(check, stored.car)
    if take.reading:
        return (
            "its file needs to be told how it is read "
            f"({', '.join(sorted(take.reading))}), which a manifest cannot say"
        )
    sensor: Literal["microphone", "accelerometer"] = (
        "accelerometer" if take.sensor == "accelerometer" else "microphone"
    )
    try:
        row = own_row(
            take.path, stored.car, Path(f"{stored.name}.toml"), name, labels,
            spot=take.spot, sensor=sensor, device=device, licence=licence,
        )  # fmt: skip
    except VibecheckError as error:
        return error.what
    if row.sha256 != take.sha256:
        return "the recording in the garage has changed since it was added"
    return NewTake(row, stored.text)
