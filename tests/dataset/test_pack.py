"""Packs: the same bytes each time, merged once however often, refused where anything is wrong."""

from __future__ import annotations

import ast
import json
import os
import shutil
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_set import CAR, small_set

from vibecheck.dataset import labelled_set
from vibecheck.dataset.checks import verify_files
from vibecheck.dataset.labelled_set import NewTake, add_to_set, locked, read_set
from vibecheck.dataset.manifest import read_manifest, write_manifest
from vibecheck.dataset.merge import merge
from vibecheck.dataset.pack import write_pack
from vibecheck.dataset.privacy import PrivacyOptions
from vibecheck.errors import CallError, InputError


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a set, a pack of it as it is, and one that went through the privacy pass."""
    folder = tmp_path_factory.mktemp("packs")
    manifest = small_set(folder / "set")
    write_pack(manifest, folder / "plain.zip", privacy=None)
    write_pack(manifest.parent, folder / "private.zip", privacy=PrivacyOptions())
    return folder


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != labelled_set.LOCK
    }


def test_the_same_set_gives_the_same_bytes(made: Path, tmp_path: Path) -> None:
    for name, privacy in (("plain.zip", None), ("private.zip", PrivacyOptions())):
        again = tmp_path / name
        write_pack(made / "set", again, privacy=privacy)
        assert again.read_bytes() == (made / name).read_bytes()
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_a_pack_names_no_path_time_or_person(made: Path) -> None:
    with zipfile.ZipFile(made / "private.zip") as archive:
        for info in archive.infolist():
            assert info.date_time == (1980, 1, 1, 0, 0, 0)
            assert info.compress_type == zipfile.ZIP_STORED
        contents = json.loads(archive.read("pack.json"))
        text = archive.read("manifest.csv").decode()
    assert "take 0" not in text, "file names are hashes"
    assert str(made) not in text + json.dumps(contents)
    assert contents["privacy"] == {"high_pass_hz": 40.0, "mask_speech": True}
    assert [one["treated"] for one in contents["takes"]] == [True] * 3
    assert all(one["removed_db"] < 0.0 for one in contents["takes"])


def test_merging_is_idempotent_by_hash_before_and_after_the_pass(
    made: Path, tmp_path: Path
) -> None:
    pool = tmp_path / "pool"
    first = merge(pool, made / "private.zip")
    assert (len(first.added), first.known, first.n_takes) == (3, 0, 3)
    before = tree(pool)
    for source in ("private.zip", "plain.zip", "set", "set/manifest.csv"):
        again = merge(pool, made / source)
        assert (again.added, again.known, again.n_takes) == ((), 3, 3)
        assert tree(pool) == before
    rows = read_set(pool)
    verify_files(rows)
    originals = {row.sha256 for row in read_set(made / "set")}
    assert {row.other["original_sha256"] for row in rows} == originals
    assert [row.state for row in rows] == [row.state for row in read_set(made / "set")]
    # Packed again as it is, and merged into a set that holds the originals: nothing new.
    write_pack(pool, tmp_path / "second.zip", privacy=None)
    other = tmp_path / "other"
    merge(other, made / "set")
    assert merge(other, tmp_path / "second.zip").known == 3


def test_two_owners_with_one_name_for_two_cars(made: Path, tmp_path: Path) -> None:
    theirs = small_set(tmp_path / "theirs", first=50)
    car_file = theirs.parent / "car.toml"
    car_file.write_text(CAR.format(name="Dune Runner 3").replace("20", "21"), encoding="utf-8")
    pool = tmp_path / "pool"
    merge(pool, made / "plain.zip")
    before = tree(pool)
    with pytest.raises(InputError, match='has a car "Dune Runner 3" with another car file'):
        merge(pool, theirs)
    assert tree(pool) == before
    assert len(merge(pool, theirs, owner="Anna").added) == 3
    assert {row.car for row in read_set(pool)} == {"Dune Runner 3", "Anna Dune Runner 3"}
    assert merge(pool, theirs, owner="Anna").known == 3


def test_one_recording_with_two_labels_is_refused(made: Path, tmp_path: Path) -> None:
    pool = tmp_path / "pool"
    merge(pool, made / "set")
    before = tree(pool)
    rows = read_set(made / "set")
    wrong = [
        replace(row, kind="loose", state={**row.state, "driveline": (0.0, 1.0)}) for row in rows
    ]
    write_manifest(tmp_path / "wrong.csv", wrong)
    with pytest.raises(InputError, match="in the set already, with another kind"):
        merge(pool, tmp_path / "wrong.csv")
    write_manifest(tmp_path / "wrong.csv", [wrong[1]])
    with pytest.raises(InputError, match="another state of driveline"):
        merge(pool, tmp_path / "wrong.csv")
    assert tree(pool) == before


def test_zones_of_both_sides_are_kept(made: Path, tmp_path: Path) -> None:
    more = small_set(tmp_path / "more", car="Salt Comet 2", first=80)
    rows = [
        replace(row, state={"steering": (0.0, 0.25) if row.kind == "loose" else (1.0, 0.0)})
        for row in read_manifest(more)[:2]
    ]
    write_manifest(more, rows)
    pool = tmp_path / "pool"
    merge(pool, made / "set")
    merge(pool, more)
    by_name = {row.check: row for row in read_set(pool)}
    assert by_name["Salt Comet 2 1"].state == {
        "motor_mount": None, "driveline": None, "steering": (0.0, 0.25)
    }  # fmt: skip
    assert by_name["Dune Runner 3 0"].state["steering"] == (1.0, 0.0), "a baseline is snug all over"
    assert by_name["Dune Runner 3 1"].state["steering"] is None


# ---- packs that somebody has tampered with -----------------------------------------------------


def rewritten(
    source: Path,
    target: Path,
    change: Callable[[dict[str, bytes]], None] = lambda parts: None,
    *,
    compress: bool = False,
    link: str = "",
) -> Path:
    with zipfile.ZipFile(source) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    change(parts)
    kind = zipfile.ZIP_DEFLATED if compress else zipfile.ZIP_STORED
    with zipfile.ZipFile(target, "w", kind) as archive:
        for name, content in parts.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = kind
            mode = stat.S_IFLNK | 0o777 if name == link else stat.S_IFREG | 0o644
            info.external_attr = mode << 16
            archive.writestr(info, content)
    return target


def a_take(parts: dict[str, bytes]) -> str:
    return next(name for name in parts if name.startswith("takes/"))


def listed(parts: dict[str, bytes], name: str, content: bytes) -> None:
    """Add a part, and list it rightly."""
    import hashlib

    parts[name] = content
    contents = json.loads(parts["pack.json"])
    contents["files"].append(
        {"name": name, "sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
    )
    parts["pack.json"] = json.dumps(contents).encode()


def altered(parts: dict[str, bytes]) -> None:
    parts[a_take(parts)] += b"\0"


def relabelled(parts: dict[str, bytes]) -> None:
    parts["manifest.csv"] = parts["manifest.csv"].replace(b"0,0.5", b"0,1.5")


def renamed_schema(parts: dict[str, bytes]) -> None:
    parts["pack.json"] = parts["pack.json"].replace(b"vibecheck.pack/1", b"vibecheck.pack/9")


def names_outside(parts: dict[str, bytes]) -> None:
    import hashlib

    text = parts["manifest.csv"].replace(a_take(parts).encode(), b"../../../etc/hostname")
    parts["manifest.csv"] = text
    contents = json.loads(parts["pack.json"])
    for one in contents["files"]:
        if one["name"] == "manifest.csv":
            one |= {"sha256": hashlib.sha256(text).hexdigest(), "bytes": len(text)}
    parts["pack.json"] = json.dumps(contents).encode()


def endless(parts: dict[str, bytes]) -> None:
    longer = parts["pack.json"].replace(b'"bytes": ', b'"bytes": 1e999, "b": ')
    assert longer != parts["pack.json"]
    parts["pack.json"] = longer


TRICKS = [
    (altered, {}, "altered or damaged"),
    (relabelled, {}, "altered or damaged"),
    (lambda p: p.pop(a_take(p)), {}, "lists a part that it lacks"),
    (lambda p: p.update({"takes/0123456789abcdef.wav": b"x"}), {}, "lacks in its list"),
    (lambda p: listed(p, "../evil.wav", b"x"), {}, "leads out of its folder"),
    (lambda p: listed(p, "takes/../../evil.wav", b"x"), {}, "leads out of its folder"),
    (lambda p: listed(p, "/etc/evil", b"x"), {}, "leads out of its folder"),
    (lambda p: listed(p, "C:\\evil", b"x"), {}, "leads out of its folder"),
    (lambda p: listed(p, "..\\evil", b"x"), {}, "leads out of its folder"),
    (lambda p: listed(p, "takes/run.sh", b"x"), {}, "a part that no pack has"),
    (lambda p: listed(p, "takes/", b""), {}, "no plain file"),
    (
        lambda p: listed(p, "takes/00000000000000ff.wav", b"/etc/passwd"),
        {"link": "takes/00000000000000ff.wav"},
        "a link or a folder",
    ),
    (lambda p: listed(p, "takes/00000000000000ff.wav", bytes(10**7)), {"compress": True},
     "is compressed"),
    (names_outside, {}, "names a file that is no part of it"),
    (renamed_schema, {}, 'of the form "vibecheck.pack/9"'),
    (lambda p: p.update({"pack.json": b"[" * 100_000}), {}, "list of contents cannot be read"),
    (lambda p: p.update({"pack.json": b"{}"}), {}, "list of contents cannot be read"),
    (endless, {}, "list of contents cannot be read"),
    (lambda p: p.pop("manifest.csv"), {}, 'it lacks "manifest.csv"'),
]  # fmt: skip


@pytest.mark.parametrize(("change", "words", "told"), TRICKS)
def test_a_tampered_pack_is_refused_and_the_set_stays(
    made: Path,
    tmp_path: Path,
    change: Callable[[dict[str, bytes]], None],
    words: dict[str, object],
    told: str,
) -> None:
    bad = rewritten(made / "plain.zip", tmp_path / "bad.zip", change, **words)  # type: ignore[arg-type]
    pool = tmp_path / "inner" / "pool"
    small = small_set(tmp_path / "own", car="Own", first=20, n=1)
    merge(pool, small)
    before = tree(tmp_path)
    with pytest.raises(InputError, match=told) as caught:
        merge(pool, bad)
    assert caught.value.where == str(bad)
    assert caught.value.advice
    assert tree(tmp_path) == before
    assert not list(pool.glob(".unpacking*"))


def test_a_part_that_is_there_twice(made: Path, tmp_path: Path) -> None:
    bad = shutil.copy(made / "plain.zip", tmp_path / "bad.zip")
    with zipfile.ZipFile(bad, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("manifest.csv", b"again")
    with pytest.raises(InputError, match="two parts of one name"):
        merge(tmp_path / "pool", Path(bad))


def test_parts_that_lie_over_each_other_are_refused(made: Path, tmp_path: Path) -> None:
    """Many entries of the directory that name one large part: small file, huge folder."""
    with zipfile.ZipFile(made / "plain.zip") as archive:
        infos = {info.filename: info for info in archive.infolist()}
        name = a_take(dict.fromkeys(infos, b""))
    bad = Path(shutil.copy(made / "plain.zip", tmp_path / "bad.zip"))
    with zipfile.ZipFile(bad, "a") as archive:
        archive.writestr("takes/00000000000000aa.wav", b"x")
        for k in range(40):
            twin = zipfile.ZipInfo(f"takes/{k:016x}.wav")
            twin.file_size = twin.compress_size = infos[name].file_size
            twin.CRC = infos[name].CRC
            twin.header_offset = infos[name].header_offset
            twin.external_attr = 0o100644 << 16
            archive.filelist.append(twin)
            archive.NameToInfo[twin.filename] = twin
    with pytest.raises(InputError, match="together larger than the pack itself"):
        merge(tmp_path / "pool", bad)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(at=st.integers(0, 10**9), bit=st.integers(0, 7))
def test_any_flipped_bit_gives_the_true_takes_or_one_clear_error(
    made: Path, tmp_path: Path, at: int, bit: int
) -> None:
    content = bytearray((made / "plain.zip").read_bytes())
    content[at % len(content)] ^= 1 << bit
    (tmp_path / "bad.zip").write_bytes(content)
    pool = tmp_path / "pool"
    shutil.rmtree(pool, ignore_errors=True)
    try:
        merge(pool, tmp_path / "bad.zip")
    except InputError:
        assert tree(pool) == {}
    else:
        assert {row.sha256 for row in read_set(pool)} == {
            row.sha256 for row in read_set(made / "set")
        }


@pytest.mark.parametrize("content", [b"", b"hello", b"PK\x03\x04 no more"])
def test_what_is_no_pack(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "no.zip").write_bytes(content)
    with pytest.raises(InputError, match="no pack, or it is damaged"):
        merge(tmp_path / "pool", tmp_path / "no.zip")
    with pytest.raises(InputError, match="cannot be read, or not be unpacked"):
        merge(tmp_path / "pool", tmp_path / "absent.zip")


# ---- adding while others do, and while the program is killed ------------------------------------


def test_one_program_at_a_time(made: Path, tmp_path: Path) -> None:
    with locked(tmp_path / "pool"), pytest.raises(InputError, match="Another program is writing"):
        merge(tmp_path / "pool", made / "plain.zip")
    assert len(merge(tmp_path / "pool", made / "plain.zip").added) == 3


def test_a_folder_that_cannot_be_written(made: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputError, match="folder cannot be written"):
        merge(tmp_path / "file" / "pool", made / "plain.zip")
    with pytest.raises(InputError, match="archive cannot be written"):
        write_pack(made / "set", tmp_path / "file" / "x.zip", privacy=None)


def test_a_full_disk_leaves_the_set_as_it_was(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pool = tmp_path / "pool"
    merge(pool, small_set(tmp_path / "own", car="Own", first=20, n=1))
    before = tree(pool)
    calls = []

    def full(source: object, target: object) -> None:
        calls.append(source)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        shutil.copyfile(source, target)  # type: ignore[arg-type]

    fake = type("shutil", (), {"copyfile": staticmethod(full), "rmtree": shutil.rmtree})
    monkeypatch.setattr(labelled_set, "shutil", fake)
    with pytest.raises(InputError, match="could not be copied: No space left"):
        merge(pool, made / "plain.zip")
    assert tree(pool) == before


def test_a_take_that_changes_under_way_is_refused(made: Path, tmp_path: Path) -> None:
    (row, *_) = read_set(made / "set")
    take = NewTake(replace(row, sha256="0" * 64), row.car_file.read_text(encoding="utf-8"))
    with pytest.raises(InputError, match="changed while it was copied"):
        add_to_set(tmp_path / "pool", [take])
    assert tree(tmp_path / "pool") == {}


KILLED = """
import os, random, shutil, sys
from pathlib import Path
from vibecheck.dataset.checks import verify_files
from vibecheck.dataset.labelled_set import read_set
from vibecheck.dataset.merge import merge

start, pack, pool = (Path(word) for word in sys.argv[1:4])
OWN = ("labelled_set", "whole_file", "unpack", "merge.py", "manifest.py", "files.py")

def killed_at(step):
    left = [step]
    def trace(frame, event, arg):
        if any(name in frame.f_code.co_filename for name in OWN):
            left[0] -= 1
            if left[0] <= 0:
                os.kill(os.getpid(), 9)
        return trace
    sys.settrace(trace)
    merge(pool, pack)
    os._exit(0)

draw = random.Random(5)
ends = {"killed": 0, "whole": 0, "as it was": 0}
for _ in range(int(sys.argv[4])):
    shutil.rmtree(pool, ignore_errors=True)
    shutil.copytree(start, pool)
    step = draw.randrange(1, 3000)
    child = os.fork()
    if child == 0:
        killed_at(step)
    _, status = os.waitpid(child, 0)
    ends["killed"] += os.WIFSIGNALED(status)
    rows = read_set(pool)
    verify_files(rows)
    assert len(rows) in (1, 4), len(rows)
    assert len(rows) == 4 or os.WIFSIGNALED(status), "what was acknowledged is there"
    ends["whole" if len(rows) == 4 else "as it was"] += 1
    merge(pool, pack)
    rows = read_set(pool)
    verify_files(rows)
    assert len(rows) == 4
    assert not list(pool.glob(".unpacking*"))
    assert not list((pool / "takes").glob("*.part*"))
print(ends)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_at_any_point_of_merging_nothing_half_is_believed(
    made: Path, tmp_path: Path
) -> None:
    """One hundred kills at random lines of the program, in a process that has loaded it once."""
    start = tmp_path / "start"
    merge(start, small_set(tmp_path / "own", car="Own", first=20, n=1))
    words = [str(start), str(made / "plain.zip"), str(tmp_path / "pool"), "100"]
    done = subprocess.run(
        [sys.executable, "-c", KILLED, *words], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    ends = ast.literal_eval(done.stdout)
    assert ends["killed"] > 50
    assert ends["as it was"] > 20
    assert ends["whole"] > 5


def test_options_out_of_range() -> None:
    for edge in (-1.0, 501.0, float("nan")):
        with pytest.raises(CallError, match="high-pass must be from 0 to 500 Hz"):
            PrivacyOptions(high_pass_hz=edge)


def test_a_part_whose_name_begins_with_nothing(made: Path, tmp_path: Path) -> None:
    # Found by damaged input: the archive's reader ends names at a zero byte.
    path = tmp_path / "nameless.zip"
    path.write_bytes((made / "plain.zip").read_bytes().replace(b"manifest.csv", b"\0anifest.csv"))
    with pytest.raises(InputError, match=r"a part that no pack has: \"\\x00anifest.csv\""):
        merge(tmp_path / "pool", path)


def test_names_of_parts_that_are_no_text(made: Path, tmp_path: Path) -> None:
    # Found by damaged input: they are told to be UTF-8, and are not.
    data = bytearray((made / "plain.zip").read_bytes().replace(b"manifest.csv", b"\xffanifest.csv"))
    for mark, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = data.find(mark)
        while place >= 0:
            data[place + flags + 1] |= 0x08  # bit 11: the name is UTF-8 (APPNOTE 4.4.4)
            place = data.find(mark, place + 4)
    path = tmp_path / "odd.zip"
    path.write_bytes(data)
    with pytest.raises(InputError, match="This is no pack, or it is damaged"):
        merge(tmp_path / "pool", path)
