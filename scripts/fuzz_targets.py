"""What `fuzz.py` throws damaged input at: each parser, its corpus, and what it may answer."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from fuzz_web import FORM_WORDS, upload_wish, web_requests

ROOT = Path(__file__).resolve().parent.parent
DATA = ROOT / "vibecheck" / "data"
Call = Callable[[bytes], Any]
Made = tuple[Call, list[bytes]]
PURE, DECODED = 1_000_000, 100_000


@dataclass(frozen=True)
class Target:
    """One parser.

    Attributes
    ----------
    make : callable
        Given a scratch folder, returns the call that takes bytes, and the good inputs.
    executions : int
    tokens : tuple of bytes
        Words of the format.
    allowed : tuple of exception types
        What may come back beside vibecheck's own errors; nothing where the parser faces a user.
    """

    make: Callable[[Path], Made]
    executions: int = PURE
    tokens: tuple[bytes, ...] = ()
    allowed: tuple[type[BaseException], ...] = ()


def car_file(_folder: Path) -> Made:
    from vibecheck.car.plausibility import car_warnings
    from vibecheck.car.read import parse_car

    def call(data: bytes) -> None:
        car_warnings(parse_car(data.decode("utf-8", "replace")))

    return call, [path.read_bytes() for path in sorted((DATA / "cars").glob("*.toml"))]


def board_lines(_folder: Path) -> Made:
    from vibecheck.capture.line_format import LineReader

    def call(data: bytes) -> None:
        reader = LineReader(from_the_middle=bool(data[:1] > b"m"))
        half = len(data) // 2
        reader.feed(data[:half])
        reader.feed(data[half:])
        reader.end()

    lines = b"".join(b"%d,%.3f,%.3f,%.3f\n" % (5000 * k, k / 9, -k / 7, 9.8) for k in range(30))
    spaced = lines.replace(b",", b" ").replace(b"\n", b"\r\n")
    return call, [
        lines,
        b"time_us,x_g,y_g,z_g\n" + lines,
        b"# board\nx;y;z\n1;2;3\n4,5;6;7\n",
        spaced,
    ]


def capture_note(_folder: Path) -> Made:
    from datetime import UTC, datetime

    from vibecheck.capture.note import CaptureNote, note_from_json

    note = CaptureNote(
        car="Saltflat 8", spot="centre", sensor="microphone", device="phone",
        started=datetime(2031, 5, 4, tzinfo=UTC),
    )  # fmt: skip
    return (lambda data: note_from_json(data.decode("utf-8", "replace"))), [note.to_json().encode()]


def _file_call(folder: Path, name: str, use: Callable[[Path], Any]) -> Call:
    path = folder / name

    def call(data: bytes) -> None:
        path.write_bytes(data)
        use(path)

    return call


def wav_header(folder: Path) -> Made:
    from vibecheck.recording.wav_header import read_wav_header

    corpus = [_sound(folder, "WAV", subtype)[:4000] for subtype in ("PCM_16", "FLOAT", "PCM_24")]
    return _file_call(folder, "x.wav", read_wav_header), corpus


def manifest(folder: Path) -> Made:
    from vibecheck.dataset.manifest import read_manifest

    lines = (ROOT / "datasets" / "demo" / "manifest.csv").read_text("utf-8").splitlines()[:9]
    text = "\n".join(lines) + "\n"
    corpus = [text.encode(), text.replace(",", ";").encode(), text.encode("utf-8-sig")]
    return _file_call(folder, "m.csv", lambda path: read_manifest(path, check_files=False)), corpus


def table_dialect(folder: Path) -> Made:
    from vibecheck.recording.dialect import sniff

    return _file_call(folder, "t.csv", lambda path: sniff(path, "t.csv")), _tables()


def _tables() -> list[bytes]:
    rng = np.random.default_rng(1)
    time_s = np.arange(40) / 800.0
    columns = [time_s, *rng.standard_normal((3, time_s.size))]
    out = []
    for head, delimiter, decimal in (
        ("time_s,x_g,y_g,z_g", ",", "."),
        ("time [s];x [g];y [g];z [g]", ";", ","),
        ("", "\t", "."),
        ("# sample rate: 800 Hz\nt x y z\ns g g g", " ", "."),
    ):
        rows = (
            delimiter.join(f"{v:.5f}".replace(".", decimal) for v in row)
            for row in zip(*columns, strict=True)
        )
        out.append((head + "\n" + "\n".join(rows) + "\n").lstrip("\n").encode())
    stamps = (
        f"2031-05-04T09:30:{t:09.6f}Z,{a:.4f}" for t, a in zip(time_s, columns[1], strict=True)
    )
    return [*out, ("when,x\n" + "\n".join(stamps) + "\n").encode()]


def _read(folder: Path, name: str, **how: Any) -> Call:
    from vibecheck.recording.read import read_take

    return _file_call(folder, name, lambda path: read_take(path, **how))


def table(folder: Path) -> Made:
    return _read(folder, "t.csv", unit="g"), _tables()


def _sound(folder: Path, kind: str, subtype: str | None = None, n: int = 3000) -> bytes:
    import soundfile

    rng = np.random.default_rng(2)
    path = folder / "made"
    soundfile.write(path, 0.1 * rng.standard_normal(n), 24000, format=kind, subtype=subtype)
    made = path.read_bytes()
    path.unlink()
    return made


def _sounds(suffix: str, kind: str, *subtypes: str | None, n: int = 3000) -> Callable[[Path], Made]:
    def make(folder: Path) -> Made:
        return _read(folder, f"x{suffix}"), [_sound(folder, kind, one, n) for one in subtypes]

    return make


def _contained(suffix: str, codec: str, layout: str = "mono") -> Callable[[Path], Made]:
    def make(folder: Path) -> Made:
        import av

        path = folder / f"made{suffix}"
        rng = np.random.default_rng(3)
        samples = (0.1 * rng.standard_normal((1, 9600))).astype(np.float32)
        with av.open(str(path), "w") as out:
            stream = out.add_stream(codec, rate=48000, layout=layout)
            kind = stream.codec_context.format.name
            if kind.startswith("s16"):
                samples = (samples * 32767).astype(np.int16)
            frame = av.AudioFrame.from_ndarray(samples, format=kind, layout=layout)
            frame.sample_rate = 48000
            for packet in [*stream.encode(frame), *stream.encode(None)]:
                out.mux(packet)
        return _read(folder, f"x{suffix}"), [path.read_bytes()]

    return make


def npz(folder: Path) -> Made:
    stream, single = io.BytesIO(), io.BytesIO()
    columns = np.random.default_rng(4).standard_normal((4, 300))
    np.savez(stream, time_s=np.arange(300) / 800.0, x=columns[0], y=columns[1])
    packed = io.BytesIO()
    np.savez_compressed(packed, x=columns[0], sample_rate_hz=800.0)
    np.save(single, columns)
    return _read(folder, "x.npz", unit="g"), [
        stream.getvalue(),
        packed.getvalue(),
        single.getvalue(),
    ]


def mat(folder: Path) -> Made:
    from scipy.io import savemat

    corpus = []
    values = {"x": np.random.default_rng(5).standard_normal(300), "fs": 800.0, "name": "bench"}
    nested = {"run": {"x": values["x"], "more": [1.0, "two"], "z": 1j * np.arange(3.0)}}
    for content, how in (
        (values, {"do_compression": False}),
        (values, {"do_compression": True}),
        (nested, {"do_compression": False}),
        (values, {"format": "4"}),
    ):
        stream = io.BytesIO()
        savemat(stream, content, **how)
        corpus.append(stream.getvalue())
    return _read(folder, "x.mat", unit="g"), corpus


def parquet(folder: Path) -> Made:
    import pyarrow as pa
    from pyarrow import parquet as pq

    corpus = []
    for compression in ("none", "snappy", "zstd"):
        stream = io.BytesIO()
        rng = np.random.default_rng(6)
        made = pa.table({"time_s": np.arange(200) / 800.0, "x_g": rng.standard_normal(200)})
        pq.write_table(made, stream, compression=compression)
        corpus.append(stream.getvalue())
    return _read(folder, "x.parquet"), corpus


def uff(folder: Path) -> Made:
    import pyuff

    corpus = []
    for binary in (0, 1):
        path = folder / f"made{binary}.uff"
        samples = np.random.default_rng(7).standard_normal(200)
        item = pyuff.prepare_58(
            binary=binary, func_type=1, rsp_node=1, rsp_dir=1, ref_node=1, ref_dir=1,
            data=samples, x=np.arange(200) / 800.0, id1="bench", rsp_ent_name="a",
            ref_ent_name="b", abscissa_spacing=1, abscissa_inc=1 / 800.0, abscissa_min=0.0,
            ordinate_spec_data_type=12, abscissa_spec_data_type=17, orddenom_spec_data_type=0,
            z_axis_spec_data_type=0,
        )  # fmt: skip
        pyuff.UFF(str(path)).write_sets(item, "overwrite")
        corpus.append(path.read_bytes())
    return _read(folder, "x.uff"), corpus


def model_file(folder: Path) -> Made:
    """The archive inside the seal: damage to a sealed file is refused by its hash."""
    from vibecheck.model.archive import seal
    from vibecheck.model.store import load_model

    small = _archive({"a.npy": _npy(np.arange(5.0)), "content_hash.npy": _npy(np.array("x"))})
    path = folder / "model.npz"

    def call(data: bytes) -> None:
        with contextlib.suppress(ValueError):  # not to be sealed: then as it is
            data = seal(data)
        path.write_bytes(data)
        load_model(path)

    return call, [small, (DATA / "model" / "looseness.npz").read_bytes()[:200_000]]


def model_arrays(_folder: Path) -> Made:
    """One array inside the archive inside the seal."""
    from vibecheck.model.archive import array_of

    arrays = [np.arange(12.0).reshape(3, 4), np.array(["a", "bc"]), np.array(3), np.ones(3, bool)]
    return (lambda data: array_of(data, "model.npz")), [_npy(one) for one in arrays]


def model_fields(_folder: Path) -> Made:
    """A model whose fields do not fit together, under a content hash that is right."""
    from vibecheck.model.archive import array_of
    from vibecheck.model.store import content_hash, load_model, model_from_arrays, model_to_arrays

    arrays = {k: v for k, v in model_to_arrays(load_model()).items() if k != "content_hash"}
    names = sorted(arrays)

    def call(data: bytes) -> None:
        name = names[data[0] % len(names)] if data else names[0]
        changed = {**arrays, name: array_of(data[1:], "model.npz")}
        content_hash(changed)
        model_from_arrays(changed, "model.npz")

    return call, [bytes([k % 256]) + _npy(arrays[name]) for k, name in enumerate(names)]


def _npy(array: Any) -> bytes:
    stream = io.BytesIO()
    np.save(stream, np.asarray(array), allow_pickle=False)
    return stream.getvalue()


def _archive(parts: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def pack(folder: Path) -> Made:
    from vibecheck.dataset.pack import write_pack
    from vibecheck.dataset.unpack import unpack

    rows = (ROOT / "datasets" / "demo" / "manifest.csv").read_text("utf-8").splitlines()
    own = folder / "set"
    header = next(csv.reader(rows[:1]))
    take = dict(zip(header, next(csv.reader(rows[1:2])), strict=True))
    for key in ("file", "car_file"):
        target = own / take[key]
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / "datasets" / "demo" / take[key], target)
    (own / "manifest.csv").write_text("\n".join(rows[:2]) + "\n", encoding="utf-8")
    write_pack(own, folder / "good.zip", privacy=None)
    room = folder / "room"

    def use(path: Path) -> None:
        shutil.rmtree(room, ignore_errors=True)
        room.mkdir()
        unpack(path, room)

    return _file_call(folder, "x.zip", use), [(folder / "good.zip").read_bytes()]


def pack_contents(folder: Path) -> Made:
    """A whole pack with another list of contents, or another manifest that the list agrees to."""
    call, (good,) = pack(folder)
    with zipfile.ZipFile(io.BytesIO(good)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    contents = next(name for name in parts if name.endswith(".json"))

    def changed(data: bytes) -> None:
        now = dict(parts)
        if data[:1] == b"m":
            now["manifest.csv"] = data[1:]
            listed = json.loads(parts[contents])
            for entry in listed["files"]:
                if entry["name"] == "manifest.csv":
                    entry["bytes"] = len(data) - 1
                    entry["sha256"] = hashlib.sha256(data[1:]).hexdigest()
            now[contents] = json.dumps(listed).encode()
        else:
            now[contents] = data[1:]
        call(_archive(now))

    return changed, [b"m" + parts["manifest.csv"], b"c" + parts[contents]]


RIFF = (b"RIFF", b"WAVE", b"fmt ", b"data", b"LIST", b"bext", b"RF64", b"ds64", b"\xff" * 4)
ZIP = (b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06")
NUMPY = (*ZIP, b"\x93NUMPY", b"'descr'", b"|O")
CELLS = (b",", b";", b"\t", b'"', b"\r", b"\x00", b"\n\n", b"#", b"nan")
TOML = (b"[drivetrain]\n", b"[[zones]]\n", b"[[orders]]\n", b"=", b'"', b"[", b"\n")
BOARD = (b",", b";", b"\t", b"\n", b"#", b"time", b"_us", b"-", b"\xff")
JSON = (b"null", b"true", b"[", b"{", b'"', b"\\u0000", b":")
PATHS = (b",", b'"', b"\n", b"..", b"/", b"simulated", b"own")
WAVS = ("PCM_16", "PCM_24", "FLOAT", "PCM_U8")

TARGETS: dict[str, Target] = {
    "car_file": Target(car_file, tokens=TOML),
    "board_lines": Target(board_lines, tokens=BOARD),
    "capture_note": Target(capture_note, tokens=JSON),
    "wav_header": Target(wav_header, tokens=RIFF),
    "table_dialect": Target(table_dialect, tokens=CELLS),
    "manifest": Target(manifest, tokens=PATHS),
    "table": Target(table, tokens=CELLS),
    "wav": Target(_sounds(".wav", "WAV", *WAVS), DECODED, RIFF),
    "flac": Target(_sounds(".flac", "FLAC", "PCM_16", "PCM_24"), DECODED, (b"fLaC",)),
    "ogg": Target(_sounds(".ogg", "OGG", "VORBIS", "OPUS"), DECODED, (b"OggS",)),
    "mp3": Target(_sounds(".mp3", "MP3", None), DECODED, (b"ID3", b"\xff\xfb")),
    "aiff": Target(_sounds(".aiff", "AIFF", "PCM_16"), DECODED, (b"FORM", b"COMM", b"SSND")),
    "caf": Target(_sounds(".caf", "CAF", "PCM_16"), DECODED, (b"caff", b"desc", b"data")),
    "m4a": Target(_contained(".m4a", "aac"), DECODED, (b"moov", b"trak", b"stsd", b"mdat")),
    "webm": Target(_contained(".webm", "libopus"), DECODED, (b"\x1a\x45\xdf\xa3",)),
    "npz": Target(npz, DECODED, NUMPY),
    "mat": Target(mat, DECODED, (b"MATLAB", b"IM", b"MI")),
    "parquet": Target(parquet, DECODED, (b"PAR1",)),
    "uff": Target(uff, DECODED, (b"    -1\n", b"    58", b"   58b")),
    "model_file": Target(model_file, DECODED, NUMPY),
    "model_arrays": Target(model_arrays, tokens=NUMPY),
    "model_fields": Target(model_fields, DECODED, NUMPY),
    "pack": Target(pack, DECODED, (*ZIP, b"../", b"takes/", b"cars/", b"manifest.csv")),
    "pack_contents": Target(pack_contents, DECODED, (*PATHS, *JSON)),
    "upload_wish": Target(upload_wish, tokens=JSON),
    "web_requests": Target(web_requests, DECODED, (*FORM_WORDS, *JSON)),
}
