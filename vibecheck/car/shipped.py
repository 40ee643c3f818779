"""The invented cars that come with vibecheck."""

from __future__ import annotations

from pathlib import Path

from vibecheck.errors import CallError, did_you_mean

FOLDER = Path(__file__).resolve().parent.parent / "data" / "cars"


def shipped_cars() -> tuple[str, ...]:
    """Return the names of the shipped car files, without ``.toml``."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def shipped_car_path(name: str = "saltflat8") -> Path:
    """Return the path of a shipped car file.

    Raises
    ------
    CallError
        If there is none of that name.
    """
    if name not in shipped_cars():
        raise CallError(
            f'There is no shipped car "{name}".',
            advice=did_you_mean(name, shipped_cars()).strip()
            or f"There are: {', '.join(shipped_cars())}.",
        )
    return FOLDER / f"{name}.toml"
