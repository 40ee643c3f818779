"""The demo: the story of one invented car over bench checks, from shipped simulated takes.

The story is data: ``data/demo/story.toml`` names the car file and, for each check, a name, a
sentence, and the takes with their spots. The first check's takes are the baseline of those after
it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from pathlib import Path

from vibecheck.errors import InputError
from vibecheck.recording.take import Take
from vibecheck.result import CheckResult

Progress = Callable[[str], None]
SIMULATED = (
    "These recordings are simulated: equations of motion of an invented car, not a real one."
)
INDEX_NAME = "index.html"


@dataclass(frozen=True)
class Chapter:
    """One bench check of the story.

    Attributes
    ----------
    name : str
    sentence : str
        What happened to the car before it.
    files, spots : tuple of str
        Takes inside the demo folder, and where the sensor sat for each.
    """

    name: str
    sentence: str
    files: tuple[str, ...]
    spots: tuple[str, ...]


@dataclass(frozen=True)
class Story:
    """The demo's story and the folder that holds its car and takes."""

    folder: Traversable
    car_file: str
    chapters: tuple[Chapter, ...]

    @property
    def n_steps(self) -> int:
        """Steps that `run_story` reports: reading and hearing each take, drawing each page."""
        n_first = len(self.chapters[0].files)
        heard = sum(len(c.files) for c in self.chapters) + n_first * (len(self.chapters) - 1)
        return sum(len(c.files) for c in self.chapters) + heard + len(self.chapters)


@dataclass(frozen=True)
class Told:
    """One bench check as it went: the chapter, its result, and its page."""

    chapter: Chapter
    result: CheckResult
    page: Path


def read_story(folder: Traversable | None = None) -> Story:
    """Read the story of the demo.

    Parameters
    ----------
    folder : folder of package data or Path, optional
        Holds ``story.toml``; the shipped one where absent.

    Raises
    ------
    InputError
        If the story is missing or incomplete.
    """
    home = folder if folder is not None else files("vibecheck").joinpath("data", "demo")
    script = home.joinpath("story.toml")
    if not script.is_file():
        raise InputError(
            "The demo's recordings are missing from this installation.",
            where=str(script),
            advice="Install vibecheck again from its package or from the repository.",
        )
    try:
        table = tomllib.loads(script.read_text("utf-8"))
        car_file = str(table["car_file"])
        chapters = tuple(
            Chapter(
                str(check["name"]),
                str(check["sentence"]),
                tuple(str(take["file"]) for take in check["takes"]),
                tuple(str(take["spot"]) for take in check["takes"]),
            )
            for check in table["checks"]
        )
    except (tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise InputError(
            f"The demo's story cannot be read: {error}.",
            where=str(script),
            advice="Install vibecheck again from its package or from the repository.",
        ) from None
    if not chapters or not all(chapter.files for chapter in chapters):
        raise InputError(
            "The demo's story must name at least one check, and at least one take in each.",
            where=str(script),
            advice="Install vibecheck again from its package or from the repository.",
        )
    return Story(home, car_file, chapters)


def run_story(
    story: Story, folder: Path, *, progress: Progress | None = None
) -> tuple[list[Told], Path]:
    """Run every bench check of the story and write its pages.

    Parameters
    ----------
    story : Story
    folder : Path
        One page a check and an index land in it; made where it is missing.
    progress : callable, optional
        Called with a short sentence before each step.

    Returns
    -------
    told : list of Told
    index : Path
        The page that links the others.
    """
    from vibecheck.car.read import read_car
    from vibecheck.model.store import load_model
    from vibecheck.pipeline import check

    say = progress or (lambda _sentence: None)
    with as_file(story.folder.joinpath(story.car_file)) as path:
        car = read_car(path)
    model = load_model()
    baseline: list[Take] = []
    results: list[CheckResult] = []
    for chapter in story.chapters:
        takes = [
            _read(story, file, spot, say)
            for file, spot in zip(chapter.files, chapter.spots, strict=True)
        ]
        results.append(check(takes, car, baseline=baseline, model=model, progress=say))
        baseline = baseline or takes
    return _write_pages(story, results, folder, say)


def _read(story: Story, file: str, spot: str, say: Progress) -> Take:
    from vibecheck.recording.read import read_take

    say(f"Reading {file}")
    with as_file(story.folder.joinpath(file)) as path:
        return read_take(path, spot=spot)


def page_name(place: int, chapter: Chapter) -> str:
    """Return the file name of a chapter's page."""
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in chapter.name.lower())
    return f"{place + 1}-{'-'.join(part for part in kept.split('-') if part)}.html"


def _write_pages(
    story: Story, results: Sequence[CheckResult], folder: Path, say: Progress
) -> tuple[list[Told], Path]:
    from vibecheck.report.files import write_whole
    from vibecheck.report.page import Link, render, result_to_html

    names = [page_name(place, chapter) for place, chapter in enumerate(story.chapters)]
    told = []
    for place, (chapter, result) in enumerate(zip(story.chapters, results, strict=True)):
        say(f"Drawing {names[place]}")
        links = [Link("All bench checks", INDEX_NAME)]
        if place > 0:
            links.append(Link(f"Before: {story.chapters[place - 1].name}", names[place - 1]))
        if place + 1 < len(names):
            links.append(Link(f"Next: {story.chapters[place + 1].name}", names[place + 1]))
        page = result_to_html(
            result,
            links=links,
            story=f"{chapter.sentence} {SIMULATED}",
            title=f"{result.car.name}: {chapter.name}",
        )
        write_whole(folder / names[place], page)
        told.append(Told(chapter, result, folder / names[place]))
    index = folder / INDEX_NAME
    write_whole(
        index,
        render(
            "story.html",
            title=f"{results[0].car.name}: {len(told)} bench checks",
            simulated=SIMULATED,
            told=told,
            hand_check=results[0].hand_check,
        ),
    )
    return told, index
