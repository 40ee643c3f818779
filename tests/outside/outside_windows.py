"""Windows against Harris' table."""

from __future__ import annotations

import numpy as np
from outside_check import Check, check

from vibecheck.dsp import windows

W = "vibecheck.dsp.windows"
HARRIS = "Harris, Proc. IEEE 66 (1978) 51–83, Table I"


def of(name: str, n: int = 16_384) -> np.ndarray:
    return windows.kaiser(n, 3.0 * np.pi) if name == "kaiser" else windows.window(name, n)


def lobe(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Bins (in steps of 1/256) and level of the transform, 1 at its top."""
    level = np.abs(np.fft.rfft(of(name, 256), 256 * 256))
    return np.arange(level.size) / 256.0, level / level[0]


def bandwidth(name: str, down_db: float) -> float:
    bins, level = lobe(name)
    db = 20.0 * np.log10(np.maximum(level, 1e-12))
    beyond = int(np.argmax(db < -down_db))
    share = (db[beyond - 1] + down_db) / (db[beyond - 1] - db[beyond])
    return 2.0 * float(bins[beyond - 1] + share * (bins[1] - bins[0]))


def side_lobe_db(name: str) -> float:
    _, level = lobe(name)
    # The main lobe ends where the curve turns up again, far below its top.
    rises = np.flatnonzero((np.diff(level) > 0) & (level[:-1] < 0.1))
    return float(20.0 * np.log10(level[rises[0] :].max()))


def overlap_percent(name: str, overlap: float) -> float:
    w = of(name)
    shift = round((1.0 - overlap) * w.size)
    return 100.0 * float(w[shift:] @ w[: w.size - shift] / (w @ w))


def window_row(name: str) -> list[float]:
    w = of(name)
    return [windows.coherent_gain(w), windows.noise_bandwidth_bins(w)]


def loss_row(name: str) -> list[float]:
    w = of(name)
    loss = windows.scalloping_loss_db(w)
    return [loss, loss + 10.0 * float(np.log10(windows.noise_bandwidth_bins(w)))]


def flat_top_coefficients() -> list[float]:
    """Cosine coefficients over the first, read from the window itself."""
    lines = np.fft.rfft(windows.flat_top(64)).real
    return [1.0, *(2.0 * lines[1:5] / lines[0])]


WINDOW_TABLE = (
    # name, gain, bandwidth, scalloping, worst case, side lobe, -3 dB, -6 dB, overlap 75 %, 50 %
    ("rectangle", 1.0, 1.0, 3.922, 3.92, -13.3, 0.89, 1.21, 75.0, 50.0),
    ("hann", 0.5, 1.5, 1.424, 3.18, -31.5, 1.44, 2.00, 65.9, 16.7),
    ("blackman_harris", 0.3588, 2.0044, 0.826, 3.85, -92.0, 1.90, 2.67, 46.0, 3.8),
    ("kaiser", 0.4025, 1.7952, 1.023, 3.56, -69.6, 1.71, 2.39, 53.9, 7.4),
    ("flat_top", 0.2156, 3.7702, 0.010, 5.77, -93.0, 3.72, 4.58, 4.6, -1.5),
)
# Seen in public notes: scalloping of the rectangle and of Hann, noise bandwidth of Hann.
IN_PUBLIC = {"rectangle losses", "hann losses", "hann gain"}


def window_checks() -> list[Check]:
    out = []
    for name, gain, enbw, scallop, worst, side, three, six, o75, o50 in WINDOW_TABLE:
        source = "ISO 18431-2:2004 and " + HARRIS if name == "flat_top" else HARRIS
        gains, losses = (
            "published, from memory, recomputed"
            if f"{name} {what}" in IN_PUBLIC
            else "from memory, recomputed"
            for what in ("gain", "losses")
        )
        shown = {"kaiser": "Kaiser, α = 3"}.get(name, name.replace("_", "-"))
        own = f"{W}.{name}"
        out += [
            check(
                f"{name} gain", (own, f"{W}.window", f"{W}.coherent_gain",
                                 f"{W}.noise_bandwidth_bins"),
                f"{shown}: coherent gain, noise bandwidth in bins", source, gains, (gain, enbw),
                lambda n=name: window_row(n), 1e-3,
            ),
            check(
                f"{name} losses", (own, f"{W}.scalloping_loss_db"),
                f"{shown}: scalloping, worst-case loss, dB", source, losses, (scallop, worst),
                lambda n=name: loss_row(n), 0.01,
            ),
            check(
                f"{name} side lobe", own, f"{shown}: highest side lobe, dB", source,
                "from memory, recomputed", side, lambda n=name: side_lobe_db(n), 0.4,
            ),
            check(
                f"{name} widths", own, f"{shown}: −3 dB and −6 dB width, bins", source,
                "from memory, recomputed", (three, six),
                lambda n=name: [bandwidth(n, 10 * np.log10(2)), bandwidth(n, 20 * np.log10(2))],
                0.011,
            ),
            check(
                f"{name} overlap", own, f"{shown}: correlation at 75 %, 50 % overlap, %", source,
                "from memory, recomputed", (o75, o50),
                lambda n=name: [overlap_percent(n, 0.75), overlap_percent(n, 0.5)], 0.06,
            ),
        ]  # fmt: skip
    return out


CHECKS: tuple[Check, ...] = (
    *window_checks(),
    check(
        "flat-top coefficients", f"{W}.flat_top", "cosine coefficients over the first",
        "ISO 18431-2:2004", "from memory", (1.0, -1.933, 1.286, -0.388, 0.0322),
        flat_top_coefficients, 1e-3,
    ),
)  # fmt: skip
