"""The manifest: strict reading with errors by file and line, files against their hashes."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up import TESTBED

from vibecheck.car.zones import ZONE_NAMES
from vibecheck.dataset.columns import COLUMNS, ordered_columns
from vibecheck.dataset.manifest import (
    KINDS,
    ManifestRow,
    cars,
    has_one_class,
    read_manifest,
    verify_files,
    write_cells,
    write_manifest,
    zones_with_both_classes,
)
from vibecheck.errors import InputError

ROOT = Path(__file__).resolve().parents[2]
OWN_ZONE = """
[[zones]]
name = "fan_shroud"
severity = 1
"""


def base_rows() -> list[dict[str, Any]]:
    """Two bench checks of one car, two takes each."""
    rows = []
    for k in range(4):
        loose = k >= 2
        rows.append(
            {
                "file": f"takes/{k}.wav",
                "sha256": hashlib.sha256(f"take {k}".encode()).hexdigest(),
                "car": "Testbed",
                "car_file": "car.toml",
                "bench_check": f"check {k // 2}",
                "kind": "loose" if loose else "baseline",
                "sensor": "microphone",
                "spot": ("centre", "motor_mount")[k % 2],
                "motor_mount_preload": "0" if loose else "1",
                "motor_mount_turns": "0.5" if loose else "0",
                "driveline_preload": "1",
                "driveline_turns": "0",
                "origin": "own",
                "seed": "",
            }
        )
    return rows


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "takes").mkdir()
    (tmp_path / "car.toml").write_text(TESTBED, encoding="utf-8")
    (tmp_path / "other.toml").write_text(TESTBED.replace("Testbed", "Other"), encoding="utf-8")
    for k in range(4):
        (tmp_path / "takes" / f"{k}.wav").write_text(f"take {k}", encoding="utf-8")
    return tmp_path


def write(folder: Path, rows: list[dict[str, Any]]) -> Path:
    path = folder / "manifest.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_a_good_manifest_gives_its_rows(folder: Path) -> None:
    rows = read_manifest(write(folder, base_rows()))
    assert [row.loose_zones for row in rows] == [(), (), ("motor_mount",), ("motor_mount",)]
    assert rows[0].file == folder / "takes" / "0.wav"
    assert [row.line for row in rows] == [2, 3, 4, 5]
    assert (rows[0].origin, rows[0].seed, rows[0].sample_rate_hz) == ("own", None, None)
    assert cars(rows) == ("Testbed",)
    assert zones_with_both_classes(rows) == ("motor_mount",)
    assert not has_one_class(rows)
    assert has_one_class(rows[:2])
    assert has_one_class(rows[2:])
    calls: list[tuple[int, int]] = []
    verify_files(rows, progress=lambda done, total: calls.append((done, total)))
    assert calls[-1] == (4, 4)


def test_lost_preload_alone_counts_as_loose_below_its_limit(folder: Path) -> None:
    rows = base_rows()
    for row in rows[2:]:
        row |= {"motor_mount_preload": "0.59", "motor_mount_turns": "0"}
    assert read_manifest(write(folder, rows))[2].is_loose("motor_mount")
    for row in rows[2:]:
        row["motor_mount_preload"] = "0.6"
    assert not read_manifest(write(folder, rows))[2].is_loose("motor_mount")


# The row that is changed, the change, the words of the refusal, the line that it names.
BAD = [
    (0, {"file": ""}, 'The cell "file" is empty', 2),
    (0, {"origin": ""}, 'The cell "origin" is empty', 2),
    (1, {"origin": "swn"}, 'Unknown origin "swn". Did you mean "own"', 3),
    (1, {"kind": "lose"}, 'Unknown kind "lose". Did you mean "loose"', 3),
    (2, {"sensor": "microfone"}, 'Unknown sensor "microfone". Did you mean "microphone"', 4),
    (3, {"spot": "motor_mont"}, 'The spot "motor_mont" is no zone.*Did you mean "motor_mount"', 5),
    (0, {"sha256": "abc"}, "sha256 must be 64 hexadecimal digits", 2),
    (0, {"file": "takes/9.wav"}, 'There is no take "takes/9.wav"', 2),
    (3, {"car_file": "gone.toml"}, "There is no car file", 5),
    (2, {"motor_mount_turns": "many"}, "preload and turns must be numbers.*many", 4),
    (2, {"motor_mount_turns": ""}, "preload and turns must be numbers", 4),
    (2, {"motor_mount_turns": "nan"}, "motor_mount_turns must be between 0 and 20. Got nan", 4),
    (2, {"motor_mount_turns": "-1"}, "motor_mount_turns must be between 0 and 20. Got -1", 4),
    (2, {"motor_mount_preload": "2.5"}, "motor_mount_preload must be between 0 and 2", 4),
    (2, {"motor_mount_preload": "0.4"}, "motor_mount_preload must be 0 where turns", 4),
    (0, {"seed": "-3"}, "seed must be a whole number", 2),
    (1, {"file": "takes/../takes/0.wav"}, 'The take "0.wav" is also on line 2', 3),
    (
        1,
        {"sha256": hashlib.sha256(b"take 0").hexdigest()},
        'same recording as "0.wav" on line 2.*one take under two names',
        3,
    ),
    (1, {"motor_mount_preload": "0.9"}, 'check "check 0" has two states of motor_mount', 3),
    (1, {"kind": "speech"}, "is of two kinds: baseline on line 2, speech here", 3),
    (
        1,
        {"car": "Other", "car_file": "other.toml"},
        'is of two cars: "Testbed" on line 2, "Other" here',
        3,
    ),
    (1, {"car_file": "other.toml"}, 'The car "Testbed" has another car file than on line 2', 3),
    (0, {"kind": "loose"}, "The kind is loose, yet every zone is snug", 2),
    (2, {"kind": "worn_bearing"}, "The kind is worn_bearing, which means nothing loose", 4),
    (2, {"kind": "mesh_tight"}, "The kind is mesh_tight, which means nothing loose", 4),
]


@pytest.mark.parametrize(("number", "change", "words", "line"), BAD)
def test_a_bad_row_is_refused_by_its_line(
    folder: Path, number: int, change: dict[str, str], words: str, line: int
) -> None:
    rows = base_rows()
    rows[number] |= change
    path = write(folder, rows)
    with pytest.raises(InputError, match=words) as caught:
        read_manifest(path)
    assert caught.value.where == f"{path}, line {line}"
    assert caught.value.advice


@pytest.mark.parametrize("name", ["sample_rate_hz", "duration_s"])
@pytest.mark.parametrize("value", ["fast", "0", "-2", "inf"])
def test_a_rate_and_a_length_are_numbers_over_zero(folder: Path, name: str, value: str) -> None:
    rows = [row | {name: value} for row in base_rows()]
    with pytest.raises(InputError, match=f"{name} must be a number over 0"):
        read_manifest(write(folder, rows))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no take"),
        ("file,sha256,car\n", "holds no take"),
        ("file,sha256\na,b\n", 'lacks the column "car"'),
        ("file;sha256\na;b\n", "separated by semicolons"),
        ("file,file\na,b\n", 'has the column "file" twice'),
        ("file,sha256\na,b,c\n", "3 cells where the header has 2"),
        ('file,sha256\n"a,b\n', "no CSV text"),
        (
            "file,sha256,car,car_file,bench_check,kind,sensor,spot,orgin\na,b,c,d,e,f,g,h,i\n",
            'lacks the column "origin". Did you mean "orgin"',
        ),
        (
            "file,sha256,car,car_file,bench_check,kind,sensor,spot,origin\na,b,c,d,e,f,g,h,i\n",
            "holds no zone states",
        ),
        (
            "file,sha256,car,car_file,bench_check,kind,sensor,spot,origin,steering_turns\n"
            "a,b,c,d,e,f,g,h,i,0\n",
            'lacks the column "steering_preload"',
        ),
    ],
)
def test_a_bad_table_is_refused(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "manifest.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words) as caught:
        read_manifest(path)
    assert str(caught.value.where).startswith(str(path))


def test_a_table_that_is_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="manifest cannot be read: No such file"):
        read_manifest(tmp_path / "absent.csv")
    with pytest.raises(InputError, match="manifest cannot be read"):
        read_manifest(tmp_path)
    (tmp_path / "sound.csv").write_bytes(b"\xff\xfe\x00RIFF")
    with pytest.raises(InputError, match="no CSV text in UTF-8"):
        read_manifest(tmp_path / "sound.csv")


def test_a_table_that_is_far_too_long_is_refused(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("vibecheck.dataset.manifest.MAX_FILE_BYTES", 100)
    with pytest.raises(InputError, match="far too long for a manifest"):
        read_manifest(write(folder, base_rows()))


def test_an_unknown_zone_is_refused_with_the_closest_name(folder: Path) -> None:
    rows = [row | {"drivline_preload": "1", "drivline_turns": "0"} for row in base_rows()]
    with pytest.raises(InputError, match=r'zone "drivline".*Did you mean "driveline"') as caught:
        read_manifest(write(folder, rows))
    assert str(caught.value.where).endswith("manifest.csv, line 1")


def test_a_zone_of_a_cars_own_is_known_from_its_car_file(folder: Path) -> None:
    rows = base_rows()
    rows[2] |= {"car": "Other", "car_file": "other.toml", "bench_check": "a", "spot": "fan_shroud"}
    rows[3] |= {"car": "Other", "car_file": "other.toml", "bench_check": "b"}
    own = [row | {"fan_shroud_preload": "", "fan_shroud_turns": ""} for row in rows]
    for row in own[2:]:
        row |= {"fan_shroud_preload": "0", "fan_shroud_turns": "1"}
    with pytest.raises(InputError, match='The spot "fan_shroud" is no zone'):
        read_manifest(write(folder, own))
    (folder / "other.toml").write_text(
        TESTBED.replace("Testbed", "Other") + OWN_ZONE, encoding="utf-8"
    )
    found = read_manifest(write(folder, own))
    # The first car has no such zone, hence nothing loose in it.
    assert [row.state["fan_shroud"] for row in found] == [(1, 0), (1, 0), (0, 1), (0, 1)]


def test_a_bad_car_file_is_refused_by_its_name(folder: Path) -> None:
    (folder / "car.toml").write_text("name = 3\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"car\.toml"):
        read_manifest(write(folder, base_rows()))


def test_columns_nobody_knows_are_kept(folder: Path) -> None:
    rows = [row | {"weather": "rain, then sun"} for row in base_rows()]
    found = read_manifest(write(folder, rows))
    assert found[0].other == {"weather": "rain, then sun"}
    write_manifest(folder / "again.csv", found)
    assert read_manifest(folder / "again.csv") == found


def test_the_earlier_name_of_a_wrong_mesh_setting_is_understood(folder: Path) -> None:
    rows = [row | {"backlash_factor": "1"} for row in base_rows()]
    for row in rows[:2]:
        row |= {"kind": "mesh_setting", "backlash_factor": "0.15"}
    assert read_manifest(write(folder, rows))[0].kind == "mesh_tight"
    for row in rows[:2]:
        row["backlash_factor"] = "2.5"
    assert read_manifest(write(folder, rows))[0].kind == "mesh_loose"
    for row in rows[:2]:
        row["backlash_factor"] = ""
    with pytest.raises(InputError, match='Unknown kind "mesh_setting"'):
        read_manifest(write(folder, rows))


def test_the_shipped_manifest_reads_and_its_files_are_whole() -> None:
    rows = read_manifest(ROOT / "datasets" / "demo" / "manifest.csv")
    assert {row.origin for row in rows} == {"simulated"}
    assert set(rows[0].state) <= set(ZONE_NAMES)
    verify_files(rows)


def test_changed_files_are_found_and_counted(folder: Path) -> None:
    rows = read_manifest(write(folder, base_rows()))
    (folder / "takes" / "1.wav").write_text("something else", encoding="utf-8")
    with pytest.raises(InputError, match=r"not the one that was labelled.*differs") as caught:
        verify_files(rows)
    assert "1.wav (line 3 of the manifest)" in str(caught.value)
    assert "more of" not in str(caught.value)
    (folder / "takes" / "2.wav").unlink()
    (folder / "takes" / "3.wav").unlink()
    with pytest.raises(InputError, match="So it is with 2 more of 4 takes"):
        verify_files(rows)
    with pytest.raises(InputError, match="The take is missing"):
        verify_files(rows[2:])
    (folder / "takes" / "2.wav").mkdir()
    with pytest.raises(InputError, match="The take cannot be read"):
        verify_files(rows[2:3])


text = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=12)
number = st.floats(0.001, 1e6).map(lambda value: float(f"{value:.9g}"))
state = st.one_of(
    st.floats(0.0, 2.0).map(lambda value: (float(f"{value:.9g}"), 0.0)),
    st.floats(0.0, 20.0).map(lambda value: (0.0, float(f"{value:.9g}"))),
)


@st.composite
def row_lists(draw: st.DrawFn) -> list[ManifestRow]:
    """Rows of several cars, each bench check with one take; states as the kind demands."""
    zones = draw(st.lists(st.sampled_from(ZONE_NAMES), min_size=1, max_size=4, unique=True))
    rows = []
    for k in range(draw(st.integers(1, 5))):
        kind = draw(st.sampled_from(KINDS))
        states = dict.fromkeys(zones, (1.0, 0.0))
        if kind == "loose":
            states = {zone: draw(state) for zone in zones}
            states[zones[0]] = (0.0, 0.5)
        car = draw(text)
        rows.append(
            ManifestRow(
                file=Path(f"takes/{k}-{draw(text).replace('/', '-')}.wav"),
                car_file=Path(f"cars/{car.replace('/', '-')}.toml"),
                sha256=hashlib.sha256(str(k).encode()).hexdigest(),
                car=car,
                check=f"{k} {draw(text)}",
                kind=kind,
                sensor=draw(st.sampled_from(("microphone", "accelerometer"))),
                spot=draw(st.sampled_from(("centre", *ZONE_NAMES))),
                state=states,
                origin=draw(st.sampled_from(("simulated", "own"))),
                seed=draw(st.none() | st.integers(0, 2**63)),
                device=draw(st.just("") | text),
                licence=draw(st.just("") | text),
                sample_rate_hz=draw(st.none() | number),
                duration_s=draw(st.none() | number),
                other={"disturbance": draw(st.just("") | text), "remark": draw(text)},
            )
        )
    return rows


@settings(max_examples=60, deadline=None)
@given(rows=row_lists())
def test_what_is_written_reads_back(tmp_path_factory: pytest.TempPathFactory, rows: Any) -> None:
    folder = tmp_path_factory.mktemp("round")
    there = [
        ManifestRow(**{**vars(row), "file": folder / row.file, "car_file": folder / row.car_file})
        for row in rows
    ]
    write_manifest(folder / "manifest.csv", there)
    found = read_manifest(folder / "manifest.csv", check_files=False)
    assert found == there
    first = (folder / "manifest.csv").read_bytes()
    write_manifest(folder / "manifest.csv", found)
    assert (folder / "manifest.csv").read_bytes() == first


def test_nothing_half_is_written(folder: Path) -> None:
    path = write(folder, base_rows())
    rows = read_manifest(path)
    before = path.read_bytes()
    with pytest.raises(InputError, match="holds no take"):
        write_manifest(path, [])
    with pytest.raises(InputError, match="must name the same zones"):
        write_cells(path, [{"a_turns": "0", "a_preload": "1"}, {"file": "b"}])
    with pytest.raises(InputError, match="could not be written"):
        write_manifest(folder / "absent" / "manifest.csv", rows)
    assert path.read_bytes() == before
    assert {p.name for p in folder.iterdir()} == {
        "manifest.csv", "takes", "car.toml", "other.toml"
    }  # fmt: skip


def test_columns_come_in_their_usual_order() -> None:
    columns = ordered_columns(["steering", "motor_mount", "own_zone"], ["weather", "disturbance"])
    assert columns[:4] == ["file", "sha256", "car", "car_file"]
    first = columns.index("motor_mount_preload")
    assert columns[first : first + 6] == [
        "motor_mount_preload",
        "motor_mount_turns",
        "steering_preload",
        "steering_turns",
        "own_zone_preload",
        "own_zone_turns",
    ]
    assert columns[-1] == "weather"
    assert {"disturbance", "origin", "licence"} <= set(columns) <= {*COLUMNS, *columns[first:]}
