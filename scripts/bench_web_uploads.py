"""Many phones that send recordings at once, and a day of recording and deleting in fast-forward.

A real server runs in a process of its own on this machine's loopback; the phones are simulated by
this one. Each phone is paced like a phone:

- ``as recorded``: a second of sound each second, as the recorder page sends it. Measured: how long
  each piece takes, and from the last sample to the server's word that all arrived.
- ``at Wi-Fi pace``: the whole recording at 2.5 MB/s (20 Mbit/s) a phone, as after a dead network.
  Measured: the whole upload.

The single case is measured in the same run, before and after. Nothing is lost if every staged file
holds, bit for bit, the samples that were sent. The takes are simulated.

    python scripts/bench_web_uploads.py                     # about 3 minutes
    python scripts/bench_web_uploads.py --soak              # 24 h: 4320 takes of 20 s
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from figures import figure

from vibecheck.car.shipped import shipped_car_path
from vibecheck.garage import Garage
from vibecheck.recording.read import read_take

TAKE = Path(__file__).parent.parent / "vibecheck/data/demo/2-something-loose-centre.flac"
RATE_HZ = 48_000
TAKE_S = 20.0
PIECE = 2**20
WIFI_BYTES_PER_S = 2.5e6
PHONES = 20
SINGLES = 3
SOAK_TAKES = 24 * 3600 // 20


def take_bytes() -> bytes:
    """Return a simulated take of 20 s as float32, its quiet made longer."""
    samples = read_take(TAKE).mono()
    quiet = np.resize(samples[:RATE_HZ], round(TAKE_S * RATE_HZ) - samples.size)
    return np.concatenate([quiet, samples]).astype("<f4").tobytes()


def own(base: bytes, number: int) -> bytes:
    """Return the take with a first sample of its own: no two are alike."""
    return np.float32(1e-9 * (1 + number)).tobytes() + base[4:]


# ---- the server, in a process of its own -----------------------------------------------------


def serve(data: Path, port: int) -> None:
    """Run the application behind its guard until it is ended."""
    import uvicorn

    from vibecheck.web.access.guard import wrap
    from vibecheck.web.app import create_app
    from vibecheck.web.settings import Settings

    app = create_app(Settings(data=data, port=port))
    uvicorn.run(
        wrap(app, app.state.settings),
        host="127.0.0.1",
        port=port,
        log_level="warning",
        access_log=False,
        ws="none",
    )


class Server:
    """The server's process: its address and its memory."""

    def __init__(self, data: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        command = [sys.executable, __file__, "--serve", str(self.port), "--data", str(data)]
        self.process = subprocess.Popen(command, env=os.environ | {"OMP_NUM_THREADS": "1"})
        for _ in range(300):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.1)
        raise RuntimeError("the server did not start")

    def rss_mb(self) -> float:
        """Return the resident memory (Linux)."""
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(20)


# ---- a phone ---------------------------------------------------------------------------------


@dataclass
class Phone:
    """One keep-alive connection, as lean as can be: its own cost must not be what is measured."""

    port: int
    pieces_s: list[float] = field(default_factory=list)

    async def open(self) -> None:
        self.reader, self.writer = await asyncio.open_connection("127.0.0.1", self.port)

    async def ask(
        self, method: str, path: str, body: bytes = b"", *, offset: int | None = None
    ) -> tuple[int, bytes]:
        kind = "application/json" if offset is None else "application/octet-stream"
        head = [
            f"{method} {path} HTTP/1.1",
            f"Host: 127.0.0.1:{self.port}",
            f"Origin: http://127.0.0.1:{self.port}",
            "Accept: application/json",
            f"Content-Type: {kind}",
            f"Content-Length: {len(body)}",
            *([] if offset is None else [f"Upload-Offset: {offset}"]),
        ]
        self.writer.write("\r\n".join(head).encode() + b"\r\n\r\n" + body)
        await self.writer.drain()
        answer = await self.reader.readuntil(b"\r\n\r\n")
        status = int(answer.split(b" ", 2)[1])
        length = 0
        for line in answer.split(b"\r\n"):
            if line.lower().startswith(b"content-length:"):
                length = int(line.split(b":")[1])
        return status, await self.reader.readexactly(length) if length else b""

    async def json(self, method: str, path: str, value: object = None) -> dict:
        status, body = await self.ask(method, path, json.dumps(value or {}).encode())
        if status >= 300:
            raise RuntimeError(f"{method} {path}: {status} {body[:200]!r}")
        return json.loads(body) if body else {}

    async def begin(self, key: str) -> str:
        wish = {
            "key": key,
            "sitting": 1,
            "spot": "centre",
            "form": "pcm_f32le",
            "sample_rate_hz": RATE_HZ,
            "channels": 1,
            "file_name": "spin.wav",
        }
        return str((await self.json("POST", "/uploads", wish))["id"])

    async def send(self, upload: str, whole: bytes, step: int, bytes_per_s: float) -> None:
        """Send all, never faster than the pace; a piece is sent when the pace has filled it."""
        began = time.perf_counter()
        for at in range(0, len(whole), step):
            piece = whole[at : at + step]
            due = began + (at + len(piece)) / bytes_per_s
            await asyncio.sleep(max(0.0, due - time.perf_counter()))
            sent = time.perf_counter()
            status, body = await self.ask("PATCH", f"/uploads/{upload}", piece, offset=at)
            if status != 204:
                raise RuntimeError(f"piece refused: {status} {body[:200]!r}")
            self.pieces_s.append(time.perf_counter() - sent)

    async def finish(self, upload: str, whole: bytes) -> None:
        sha256 = hashlib.sha256(whole).hexdigest()
        await self.json("POST", f"/uploads/{upload}/finish", {"size": len(whole), "sha256": sha256})


@dataclass
class Case:
    """What one or many phones measured."""

    arrival_s: list[float] = field(default_factory=list)
    pieces_s: list[float] = field(default_factory=list)
    zones_s: list[float] = field(default_factory=list)
    lost: int = 0

    def add(self, other: Case) -> None:
        self.arrival_s += other.arrival_s
        self.pieces_s += other.pieces_s
        self.zones_s += other.zones_s
        self.lost += other.lost


async def one_phone(
    port: int, data: Path, key: str, whole: bytes, *, live: bool, look: bool, case: Case
) -> None:
    phone = Phone(port)
    await phone.open()
    upload = await phone.begin(key)
    began = time.perf_counter()
    if live:
        rate = len(whole) / TAKE_S
        await phone.send(upload, whole, round(rate), rate)
        began += TAKE_S  # the last sample was recorded then
    else:
        await phone.send(upload, whole, PIECE, WIFI_BYTES_PER_S)
    await phone.finish(upload, whole)
    case.arrival_s.append(time.perf_counter() - began)
    case.pieces_s += phone.pieces_s
    staged = (data / "incoming" / upload / "spin.wav").read_bytes()
    case.lost += whole not in staged
    if look:
        await phone.json("POST", f"/uploads/{upload}/look")
        case.zones_s.append(time.perf_counter() - began)
    await phone.json("DELETE", f"/uploads/{upload}")
    phone.writer.close()


def run(port: int, data: Path, takes: list[bytes], tag: str, *, live: bool, look: bool) -> Case:
    """Let phones send at once; those that record begin within the first second, as people do."""
    case = Case()

    async def all_of_them() -> None:
        async def one(number: int, whole: bytes) -> None:
            await asyncio.sleep(number / max(1, len(takes)) if live else 0.0)
            key = f"{tag}-{number:04d}-{time.monotonic_ns()}"
            await one_phone(port, data, key, whole, live=live, look=look, case=case)

        await asyncio.gather(*(one(number, whole) for number, whole in enumerate(takes)))

    asyncio.run(all_of_them())
    return case


def quantile(values: list[float], share: float) -> float:
    return float(np.quantile(values, share)) if values else float("nan")


def compare(port: int, data: Path, base: bytes, phones: int, *, live: bool) -> None:
    takes = [own(base, number) for number in range(phones)]
    singles = Case()
    for _ in range(SINGLES):
        singles.add(run(port, data, takes[:1], "single", live=live, look=True))
    many = run(port, data, takes, "many", live=live, look=False)
    singles.add(run(port, data, takes[:1], "single", live=live, look=True))
    looked = run(port, data, takes, "looked", live=live, look=True) if not live else None
    print(f"\n{'as recorded' if live else 'at Wi-Fi pace'}")
    print(f"{'':34}{'single p50':>12}{'p95':>9}{f'{phones} p50':>12}{'p95':>9}{'p95/p95':>10}")
    rows = [
        ("last sample to all arrived, s" if live else "whole upload, s", "arrival_s", 1.0),
        ("one piece, ms", "pieces_s", 1e3),
    ]
    for words, name, scale in rows:
        one, all_ = getattr(singles, name), getattr(many, name)
        figures = [quantile(v, q) * scale for v in (one, all_) for q in (0.5, 0.95)]
        ratio = figures[3] / figures[1]
        print(
            f"{words:34}"
            + "".join(f"{f:>{w}.3g}" for f, w in zip(figures, (12, 9, 12, 9), strict=True))
            + f"{ratio:>10.2f}"
        )
        whole = name == "arrival_s"  # the target is for uploads, not for their pieces
        figure(
            f"{phones} phones at once, {'as recorded' if live else 'at Wi-Fi pace'}: {words}, p95",
            f"{figures[3]:.3g}",
            f"one phone: {figures[1]:.3g}",
            f"{ratio:.2f} × its time",
            "≤ 3 ×, none lost" if whole else "",
            ratio <= 3.0 and many.lost == 0 if whole else None,
        )
    print(f"lost: {singles.lost + many.lost} of {len(singles.arrival_s) + len(many.arrival_s)}")
    start = "last sample" if live else "first byte"
    print(f"{start} to ranked zones, one phone: {statistics.median(singles.zones_s):.2f} s")
    if looked is not None:
        print(
            f"the same, {phones} phones that all want their zones at once: "
            f"p50 {quantile(looked.zones_s, 0.5):.1f} s, p95 {quantile(looked.zones_s, 0.95):.1f} s"
        )


# ---- a day in fast-forward --------------------------------------------------------------------


async def soak(server: Server, base: bytes, n_takes: int, look_each: int, limit_s: float) -> None:
    phone = Phone(server.port)
    await phone.open()
    began = time.perf_counter()
    seen: list[tuple[int, float]] = []
    each = max(1, n_takes // 24)
    print(f"{'take':>6}{'hour':>6}{'RSS, MB':>10}{'elapsed, s':>12}")
    for number in range(n_takes):
        whole = own(base, number)
        upload = await phone.begin(f"soak-{number:06d}-{time.monotonic_ns()}")
        await phone.send(upload, whole, PIECE, 1e12)
        await phone.finish(upload, whole)
        if number % look_each == 0:
            await phone.json("POST", f"/uploads/{upload}/look")
        await phone.json("DELETE", f"/uploads/{upload}")
        if number % 10 == 0:
            seen.append((number, server.rss_mb()))
        elapsed = time.perf_counter() - began
        if number % each == 0:
            print(
                f"{number:>6}{number * TAKE_S / 3600:>6.1f}{seen[-1][1]:>10.1f}{elapsed:>12.0f}",
                flush=True,
            )
        if elapsed > limit_s:
            print(f"ended after {number + 1} takes: the time given was over")
            break
    taken, rss = np.array(seen).T
    print(f"{int(taken[-1]) + 1} takes, each {look_each}th looked at")
    for words, share in (("three quarters", 0.25), ("half", 0.5)):
        later = taken > share * taken[-1]
        slope = np.polyfit(taken[later] * TAKE_S / 3600, rss[later], 1)[0]
        print(
            f"the last {words}: RSS {rss[later].min():.1f} to {rss[later].max():.1f} MB, "
            f"slope {slope:+.3f} MB an hour of recording"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--phones", type=int, default=PHONES)
    parser.add_argument("--soak", action="store_true", help="a day of recording and deleting")
    parser.add_argument("--takes", type=int, default=SOAK_TAKES, help="of the soak")
    parser.add_argument("--look-each", type=int, default=20, help="of the soak: look at each Nth")
    parser.add_argument("--limit-minutes", type=float, default=40.0, help="of the soak")
    parser.add_argument("--serve", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--data", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.serve:
        serve(asked.data, asked.serve)
        return
    base = take_bytes()
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        with Garage.open(data) as garage:
            garage.start_sitting(garage.add_car(shipped_car_path()).id)
        server = Server(data)
        try:
            print(f"{len(base) / 1e6:.2f} MB a take of {TAKE_S:.0f} s")
            print(f"load {os.getloadavg()[0]:.1f} before")
            if asked.soak:
                asyncio.run(
                    soak(server, base, asked.takes, asked.look_each, 60.0 * asked.limit_minutes)
                )
            else:
                for live in (True, False):
                    compare(server.port, data, base, asked.phones, live=live)
            print(f"load {os.getloadavg()[0]:.1f} after, {os.cpu_count()} cores")
        finally:
            server.end()


if __name__ == "__main__":
    main()
