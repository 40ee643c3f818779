"""Recordings: long files in bounded memory.

A long recording is read twice. The first pass keeps only a level envelope and picks the stretch
that looks most like a spin-up; the second reads that stretch alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.recording.limits import (
    MOST_SEARCHED_S,
    MOST_SEARCHED_VALUES,
    MOST_VALUES,
    too_long,
)

LIMIT_S = 180.0
"""Longest stretch that becomes a take; a spin-up with its idle takes well under a minute."""

MARGIN_S = 5.0
"""Idle kept on either side of the active stretch: the noise floor is measured there."""

HOP_S = 0.1
"""Spacing of the level envelope."""

BLOCK = 1 << 16
"""Samples per channel read at a time."""

Blocks = Callable[[int], Iterator[NDArray[np.float32]]]
"""Opens the source at a sample and yields blocks of shape (n_channels, n)."""


@dataclass(frozen=True)
class Span:
    """A stretch of a long recording, and whether something in it stood out from the rest."""

    start_s: float
    end_s: float
    stood_out: bool


class LevelEnvelope:
    """Power of a signal and of its first difference, in steps of ``hop`` samples, as it streams.

    The first difference weighs the signal by frequency, so that rumble and handling noise count
    little. Powers are means over the channels.
    """

    def __init__(self, hop: int) -> None:
        self.hop = hop
        self.n_samples = 0
        self._rest: NDArray[np.float32] | None = None
        self._last: NDArray[np.float32] | None = None
        self._power: list[NDArray[np.float64]] = []
        self._difference: list[NDArray[np.float64]] = []

    def add(self, block: NDArray[np.float32]) -> None:
        """Take in the next block, shape (n_channels, n)."""
        self.n_samples += block.shape[1]
        if self._rest is not None and self._rest.shape[1]:
            block = np.concatenate([self._rest, block], axis=1)
        n_whole = block.shape[1] // self.hop * self.hop
        whole, self._rest = block[:, :n_whole], block[:, n_whole:].copy()
        if not n_whole:
            return
        if not np.isfinite(whole).all():
            whole = np.nan_to_num(whole, nan=0.0, posinf=0.0, neginf=0.0)
        first = whole[:, :1] if self._last is None else self._last
        self._last = whole[:, -1:].copy()
        difference = np.diff(whole, axis=1, prepend=first)
        shape = (whole.shape[0], -1, self.hop)
        scale = 1.0 / (whole.shape[0] * self.hop)
        for values, kept in ((whole, self._power), (difference, self._difference)):
            steps = values.reshape(shape)
            kept.append(np.einsum("cki,cki->k", steps, steps).astype(np.float64) * scale)

    @property
    def power(self) -> NDArray[np.float64]:
        """Mean square of the signal, one value per hop."""
        return np.concatenate(self._power) if self._power else np.zeros(0)

    @property
    def difference_power(self) -> NDArray[np.float64]:
        """Mean square of the first difference, one value per hop."""
        return np.concatenate(self._difference) if self._difference else np.zeros(0)


def choose_span(
    difference_power: NDArray[np.float64],
    hop_s: float,
    *,
    limit_s: float = LIMIT_S,
    margin_s: float = MARGIN_S,
) -> Span:
    """Pick the stretch of a level envelope that looks most like a spin-up.

    A spin-up stands out from the idle before it for seconds without a pause (speech pauses), and
    its level moves with the speed (a fan or a compressor does not move). The score of a stretch is
    its level over the noise floor in dB, times its length up to 10 s, times how much it moves.

    Parameters
    ----------
    difference_power : ndarray, shape (n_hops,)
    hop_s : float
        Seconds per value, > 0.
    limit_s, margin_s : float
        Longest span returned, and the idle kept on either side.

    Returns
    -------
    Span
        Where nothing stands out, the loudest stretch of length ``limit_s``.
    """
    n = difference_power.size
    total_s = n * hop_s
    positive = difference_power[difference_power > 0]
    if not positive.size:
        return Span(0.0, min(limit_s, total_s), False)
    floor_power = max(float(positive.min()), 1e-6 * float(positive.max()) * 1e-6)
    level_db = 10.0 * np.log10(np.maximum(difference_power, floor_power))
    # A stretch counts as sustained where even its quietest hop within 1 s is up.
    half = max(1, round(0.5 / hop_s))
    sustained_db = _running_minimum(level_db, half)
    noise_db = float(np.percentile(level_db, 10.0))
    above = sustained_db > noise_db + 6.0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(np.int8)))
    best: tuple[float, int, int] | None = None
    for first, last in edges.reshape(-1, 2):
        # The running minimum ate half a second at each end.
        first, last = max(0, int(first) - half), min(n, int(last) + half)
        seconds = (last - first) * hop_s
        if seconds < 2.0:
            continue
        stretch = level_db[first:last]
        excess_db = min(float(np.percentile(stretch, 90.0)) - noise_db, 60.0)
        movement = min(1.0, float(np.std(stretch[half : -half or None])) / 3.0)
        score = excess_db * min(seconds, 10.0) * (0.2 + 0.8 * movement)
        if best is None or score > best[0]:
            best = (score, first, last)
    if best is None:
        n_limit = min(n, max(1, int(limit_s / hop_s)))
        sums = np.cumsum(np.concatenate([[0.0], difference_power]))
        start = int(np.argmax(sums[n_limit:] - sums[: n + 1 - n_limit]))
        return Span(start * hop_s, min(total_s, (start + n_limit) * hop_s), False)
    start_s = max(0.0, best[1] * hop_s - margin_s)
    end_s = min(total_s, best[2] * hop_s + margin_s, start_s + limit_s)
    return Span(start_s, end_s, True)


def read_bounded(
    blocks: Blocks, sample_rate_hz: float, *, limit_s: float = LIMIT_S, where: str = ""
) -> tuple[NDArray[np.float32], int, int, Span | None]:
    """Read a whole source if it is short, else the stretch of it that :func:`choose_span` picks.

    Never holds more than ``limit_s`` seconds, `MOST_VALUES` and one block.

    Returns
    -------
    samples : ndarray, shape (n_channels, n)
    first : int
        Sample of the source at which ``samples`` begins.
    n_total : int
        Samples in the whole source.
    span : Span or None
        None where the whole source was read.

    Raises
    ------
    InputError
        If the source is longer than is searched.
    """
    limit = round(limit_s * sample_rate_hz)
    most_searched = MOST_SEARCHED_S * sample_rate_hz
    kept: list[NDArray[np.float32]] = []
    n_total = 0
    envelope: LevelEnvelope | None = None
    for block in blocks(0):
        if n_total == 0:
            limit = min(limit, MOST_VALUES // block.shape[0])
            limit_s = limit / sample_rate_hz
            most_searched = min(most_searched, MOST_SEARCHED_VALUES / block.shape[0])
        n_total += block.shape[1]
        if n_total > most_searched:
            raise too_long(where, most_searched / sample_rate_hz)
        if envelope is not None:
            envelope.add(block)
            continue
        kept.append(block)
        if n_total > limit:
            envelope = LevelEnvelope(max(1, round(HOP_S * sample_rate_hz)))
            while kept:
                envelope.add(kept.pop(0))
    if envelope is None:
        return _join(kept), 0, n_total, None
    hop_s = envelope.hop / sample_rate_hz
    span = choose_span(envelope.difference_power, hop_s, limit_s=limit_s)
    first = round(span.start_s * sample_rate_hz)
    wanted = round((span.end_s - span.start_s) * sample_rate_hz)
    samples: NDArray[np.float32] | None = None
    n_read = 0
    for block in blocks(first):
        if samples is None:
            samples = np.empty((block.shape[0], wanted), dtype=block.dtype)
        part = block[:, : wanted - n_read]
        samples[:, n_read : n_read + part.shape[1]] = part
        n_read += part.shape[1]
        if n_read >= wanted:
            break
    if samples is None or n_read == 0:
        return _join([]), first, n_total, span
    return samples[:, :n_read], first, n_total, span


def _join(kept: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    if not kept:
        return np.zeros((1, 0), dtype=np.float32)
    if len(kept) == 1:
        return np.ascontiguousarray(kept[0])
    n = sum(block.shape[1] for block in kept)
    joined = np.empty((kept[0].shape[0], n), dtype=kept[0].dtype)
    position = 0
    for index in range(len(kept)):
        block = kept[index]
        joined[:, position : position + block.shape[1]] = block
        position += block.shape[1]
    kept.clear()
    return joined


def _running_minimum(values: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Minimum over ``2 half + 1`` neighbours, ends held."""
    padded = np.pad(values, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    smallest: NDArray[np.float64] = windows.min(axis=1)
    return smallest
