"""What a model was trained on, kept in its file: without it no score of it could be trusted."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from vibecheck.errors import InputError

if TYPE_CHECKING:
    from vibecheck.dataset.manifest import ManifestRow

PREFIX_BYTES = 8
"""Bytes kept of every take's hash. Two takes of a million share them by chance once in 30 million
such sets."""
_AGAIN = "Train the model again with this version of vibecheck."


@dataclass(frozen=True)
class Lineage:
    """The takes and cars a model was trained on.

    Attributes
    ----------
    cars : frozenset of str
        Names, in one spelling (`car_key`).
    takes : frozenset of bytes
        First `PREFIX_BYTES` of every take's SHA-256.
    base_rates : dict of str to float
        Share of loose cases in the training set, by kind of zone.
    """

    cars: frozenset[str]
    takes: frozenset[bytes]
    base_rates: Mapping[str, float]

    def knows(self, row: ManifestRow) -> bool:
        """Tell whether a take, or another take of its car, was trained on."""
        return car_key(row.car) in self.cars or _prefix(row.sha256) in self.takes


def car_key(name: str) -> str:
    """Return one spelling of a car's name, whatever its case and spaces."""
    return " ".join(name.casefold().split())


def _prefix(sha256: str) -> bytes:
    return bytes.fromhex(sha256[: 2 * PREFIX_BYTES])


def pack_takes(hashes: Iterable[str]) -> str:
    """Return the hashes' first bytes, sorted, as one compact text (base 64).

    Parameters
    ----------
    hashes : iterable of str
        SHA-256 in hexadecimal digits.
    """
    return base64.b64encode(b"".join(sorted({_prefix(one) for one in hashes}))).decode()


def joined(about: Mapping[str, Any], cars: Sequence[str], hashes: Iterable[str]) -> dict[str, Any]:
    """Return what a model was trained on, with more takes and cars added.

    Parameters
    ----------
    about : mapping
        Of the model before.
    cars : sequence of str
    hashes : iterable of str
        SHA-256 in hexadecimal digits.
    """
    packed = base64.b64decode(about["takes"], validate=True)
    known = {packed[at : at + PREFIX_BYTES] for at in range(0, len(packed), PREFIX_BYTES)}
    takes = b"".join(sorted(known | {_prefix(one) for one in hashes}))
    return {
        "cars": sorted({*about["cars"], *cars}),
        "takes": base64.b64encode(takes).decode(),
    }


def facts(
    cars: Sequence[str], hashes: Sequence[str], base_rates: Mapping[str, float]
) -> dict[str, Any]:
    """Return what `lineage_of` reads again, as plain values for a model's ``about``."""
    return {
        "cars": sorted(set(cars)),
        "takes": pack_takes(hashes),
        "base_rates": {name: float(rate) for name, rate in sorted(base_rates.items())},
    }


def lineage_of(about: Mapping[str, Any], where: str) -> Lineage:
    """Read what a model was trained on.

    Parameters
    ----------
    about : mapping
        Of the model.
    where : str
        The model file, for messages.

    Raises
    ------
    InputError
        If the model does not say, or its words cannot be read.
    """
    lacking = [key for key in ("cars", "takes", "base_rates") if key not in about]
    if lacking:
        raise InputError(
            f'The model file does not say what it was trained on (it lacks "{lacking[0]}"), so '
            "no take can be told to be new to it.",
            where=where,
            advice=_AGAIN,
        )
    try:
        packed = base64.b64decode(about["takes"], validate=True)
        takes = frozenset(
            packed[at : at + PREFIX_BYTES] for at in range(0, len(packed), PREFIX_BYTES)
        )
        rates = {str(name): float(rate) for name, rate in about["base_rates"].items()}
        cars = frozenset(car_key(name) for name in about["cars"])
    except (binascii.Error, AttributeError, TypeError, ValueError) as error:
        raise InputError(
            "What the model file says of its training takes cannot be read.",
            where=where,
            advice=_AGAIN,
        ) from error
    return Lineage(cars, takes, rates)
