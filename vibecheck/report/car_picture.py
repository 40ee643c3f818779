"""Report: a car seen from above, drawn from its layout and zones. `car_from_above`.

Every zone is a field at its place, large enough for its words on a phone and for a finger. The
places are those of a car of that layout, not of any one car. Nothing is told by colour: ranks are
numbers, the first three also have thicker outlines.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from html import escape

from vibecheck.car.profile import Car
from vibecheck.car.zones import CENTRE_SPOT, WHEEL_ZONES
from vibecheck.report.svg import BLUE, INK, SOFT
from vibecheck.report.words import zone_words

WIDTH = 360
"""In units that are about one pixel on a phone."""
NAME_SIZE, WORDS_SIZE = 14, 13
LINE = 16
BADGE = 13
"""Radius of the disc that holds a rank."""
OUTLINES = {1: 5.0, 2: 4.0, 3: 3.0}
PLATE = "#ececec"
PART = "#8a8a8a"
WIDE = 150
"""From this width on a rank stands beside the words, below it above them."""
ROW = 48


@dataclass(frozen=True)
class Field:
    """A field of the picture: where it lies, in units of the picture."""

    x: float
    y: float
    width: float
    height: float
    round: float = 8.0


PLACES: dict[str, Field] = {
    "wheel_front_left": Field(4, 44, 88, 140, 16),
    "wheel_front_right": Field(268, 44, 88, 140, 16),
    "wheel_rear_left": Field(4, 448, 88, 140, 16),
    "wheel_rear_right": Field(268, 448, 88, 140, 16),
    "steering": Field(102, 40, 156, 72),
    "shock_tower_front": Field(102, 118, 156, 72),
    "battery_hold_down": Field(24, 208, 100, 106),
    "chassis_screws": Field(24, 322, 100, 106),
    "gear_mesh": Field(236, 208, 100, 106),
    "motor_mount": Field(236, 322, 100, 106, 24),
    "shock_tower_rear": Field(102, 446, 156, 72),
    "body_and_aero": Field(52, 606, 256, 58),
}
DRIVELINE = {
    "4wd": Field(132, 208, 96, 220),
    "rwd": Field(102, 524, 156, 70),
    "fwd": Field(132, 208, 96, 106),
}
CENTRE = Field(130, 322, 100, 106, 50)
CENTRE_ALONE = Field(130, 265, 100, 106, 50)
REAR_END = 672


def car_from_above(
    car: Car,
    *,
    ranks: Mapping[str, int] | None = None,
    words: Mapping[str, str] | None = None,
    links: Mapping[str, str] | None = None,
) -> str:
    """Draw a car from above, its front on top.

    Parameters
    ----------
    car : Car
        Gives the layout and the zones; zones of its own are listed below the picture.
    ranks : mapping of zone to int, optional
        Rank of a zone in the order of the hand check, from 1.
    words : mapping of zone to str, optional
        A few words for each zone, such as a percentage; long ones are cut, but told whole to those
        who do not see the picture.
    links : mapping of zone to str, optional
        Address that a zone leads to. Zones without one are drawn with a thin broken outline where
        others have one.

    Each of the three may also name ``"centre"``, the spot in the middle of the car.

    Returns
    -------
    str
        An SVG picture, dark on white, 360 units wide. With links it is a group of links that the
        keyboard reaches; without, an image with a description.
    """
    ranks, words, links = ranks or {}, words or {}, links or {}
    fields, listed = _lay_out(car, spot=any(CENTRE_SPOT in one for one in (ranks, words, links)))
    parts = [*_body(car, fields), *_front()]
    for zone in _reading_order([*fields, *listed], ranks):
        field = fields.get(zone) or listed[zone]
        linked = zone in links
        faint = bool(links) and not linked
        cell = _cell(zone, field, ranks.get(zone), words.get(zone, ""), link=linked, faint=faint)
        if linked:
            label = escape(_spoken(zone, ranks, words))
            cell = f'<a href="{escape(links[zone])}" aria-label="{label}">{cell}</a>'
        parts.append(cell)
    if listed:
        top = min(field.y for field in listed.values())
        parts.append(_text(6, top - 8, "Also on this car:", WORDS_SIZE, colour=SOFT))
    lowest = (field.y + field.height for field in [*fields.values(), *listed.values()])
    height = max(lowest, default=30.0) + 10
    title = escape(f"{car.name} from above, its front on top")
    told = "; ".join(_spoken(zone, ranks, words) for zone in _reading_order(fields | listed, ranks))
    # Inside a picture that is an image no link would be reached.
    role = "group" if links else "img"
    return (
        f'<svg class="panel car-picture" viewBox="0 0 {WIDTH} {height:g}" role="{role}" '
        f'font-family="inherit" fill="{INK}"><title>{title}</title><desc>{escape(told)}.</desc>'
        f'<rect width="{WIDTH}" height="{height:g}" fill="#fff"/>{"".join(parts)}</svg>'
    )


def _spoken(zone: str, ranks: Mapping[str, int], words: Mapping[str, str]) -> str:
    rank = f"{ranks[zone]}: " if zone in ranks else ""
    said = f", {words[zone]}" if words.get(zone) else ""
    return f"{rank}{_name(zone)}{said}"


def _name(zone: str) -> str:
    return "centre of the car" if zone == CENTRE_SPOT else zone_words(zone)


def _reading_order(zones: Iterable[str], ranks: Mapping[str, int]) -> list[str]:
    """By rank where there is one, else from front to rear."""
    last = len(ranks) + 1
    return sorted(zones, key=lambda zone: ranks.get(zone, last))


# ---- where things lie ------------------------------------------------------------------


def _lay_out(car: Car, *, spot: bool) -> tuple[dict[str, Field], dict[str, Field]]:
    """Return the fields of the zones that have a place on every car, and those of the list."""
    names = [zone.name for zone in car.zones]
    places = dict(PLACES)
    rest = Field(102, 482, 156, 72)
    if car.layout is not None:
        places["driveline"] = DRIVELINE[car.layout]
    if car.layout != "rwd" or "driveline" not in names:
        places["shock_tower_rear"] = rest
    if spot:
        driveline = places.get("driveline")
        tall = "driveline" in names and driveline is not None and driveline.height > 150
        if tall and driveline is not None:
            places["driveline"] = replace(driveline, height=106)
        between = "driveline" in names and car.layout in ("4wd", "fwd")
        places[CENTRE_SPOT] = CENTRE if between else CENTRE_ALONE
        names = [CENTRE_SPOT, *names]
    drawn = car.layout is not None
    fields = {name: place for name, place in places.items() if drawn and name in names}
    listed = {}
    top = 30.0 + (REAR_END if fields else 0)
    for name in names:
        if name not in fields:
            lines = len(_wrap(_name(name), WIDTH - 110, NAME_SIZE, most=3, bold=True))
            listed[name] = Field(6, top, WIDTH - 12, ROW + LINE * (lines - 1))
            top += listed[name].height + 8
    return fields, listed


def _body(car: Car, fields: Mapping[str, Field]) -> list[str]:
    """Draw what lies under the fields: the plate, the axles, the shafts."""
    if not fields:
        return []
    plate = (
        "M120 34H240Q262 34 264 60V178Q266 196 300 198H330Q344 198 344 212V424Q344 438 330 438H300"
        "Q266 440 264 460V600H96V460Q94 440 60 438H30Q16 438 16 424V212Q16 198 30 198H60"
        "Q94 196 96 178V60Q98 34 120 34Z"
    )
    parts = [f'<path d="{plate}" fill="{PLATE}" stroke="{PART}" stroke-width="1.5"/>']
    for y in (114, 519):
        parts.append(f'<path d="M40 {y}H320" stroke="{PART}" stroke-width="5"/>')
    ends = {"4wd": "M180 114V519", "rwd": "M286 375V519H180", "fwd": "M180 114V256H286"}
    if car.layout is not None:
        parts.append(f'<path d="{ends[car.layout]}" fill="none" stroke="{PART}" stroke-width="5"/>')
    # Rods to the front wheels, and where wheels are that the car names no zone for.
    parts.append(f'<path d="M92 76H268" stroke="{PART}" stroke-width="2"/>')
    for wheel in WHEEL_ZONES:
        at = PLACES[wheel]
        if wheel not in fields:
            parts.append(_box(at, fill=PLATE, colour=PART, width=1.5))
        outer = at.x + 1 if at.x < WIDTH / 2 else at.x + at.width - 1
        way = -1 if at.x < WIDTH / 2 else 1
        ticks = "".join(
            f"M{outer:g} {at.y + k:g}h{3 * way:g}" for k in range(20, int(at.height) - 10, 12)
        )
        parts.append(f'<path d="{ticks}" stroke="{INK}" stroke-width="4"/>')
    if "body_and_aero" in fields:
        parts.append(f'<path d="M130 594V610M230 594V610" stroke="{PART}" stroke-width="5"/>')
    return parts


def _front() -> list[str]:
    return [
        f'<path d="M180 3 188 15H172Z" fill="{INK}"/>',
        _text(180, 29, "front", WORDS_SIZE, anchor="middle"),
    ]


# ---- one field -------------------------------------------------------------------------


def _cell(zone: str, field: Field, rank: int | None, said: str, *, link: bool, faint: bool) -> str:
    outline = 1.0 if faint else OUTLINES.get(rank or 0, 1.5)
    dash, colour = ("4 3", SOFT) if faint else ("", INK)
    parts = [_box(field, fill="#fff", colour=colour, width=outline, dash=dash)]
    if link:
        parts.append(
            f'<rect class="mark-focus" x="{field.x - 1:g}" y="{field.y - 1:g}" '
            f'width="{field.width + 2:g}" height="{field.height + 2:g}" rx="{field.round:g}" '
            'fill="none" stroke="none"/>'
        )
    beside = field.width >= WIDE
    left, top, right = field.x + 6.0, field.y + 4.0, field.x + field.width - 6.0
    if rank is not None:
        at_x, at_y = field.x + 20.0, field.y + (field.height / 2 if beside else 19.0)
        parts.append(_badge(at_x, at_y, rank))
        if beside:
            left = at_x + BADGE + 5.0
        else:
            top = at_y + BADGE
    most = max(2, int((field.y + field.height - 2.0 - top) // LINE))
    names = _wrap(_name(zone), right - left, NAME_SIZE, most=3, bold=True)
    words = _wrap(said, right - left, WORDS_SIZE, most=max(1, most - len(names))) if said else []
    middle = (left + right) / 2
    lines = len(names) + len(words)
    y = (top + field.y + field.height - 4.0) / 2 - LINE * lines / 2 + 12.0
    for line in names:
        parts.append(
            _text(
                middle, y, line, NAME_SIZE, anchor="middle", bold=not faint, link=link,
                colour=colour,
            )
        )  # fmt: skip
        y += LINE
    for line in words:
        parts.append(_text(middle, y, line, WORDS_SIZE, anchor="middle", colour=colour))
        y += LINE
    return "".join(parts)


def _badge(x: float, y: float, rank: int) -> str:
    first = rank in OUTLINES
    fill, ink = (INK, "#fff") if first else ("#fff", INK)
    number = str(rank)
    size = 16 if len(number) < 2 else 14
    return (
        f'<circle cx="{x:g}" cy="{y:g}" r="{BADGE}" fill="{fill}" stroke="{INK}" '
        f'stroke-width="1.5"/><text x="{x:g}" y="{y + size * 0.36:.1f}" text-anchor="middle" '
        f'font-size="{size}" font-weight="700" fill="{ink}">{number}</text>'
    )


def _box(field: Field, *, fill: str, colour: str, width: float, dash: str = "") -> str:
    inset = width / 2
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<rect x="{field.x + inset:g}" y="{field.y + inset:g}" width="{field.width - width:g}" '
        f'height="{field.height - width:g}" rx="{field.round:g}" fill="{fill}" stroke="{colour}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def _text(
    x: float,
    y: float,
    words: str,
    size: int,
    *,
    anchor: str = "start",
    bold: bool = False,
    link: bool = False,
    colour: str = INK,
) -> str:
    marks = f' text-anchor="{anchor}"' if anchor != "start" else ""
    marks += ' font-weight="700"' if bold else ""
    marks += f' fill="{BLUE}" text-decoration="underline"' if link else ""
    marks += f' fill="{colour}"' if colour != INK and not link else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}"{marks}>{escape(words)}</text>'


# ---- words in a field ------------------------------------------------------------------


def text_width(words: str, size: float, *, bold: bool = False) -> float:
    """Return about how wide words are, in the units of ``size``; rather more than less.

    Widths by kind of letter, as common sans-serif faces have them, and a share on top for the wide
    ones among them.
    """
    width = 0.0
    for letter in words:
        if letter in "fijlrtI.,:;'|!()[] -\u00a0":
            width += 0.33
        elif letter in "mMW%@":
            width += 0.9
        elif letter == "w":
            width += 0.75
        elif letter.isupper() or ord(letter) > 0x2000:
            width += 0.72 if ord(letter) < 0x2000 else 1.0
        else:
            width += 0.57
    return (1.3 if bold else 1.16) * size * width


def _wrap(words: str, width: float, size: float, *, most: int, bold: bool = False) -> list[str]:
    """Break words into at most so many lines; what does not fit ends in an ellipsis."""
    lines: list[str] = []
    for word in words.replace(" %", "\u00a0%").split(" "):
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined, size, bold=bold) <= width:
            lines[-1] = joined
        else:
            lines.append(word)
    cut = len(lines) > most
    lines = lines[:most]
    return [
        _cut(line, width, size, more=cut and place == most - 1, bold=bold)
        for place, line in enumerate(lines)
    ]


def _cut(line: str, width: float, size: float, *, more: bool, bold: bool) -> str:
    if text_width(line, size, bold=bold) <= width and not more:
        return line
    while line and text_width(line + "…", size, bold=bold) > width:
        line = line[:-1]
    return line.rstrip() + "…"
