"""The model card: what it must say, whatever the metrics hold."""

from __future__ import annotations

import copy
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from card_metrics import about, metrics
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.errors import CallError
from vibecheck.training.card import describe_data, write_card
from vibecheck.training.card_page import pictures
from vibecheck.training.card_parts import Picture, Table
from vibecheck.training.card_sections import card_sections
from vibecheck.training.plots import DetectionSeries, detection_picture, standalone
from vibecheck.training.table import FeatureTable

CLEARING = re.compile(r"\b(safe|ok|okay|healthy|pass|passed|all clear|cleared|good to go)\b", re.I)
VOID = {"meta", "br", "hr", "img", "link", "input"}


class Checker(HTMLParser):
    """Collects text and addresses; complains about tags that do not match."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.addresses: list[str] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        found = dict(attrs)
        self.addresses += [str(found[k]) for k in ("href", "src", "xlink:href") if k in found]
        self.ids += [str(found["id"])] if "id" in found else []
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, tag

    def handle_data(self, data: str) -> None:
        if not {"style", "title"} & set(self.open):
            self.words.append(data)


def parsed(html: str) -> Checker:
    checker = Checker()
    checker.feed(html)
    checker.close()
    return checker


def plain(text: str) -> str:
    """Text without markup of either form, on one line."""
    text = re.sub(r"\\([\\`*_|<>\[\]])", r"\1", unescape(text)).replace("\u00a0", " ")
    return re.sub(r"\s+", " ", text)


@pytest.fixture
def card(tmp_path: Path) -> tuple[str, str, list[Path]]:
    paths = write_card(tmp_path, about(), metrics())
    return paths[0].read_text("utf-8"), paths[1].read_text("utf-8"), paths


def test_it_writes_what_it_returns(tmp_path: Path) -> None:
    paths = write_card(tmp_path / "new", about(), metrics())
    assert [path.suffix for path in paths[:2]] == [".html", ".md"]
    assert all(path.is_file() for path in paths)
    assert len(set(paths)) == len(paths) > 10
    assert {path.suffix for path in paths[2:]} == {".svg"}


def test_every_aim_is_there_with_what_was_reached(card: tuple[str, str, list[Path]]) -> None:
    for text in ("".join(parsed(card[0]).words), card[1]):
        text = plain(text)
        for name, wanted, reached, verdict in (
            (
                "any loose ROC area, all takes, against baseline",
                "≥ 0.97",
                "0.930",
                "missed by 0.040",
            ),
            ("any loose ROC area, all takes, no baseline", "≥ 0.92", "0.925", "reached"),
            ("hard negatives flagged", "≤ 0.1", "0.080", "reached"),
            ("expected calibration error", "≤ 0.03", "0.041", "missed by 0.011"),
            ("first zone hit", "≥ 0.85", "not known", "could not be measured"),
        ):
            row = re.search(
                rf"{re.escape(name)}[^≥≤]*{re.escape(wanted)}[ |]*{reached}.{{0,60}}?{verdict}",
                text,
            )
            assert row, name
        assert "2 of 4 measured aims are reached; 1 could not be measured." in text


def test_html_and_markdown_agree_on_every_figure(card: tuple[str, str, list[Path]]) -> None:
    html = plain(" ".join(parsed(re.sub(r"<svg.*?</svg>", "", card[0], flags=re.S)).words))
    squeezed = re.sub(r"\s", "", html)
    n_cells = 0
    for section in card_sections(about(), metrics()):
        for block in section.blocks:
            if isinstance(block, Table):
                for row in block.rows:
                    line = f"| {' | '.join(row)} |"
                    assert line in plain(card[1]), line
                    assert re.sub(r"\s", "", "".join(row)) in squeezed, row
                    n_cells += len(row)
            if isinstance(block, Picture):
                assert block.reading in plain(card[1])
                assert re.sub(r"\s", "", block.reading) in squeezed
    assert n_cells > 150


def test_it_says_simulated_at_the_top_and_at_every_table_and_picture(
    card: tuple[str, str, list[Path]],
) -> None:
    html, markdown, _ = card
    assert html.index("simulated recordings") < html.index("<main>")
    assert markdown.index("simulated recordings") < markdown.index("\n## ")
    sections = card_sections(about(), metrics())
    tables = [b for s in sections for b in s.blocks if isinstance(b, Table)]
    assert len(tables) > 10
    for table in tables:
        assert "simulated" in table.caption, table.caption
    for picture in pictures(sections):
        assert "simulated" in picture.svg, picture.key


@pytest.mark.parametrize("origin", ["own", "pooled", "", None])
def test_other_origins_are_named_too(origin: str | None, tmp_path: Path) -> None:
    facts, figures = {**about(), "trained_on": origin}, {**metrics(), "origin": origin}
    text = write_card(tmp_path, facts, figures)[1].read_text("utf-8")
    tag = {"own": "own recordings", "pooled": "own and simulated recordings"}.get(
        str(origin), "origin not stated"
    )
    assert f"({tag})" in text
    assert "simulated recordings of invented cars" not in text
    assert "The full hand check is always due" in text


def test_the_hand_check_is_due_and_no_word_clears_a_car(
    card: tuple[str, str, list[Path]],
) -> None:
    for text in card[:2]:
        words = plain(" ".join(parsed(text).words) if text is card[0] else text)
        assert "The full hand check is always due. No result of this model clears a car" in words
        assert not CLEARING.search(words), CLEARING.search(words)


def test_what_cannot_be_heard_has_its_section(card: tuple[str, str, list[Path]]) -> None:
    section = plain(card[1]).split("## What cannot be heard")[1].split(" ## ")[0]
    assert "lost preload but has no play yet is invisible" in section
    assert "| motor mount | 1.04; 1.24 |" in section
    assert "| battery hold-down | not reached (68 % of 60 found) |" in section
    assert "| zone | all takes | centre microphone | accelerometer |" in section


def test_failures_come_from_the_numbers() -> None:
    def failures(figures: dict[str, Any]) -> str:
        section = next(s for s in card_sections(about(), figures) if s.key == "failures")
        return " ".join(str(block) for block in section.blocks)

    first = failures(metrics())
    assert "tyre out of balance 21 % (9–33 %)" in first
    assert "speaking" not in first
    assert "wheels at rest 0.51 (0.48–0.54)" in first
    better = metrics()
    for mode in better["modes"].values():
        mode["hard_negatives"]["out_of_balance"]["value"] = 0.02
    assert "out of balance" not in failures(better)


def test_the_page_is_whole_and_loads_nothing(card: tuple[str, str, list[Path]]) -> None:
    html, markdown, paths = card
    checker = parsed(html)
    assert checker.open == []
    assert len(set(checker.ids)) == len(checker.ids)
    assert not {"script", "link", "iframe", "object", "img"} & checker.tags
    for address in checker.addresses:
        assert address.startswith("#"), address
        assert address[1:] in checker.ids, address
    for text in [html, markdown, *(path.read_text("utf-8") for path in paths[2:])]:
        assert re.findall(r"\w+://[^\s\"<]+", text.replace("http://www.w3.org/2000/svg", "")) == []
    for name in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", markdown):
        assert (paths[1].parent / name).is_file(), name


def test_pictures_have_axes_units_and_a_reading(card: tuple[str, str, list[Path]]) -> None:
    svg = "{http://www.w3.org/2000/svg}"
    for path in card[2][2:]:
        root = ElementTree.fromstring(path.read_text("utf-8"))
        texts = [node.text or "" for node in root.iter(f"{svg}text")]
        assert root.find(f"{svg}title") is not None
        assert any("(simulated)" in text for text in texts), path.name
        assert sum(bool(re.fullmatch(r"−?[\d.]+k?", text)) for text in texts) >= 3, path.name
    for picture in pictures(card_sections(about(), metrics())):
        assert re.search(r"\d", picture.reading), picture.key
        assert picture.reading.endswith(".")


def test_series_differ_without_colour() -> None:
    series = [
        DetectionSeries(name, (0.1, 2.0), (0.1, 0.95), a90=1.9, points=[(0.5, 0.3, 10)])
        for name in ("microphone", "accelerometer")
    ]
    svg = re.sub(r"#[0-9a-f]{6}", "", detection_picture("d", "the steering", series, "own").svg)
    curves = re.findall(r"<path d=\"M[^\"]*\" fill=\"none\"[^>]*>", svg)
    assert len(set(curves)) == 2
    assert "<circle" in svg
    assert '<rect x="' in svg


def test_a90_is_marked_or_said_not_to_be_reached() -> None:
    found = DetectionSeries("microphone", (0.1, 2.0), (0.1, 0.95), a90=1.5, a90_95=1.9)
    deaf = DetectionSeries("accelerometer", (0.1, 2.0), (0.1, 0.4))
    one = detection_picture("d", "the steering", [found], "own")
    other = detection_picture("d", "the steering", [deaf], "own")
    assert "90 % are found from 1.50 turns on, with 95 % confidence from 1.90" in one.reading
    assert "90 % is not reached within 2.00 turns (at most 40 %)" in other.reading
    assert "a90 1.50 turns" in one.svg
    assert "a90 not reached" in other.svg
    assert one.svg.count('stroke-dasharray="1 3"') == 1
    assert 'stroke-dasharray="1 3"' not in other.svg


def test_where_no_curve_could_be_fitted_nothing_is_said_of_a90() -> None:
    figures = metrics()
    for mode in figures["modes"].values():
        pod = mode["detection"]["turns"]["gear_mesh"]
        pod |= {"a90": None, "a90_95": None, "curve": None, "n": 7, "n_found": 7}
    section = next(s for s in card_sections(about(), figures) if s.key == "unheard")
    cells = next(
        row
        for b in section.blocks
        if isinstance(b, Table)
        for row in b.rows
        if row[0] == "gear mesh"
    )
    assert cells[1] == "no curve (100 % of 7 found)"
    reading = next(b for b in section.blocks if isinstance(b, Table)).reading
    assert reading == "Not reached even by all takes: battery hold-down."
    picture = detection_picture(
        "d", "it", [DetectionSeries("phone", (), (), points=[(0.5, 1.0, 7)])], "own"
    )
    assert "phone: no curve" in picture.svg
    assert "not reached" not in picture.reading


def pruned(value: Any, choose: Any, chance: float) -> Any:
    """Drop keys and empty values at random."""
    if isinstance(value, dict):
        fate = {key: choose() for key in value}
        return {
            key: None if fate[key] < chance / 2 else pruned(item, choose, chance)
            for key, item in value.items()
            if not chance / 2 <= fate[key] < chance or key in ("stated", "found", "n", "at", "pod")
        }
    return value


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.1, 0.3, 0.6]))
def test_absent_figures_are_left_out_and_nothing_breaks(seed: int, chance: float) -> None:
    rng = np.random.default_rng(seed)
    few = pruned(metrics(), rng.random, chance)
    facts = pruned(about(), rng.random, chance)
    sections = card_sections(facts, few)
    text = " ".join(str(block) for section in sections for block in section.blocks)
    assert not re.search(r"\bnan\b", text, re.I)
    assert "None" not in text
    assert "The full hand check is always due" in text


def test_no_metrics_at_all_still_gives_a_card(tmp_path: Path) -> None:
    page, text, *drawn = write_card(tmp_path, {}, {})
    assert drawn == []
    assert parsed(page.read_text("utf-8")).open == []
    words = text.read_text("utf-8")
    assert "is not stated: take no figure here on trust" in words
    assert "No aims were measured" in words
    assert "invisible" in words


def test_names_from_outside_cannot_break_the_page(tmp_path: Path) -> None:
    facts, figures = about(), copy.deepcopy(metrics())
    facts["name"] = '<script>alert("x")</script> | *odd*'
    mode = figures["modes"]["all_baseline"]
    mode["hard_negatives"]["../../<b>kind</b>|x"] = mode["hard_negatives"]["speech"]
    mode["detection"]["turns"]["../../../etc/<b>zone</b>"] = mode["detection"]["turns"]["gear_mesh"]
    paths = write_card(tmp_path, facts, figures)
    checker = parsed(paths[0].read_text("utf-8"))
    assert "script" not in checker.tags
    assert checker.open == []
    assert all(path.is_relative_to(tmp_path) and ".." not in path.parts for path in paths)
    assert not re.search(r"(?<!\\)<", paths[1].read_text("utf-8"))


def test_old_pictures_go_and_other_files_stay(tmp_path: Path) -> None:
    write_card(tmp_path, about(), metrics())
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    less = metrics()
    for mode in less["modes"].values():
        del mode["roc"]
    paths = write_card(tmp_path, about(), less)
    assert not (tmp_path / "figures" / "roc.svg").exists()
    assert set((tmp_path / "figures").iterdir()) == set(paths[2:])
    assert (tmp_path / "notes.txt").read_text("utf-8") == "mine"


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "card").write_text("a file", encoding="utf-8")
    with pytest.raises(CallError, match="must name a folder"):
        write_card(tmp_path / "card", about(), metrics())
    (tmp_path / "figures").write_text("a file", encoding="utf-8")
    with pytest.raises(CallError, match="must name a folder"):
        write_card(tmp_path, about(), metrics())
    assert not (tmp_path / "model_card.html").exists()


def test_the_data_are_counted_by_check_take_and_car(table: FeatureTable) -> None:
    found = describe_data(table)
    assert sum(found["sensors"].values()) == table.n_takes
    assert sum(found["spots"].values()) == table.n_takes
    assert sum(found["kinds"].values()) == np.unique(table.check).size
    assert sum(found["layouts"].values()) == np.unique(table.car).size
    for place, zone in enumerate(table.zones.tolist()):
        checks = np.unique(table.check[table.loose[:, place]])
        assert found["loose_checks"][zone] == checks.size


def test_a_picture_alone_is_valid_xml_on_white() -> None:
    for picture in pictures(card_sections(about(), metrics())):
        root = ElementTree.fromstring(standalone(picture))
        assert root.tag.endswith("}svg")
        assert float(root.attrib["width"]) == 400
