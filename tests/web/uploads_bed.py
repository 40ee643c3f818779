"""A bench check to record into, and recordings to send."""

from __future__ import annotations

import hashlib
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from starlette.testclient import TestClient

from vibecheck.car.shipped import shipped_car_path
from vibecheck.garage import Sitting

DEMO = Path(__file__).resolve().parents[2] / "vibecheck" / "data" / "demo"
LOOSE = DEMO / "2-something-loose-centre.flac"
"""Simulated."""


def bench_check(app: Any, *, acknowledged: bool = True) -> Sitting:
    """Begin a bench check of the shipped car."""
    garage = app.state.garage
    car = garage.add_car(shipped_car_path())
    sitting = garage.start_sitting(car.id)
    if acknowledged:
        app.state.acknowledged[sitting.id] = datetime.now(UTC)
    return sitting


def samples_of(path: Path = LOOSE) -> tuple[NDArray[np.float32], float]:
    """Return a recording as float32 and its sample rate."""
    import soundfile

    samples, rate = soundfile.read(path, dtype="float32")
    return samples, float(rate)


def wish(check: Sitting, key: str = "key-0000-0000-0000", **values: Any) -> dict[str, Any]:
    """Return what a browser would wish to send."""
    plain: dict[str, Any] = {
        "key": key,
        "sitting": check.number,
        "spot": "centre",
        "sensor": "microphone",
        "file_name": "spin.flac",
        "form": "file",
    }
    return plain | values


@dataclass
class Sender:
    """Sends as a browser does."""

    client: TestClient
    id: str = ""
    offset: int = 0

    def begin(self, asked: dict[str, Any]) -> Any:
        answer = self.client.post("/uploads", json=asked)
        if answer.is_success:
            self.id, self.offset = answer.json()["id"], answer.json()["offset"]
        return answer

    def piece(self, piece: bytes, offset: int | None = None) -> Any:
        answer = self.client.patch(
            f"/uploads/{self.id}",
            content=piece,
            headers={
                "upload-offset": str(self.offset if offset is None else offset),
                "content-type": "application/octet-stream",
            },
        )
        if "upload-offset" in answer.headers:
            self.offset = int(answer.headers["upload-offset"])
        return answer

    def finish(self, whole: bytes, **values: Any) -> Any:
        sha256 = hashlib.sha256(whole).hexdigest()
        asked = {"size": len(whole), "sha256": sha256} | values
        return self.client.post(f"/uploads/{self.id}/finish", json=asked)

    def send(self, asked: dict[str, Any], whole: bytes, size: int = 2**20) -> Any:
        answer = self.begin(asked)
        if not answer.is_success:
            return answer
        for at in range(self.offset, len(whole), size):
            answer = self.piece(whole[at : at + size])
            assert answer.status_code == 204, answer.text
        return self.finish(whole)

    def do(self, what: str) -> Any:
        return self.client.post(f"/uploads/{self.id}/{what}")


@contextmanager
def served_at(app: Any, port: int = 0) -> Iterator[int]:
    """Serve an application behind its guard on one port, so that it can be started again there."""
    import uvicorn

    from vibecheck.web.access.guard import wrap

    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    guarded = wrap(app, app.state.settings)
    config = uvicorn.Config(guarded, log_level="warning", access_log=False, ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while thread.is_alive() and not server.started:
        time.sleep(0.02)
    try:
        yield listener.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()
