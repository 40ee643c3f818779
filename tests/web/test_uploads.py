"""Uploads: pieces, hashes, restarts, limits; a take is stored once."""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient
from uploads_bed import DEMO, LOOSE, Sender, bench_check, samples_of, wish

from vibecheck.capture.sound_writer import read_capture_note
from vibecheck.risk.log import FastenerFinding
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings
from vibecheck.web.uploads.store import UploadLimits, UploadStore
from vibecheck.web.uploads.wish import LARGEST_FILE_BYTES, LARGEST_PCM_BYTES

PCM = {"form": "pcm_f32le", "sample_rate_hz": 48_000, "channels": 1, "file_name": "spin.wav"}


def error_of(answer: Any) -> str:
    return answer.json()["error"]["message"]


def incoming(app: Any) -> Path:
    return app.state.settings.data / "incoming"


# ---- the whole way ------------------------------------------------------------------------


def test_recorded_samples_become_a_take_with_its_note_and_first_zones(
    app: Any, client: TestClient
) -> None:
    sitting = bench_check(app)
    samples, rate = samples_of()
    whole = samples.astype("<f4").tobytes()
    capture = {"auto_gain_control": False, "started": "2026-07-01T10:00:00+02:00", "device": "mic"}
    sender = Sender(client)
    asked = wish(sitting, capture=capture, **PCM | {"sample_rate_hz": rate})
    assert sender.send(asked, whole).status_code == 200
    answer = sender.do("look").json()
    assert answer["quality"]["verdict"] == "usable"
    zones = answer["result"]["zones"]
    assert [zone["rank"] for zone in zones] == list(range(1, len(zones) + 1))
    assert "simulated" in " ".join(answer["result"]["remarks"])
    assert "hand check" in answer["result"]["hand_check"]
    assert not app.state.garage.sitting(sitting.id).takes
    kept = sender.do("keep")
    assert kept.json() == {"where": f"/checks/{sitting.number}/result"}
    sitting = app.state.garage.sitting(sitting.id)
    (take,) = sitting.takes
    assert sitting.verdict == answer["result"]["verdict"]
    stored, stored_rate = samples_of(take.path)
    assert stored_rate == rate
    np.testing.assert_array_equal(stored, samples)
    note = read_capture_note(take.path)
    assert note is not None
    assert (note.device, note.automatic_gain, note.noise_suppression) == ("mic", False, None)
    # Again, by a lost answer: nothing twice.
    assert sender.do("keep").json() == kept.json()
    assert sender.begin(asked).json()["phase"] == "kept"
    assert len(app.state.garage.sitting(sitting.id).takes) == 1


def test_first_look_and_terminal_rank_alike(app: Any, client: TestClient) -> None:
    import vibecheck

    sitting = bench_check(app)
    sender = Sender(client)
    whole = LOOSE.read_bytes()
    sender.send(wish(sitting, size=len(whole)), whole)
    zones = sender.do("look").json()["result"]["zones"]
    car = app.state.garage.find_car(sitting.car_id).car
    result = vibecheck.check([vibecheck.read_take(LOOSE)], car)
    ranked = sorted(result.zones, key=lambda zone: zone.rank)
    assert [zone["zone"] for zone in zones] == [zone.zone for zone in ranked]
    assert [zone["probability"] for zone in zones] == pytest.approx(
        [zone.probability for zone in ranked]
    )


def test_same_content_under_two_keys_is_stored_once(app: Any, client: TestClient) -> None:
    sitting = bench_check(app)
    whole = LOOSE.read_bytes()
    for key in ("one-0000-0000-0000-0000", "two-0000-0000-0000-0000"):
        sender = Sender(client)
        assert sender.send(wish(sitting, key, size=len(whole)), whole).status_code == 200
        assert sender.do("keep").status_code == 200
    assert len(app.state.garage.sitting(sitting.id).takes) == 1
    other = app.state.garage
    other.close_sitting(sitting.id)
    later = other.start_sitting(sitting.car_id)
    sender.send(wish(later, "three-0000-0000-0000-000", size=len(whole)), whole)
    answer = sender.do("look")
    assert answer.status_code == 400
    assert "kept already, in bench check 1" in error_of(answer)


def test_baseline_is_measured_while_the_owner_still_records(
    app: Any, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    import threading

    from vibecheck import pipeline

    examine, heard = pipeline.examine, []

    def listening(take: Any, car: Any) -> Any:
        heard.append(take.file)
        return examine(take, car)

    monkeypatch.setattr(pipeline, "examine", listening)
    garage = app.state.garage
    first = bench_check(app)
    garage.add_take(first.id, DEMO / "1-baseline-centre.flac")
    findings = [
        FastenerFinding(zone.name, fastener.name, "snug", count=fastener.count)
        for zone in garage.find_car(first.car_id).car.zones
        for fastener in zone.fasteners
    ]
    garage.log_hand_check(first.id, *findings)
    garage.finish_hand_check(first.id)
    garage.close_sitting(first.id)
    sitting = garage.start_sitting(first.car_id)
    sender = Sender(client)
    whole = LOOSE.read_bytes()
    sender.begin(wish(sitting, size=len(whole)))
    for thread in threading.enumerate():
        if thread.name == "prepare":
            thread.join(20)
    assert heard == ["1-baseline-centre.flac"]
    sender.send(wish(sitting, size=len(whole)), whole)
    assert sender.do("look").status_code == 200
    assert heard == ["1-baseline-centre.flac", "spin.flac"]


# ---- pieces ---------------------------------------------------------------------------------


def test_wrong_offset_is_answered_with_the_right_one(app: Any, client: TestClient) -> None:
    sender = Sender(client)
    sender.begin(wish(bench_check(app), size=100))
    assert sender.piece(b"x" * 40).headers["upload-offset"] == "40"
    answer = sender.piece(b"x" * 40, offset=0)
    assert (answer.status_code, answer.headers["upload-offset"]) == (409, "40")
    answer = sender.piece(b"x" * 10, offset=60)
    assert (answer.status_code, answer.headers["upload-offset"]) == (409, "40")
    head = client.head(f"/uploads/{sender.id}")
    assert (head.status_code, head.headers["upload-offset"]) == (204, "40")
    answer = sender.finish(b"x" * 100)
    assert (answer.status_code, answer.headers["upload-offset"]) == (409, "40")
    assert sender.do("look").status_code == 409


def test_wrong_hash_begins_the_upload_anew(app: Any, client: TestClient) -> None:
    sender = Sender(client)
    whole = LOOSE.read_bytes()
    sitting = bench_check(app)
    sender.begin(wish(sitting, size=len(whole)))
    sender.piece(b"\0" + whole[1:])
    answer = sender.finish(whole)
    assert (answer.status_code, answer.headers["upload-offset"]) == (422, "0")
    sender.offset = 0
    assert sender.send(wish(sitting, size=len(whole)), whole).status_code == 200


def test_upload_goes_on_after_a_restart_of_the_server(tmp_path: Path) -> None:
    whole = LOOSE.read_bytes()
    half = len(whole) // 2
    app = create_app(Settings(data=tmp_path))
    sitting = bench_check(app)
    asked = wish(sitting, size=len(whole))
    with TestClient(app, base_url="http://127.0.0.1") as client:
        sender = Sender(client)
        sender.begin(asked)
        sender.piece(whole[:half])
    app = create_app(Settings(data=tmp_path))
    with TestClient(app, base_url="http://127.0.0.1") as client:
        again = Sender(client)
        answer = again.begin(asked)
        assert (answer.status_code, again.offset, again.id) == (200, half, sender.id)
        again.piece(whole[half:])
        assert again.finish(whole).status_code == 200
    app = create_app(Settings(data=tmp_path))
    with TestClient(app, base_url="http://127.0.0.1") as client:
        again = Sender(client)
        assert again.begin(asked).json()["phase"] == "whole"
        assert again.do("keep").status_code == 200
    app = create_app(Settings(data=tmp_path))
    with TestClient(app, base_url="http://127.0.0.1") as client:
        again = Sender(client)
        assert again.begin(asked).json()["phase"] == "kept"
        assert again.do("keep").status_code == 200
    assert not list((tmp_path / "incoming").glob("*/spin.flac"))


def test_a_key_stands_for_one_recording(app: Any, client: TestClient) -> None:
    sitting = bench_check(app)
    sender = Sender(client)
    sender.begin(wish(sitting, size=10))
    answer = sender.begin(wish(sitting, size=11))
    assert answer.status_code == 409
    assert "another recording" in error_of(answer)


def test_thrown_away_leaves_nothing(app: Any, client: TestClient) -> None:
    sender = Sender(client)
    sender.begin(wish(bench_check(app), size=10))
    sender.piece(b"x" * 10)
    assert client.delete(f"/uploads/{sender.id}").status_code == 204
    assert client.delete(f"/uploads/{sender.id}").status_code == 204
    assert not any(incoming(app).iterdir())
    assert client.head(f"/uploads/{sender.id}").status_code == 404
    assert sender.piece(b"x").status_code == 404


# ---- what is refused ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"key": "short"}, "key must be"),
        ({"sitting": 99, "size": 9}, "bench check"),
        ({"sitting": True, "size": 9}, "sitting must be"),
        ({"spot": "roof", "size": 9}, 'no spot "roof"'),
        ({"sensor": "nose"}, "sensor must be"),
        ({"form": "zip"}, "form must be"),
        ({"size": None}, "size must be"),
        ({"size": -1}, "size must be"),
        ({"size": LARGEST_FILE_BYTES + 1}, "too big"),
        ({"file_name": "spin.exe", "size": 9}, "named .exe cannot be taken"),
        ({"file_name": "../../etc/passwd", "size": 9}, "cannot be taken"),
        (PCM | {"size": LARGEST_PCM_BYTES + 1}, "too big"),
        (PCM | {"sample_rate_hz": float("inf")}, "JSON|sample_rate_hz"),
        (PCM | {"channels": 9}, "channels must be"),
        ({"size": 9, "capture": {"a": [1]}}, "plain values"),
        ({"size": 9, "reading": {"path": "x"}}, "reading must be"),
        ({"size": 9, "reading": {"unit": "furlong"}}, "unit must be"),
    ],
)
def test_a_wrong_wish_is_refused_in_words(
    app: Any, client: TestClient, values: dict[str, Any], message: str
) -> None:
    import json
    import re

    asked = wish(bench_check(app), **values)
    answer = client.post(
        "/uploads", content=json.dumps(asked), headers={"content-type": "application/json"}
    )
    assert answer.status_code == 400
    assert re.search(message, error_of(answer)), error_of(answer)
    assert not any(incoming(app).glob("*"))


def test_closed_bench_check_takes_nothing(app: Any, client: TestClient) -> None:
    sitting = bench_check(app)
    app.state.garage.close_sitting(sitting.id)
    answer = Sender(client).begin(wish(sitting, size=10))
    assert (answer.status_code, error_of(answer)) == (400, "Bench check 1 is closed.")


def test_more_than_announced_is_refused(app: Any, client: TestClient) -> None:
    sender = Sender(client)
    sender.begin(wish(bench_check(app), size=10))
    assert sender.piece(b"x" * 11).status_code == 413
    assert sender.piece(b"x" * (2**20 + 1)).status_code == 413
    answer = client.patch(
        f"/uploads/{sender.id}",
        content=iter([b"x" * 2**20, b"x"]),  # without a length
        headers={"upload-offset": "0", "content-type": "application/octet-stream"},
    )
    assert answer.status_code == 413
    assert client.head(f"/uploads/{sender.id}").headers["upload-offset"] == "0"


def test_pieces_are_bytes_and_requests_json(app: Any, client: TestClient) -> None:
    sender = Sender(client)
    sitting = bench_check(app)
    sender.begin(wish(sitting, size=10))
    form = {"content-type": "application/x-www-form-urlencoded", "upload-offset": "0"}
    path = f"/uploads/{sender.id}"
    assert client.patch(path, content=b"x", headers=form).status_code == 415
    assert client.post("/uploads", content=b"{}", headers=form).status_code == 415
    octets = {"content-type": "application/octet-stream"}
    assert client.patch(path, content=b"x", headers=octets).status_code == 400
    for offset in ("-1", "1e3", " ", "9" * 30):
        headers = {**octets, "upload-offset": offset}
        assert client.patch(path, content=b"x", headers=headers).status_code == 400


def test_too_many_and_too_much_wait(tmp_path: Path) -> None:
    app = create_app(Settings(data=tmp_path))
    app.state.upload_limits = UploadLimits(most_uploads=2, most_bytes=1000)
    sitting = bench_check(app)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        sender = Sender(client)
        assert sender.begin(wish(sitting, "a" * 20, size=600)).status_code == 201
        answer = sender.begin(wish(sitting, "b" * 20, size=600))
        assert (answer.status_code, "no room" in error_of(answer)) == (507, True)
        assert sender.begin(wish(sitting, "b" * 20, size=6)).status_code == 201
        answer = sender.begin(wish(sitting, "c" * 20, size=6))
        assert (answer.status_code, "2 recordings wait" in error_of(answer)) == (503, True)
        assert sender.begin(wish(sitting, "a" * 20, size=600)).status_code == 200


def zip_bomb() -> bytes:
    """An npz file of a few hundred kilobytes whose array is 8 GB of zeros, as its header says."""
    import io
    import zipfile

    head = b"\x93NUMPY\x01\x00"
    text = b"{'descr': '<f8', 'fortran_order': False, 'shape': (1073741824,), }"
    text += b" " * (117 - len(text)) + b"\n"
    out = io.BytesIO()
    with (
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("x.npy", "w", force_zip64=True) as member,
    ):
        member.write(head + len(text).to_bytes(2, "little") + text)
        for _ in range(64):
            member.write(bytes(2**20))
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("spin.wav", b"not sound at all, but text"),
        ("spin.wav", bytes(range(256)) * 40),
        ("spin.m4a", b"\0\0\0\x20ftypM4A " + os.urandom(5000)),
        ("spin.flac", b"fLaC" + os.urandom(5000)),
        ("spin.csv", b"PK\x03\x04" + os.urandom(300)),
        ("spin.csv", b"time,x\n0,1\n"),
        ("spin.mat", os.urandom(400)),
        ("spin.npz", zip_bomb()),
    ],
    ids=["text", "bytes", "m4a", "flac", "zip", "short table", "mat", "zip bomb"],
)
def test_garbage_is_refused_and_leaves_nothing(
    app: Any, client: TestClient, name: str, content: bytes
) -> None:
    sender = Sender(client)
    answer = sender.send(wish(bench_check(app), size=len(content), file_name=name), content)
    assert answer.status_code == 422
    assert error_of(answer)
    assert str(app.state.settings.data) not in answer.text
    assert not any(incoming(app).iterdir())


def test_samples_cut_inside_a_number_are_refused(app: Any, client: TestClient) -> None:
    sender = Sender(client)
    answer = sender.send(wish(bench_check(app), **PCM), b"x" * 1001)
    assert answer.status_code == 422
    assert "no whole number of samples" in error_of(answer)


# ---- the phone's motion ------------------------------------------------------------------------


def test_motion_beside_the_sound_does_not_move_the_ranking(app: Any, client: TestClient) -> None:
    sitting = bench_check(app)
    whole = LOOSE.read_bytes()
    sound, motion = Sender(client), Sender(client)
    sound.send(wish(sitting, "sound-000-000-000-000", size=len(whole)), whole)
    alone = sound.do("look").json()["result"]
    sound.do("keep")
    rng = np.random.default_rng(4)
    rows = rng.normal(0.0, 0.05, (720, 3)).round(1) + np.array([0.0, 0.0, 9.8])
    table = "time,x,y,z\n" + "".join(
        f"{k / 60:.4f},{x:.1f},{y:.1f},{z:.1f}\n" for k, (x, y, z) in enumerate(rows)
    )
    asked = wish(
        sitting,
        "motion-00-000-000-000",
        size=len(table),
        sensor="accelerometer",
        file_name="motion-centre.csv",
        reading={"unit": "m/s^2", "time_unit": "s"},
    )
    assert motion.send(asked, table.encode()).status_code == 200
    assert motion.do("keep").status_code == 200
    kept = app.state.garage.sitting(sitting.id)
    assert [take.sensor for take in kept.takes] == ["microphone", "accelerometer"]
    result = app.state.garage.result(sitting.id)
    assert [zone["zone"] for zone in result["zones"]] == [zone["zone"] for zone in alone["zones"]]
    assert not result["unfamiliar"]["is_unfamiliar"]


# ---- sweeping -----------------------------------------------------------------------------------


def test_what_nobody_touched_for_a_day_is_swept(app: Any, client: TestClient) -> None:
    sitting = bench_check(app)
    sender = Sender(client)
    sender.begin(wish(sitting, "old-0000-0000-0000-0000", size=10))
    fresh = Sender(client)
    fresh.begin(wish(sitting, "new-0000-0000-0000-0000", size=10))
    for path in [*incoming(app).glob(f"{sender.id}/*"), incoming(app) / sender.id]:
        day_ago = time.time() - 90_000
        os.utime(path, (day_ago, day_ago))
    UploadStore(app.state.settings.data)
    assert [one.name for one in incoming(app).iterdir()] == [fresh.id]
    assert hashlib.sha256(b"new-0000-0000-0000-0000").hexdigest().startswith(fresh.id)
