"""Report: a check as one self-contained HTML page. `result_to_html`.

The page loads nothing, runs no script, and prints to two A4 pages for one take.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from vibecheck import __version__
from vibecheck.report import words
from vibecheck.report.history_pictures import contributions_picture
from vibecheck.report.pictures import Picture
from vibecheck.report.views import matching_baseline, take_pictures
from vibecheck.result import SCHEMA, CheckedTake, CheckResult, ZoneRisk
from vibecheck.result_json import all_findings

if TYPE_CHECKING:
    from jinja2 import Environment

MAX_PICTURED_TAKES = 4
FULL_ZONES = 3
"""Zones whose instructions are printed on paper too; the screen shows them for all."""


@dataclass(frozen=True)
class Link:
    """A link to a neighbouring page of the same folder."""

    label: str
    href: str


@dataclass(frozen=True)
class TakeView:
    """What the page shows of one take."""

    checked: CheckedTake
    pictures: tuple[Picture, ...]

    @property
    def findings(self) -> Any:
        """Findings of the quality gate and of the reader."""
        return all_findings(self.checked.take, self.checked.quality)


def result_to_html(
    result: CheckResult, *, links: Sequence[Link] = (), story: str = "", title: str = ""
) -> str:
    """Return a check as one self-contained HTML page.

    Parameters
    ----------
    result : CheckResult
    links : sequence of Link, optional
        Neighbouring pages, shown on top and at the end.
    story : str, optional
        A sentence shown above the verdict.
    title : str, optional
        Replaces "Bench check of (car)".

    Returns
    -------
    str
        A whole HTML document that loads nothing from anywhere.
    """
    takes = []
    for place, checked in enumerate(result.takes):
        pictured = place < MAX_PICTURED_TAKES
        takes.append(TakeView(checked, tuple(take_pictures(checked, result)) if pictured else ()))
    zones = words.ranked(result)
    headline, explanation = words.verdict_words(result)
    return render(
        "page.html",
        title=title or f"Bench check of {result.car.name}",
        result=result,
        schema=SCHEMA,
        headline=headline,
        explanation=explanation,
        zones=zones,
        fasteners={zone.zone: fastener_words(result, zone) for zone in zones},
        before=words.told_before(zones),
        not_heard=words.not_heard(result),
        takes=takes,
        contributions=contributions_picture(zones),
        remarks=words.remarks(result),
        asks_for_baseline=bool(zones)
        and any(checked.features is not None for checked in result.takes)
        and not any(matching_baseline(checked, result) for checked in result.takes),
        links=links,
        story=story,
        full_zones=FULL_ZONES,
    )


def fastener_words(result: CheckResult, risk: ZoneRisk) -> str:
    """Return a zone's fasteners in one line, as the car file names them."""
    for zone in result.car.zones:
        if zone.name == risk.zone:
            return ", ".join(f"{f.count} × {f.name} {f.thread}" for f in zone.fasteners)
    return ""


def render(template: str, **values: Any) -> str:
    """Fill in one of the package's page templates; everything not marked as safe is escaped."""
    return environment().get_template(template).render(words=words, version=__version__, **values)


@cache
def environment() -> Environment:
    """Return the template environment, with escaping always on."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("vibecheck.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
