"""Signal core: Fourier transforms of whole takes, in two rounds of many short ones.

One transform of a million samples misses the processor's cache at every stage and uses one number
at a time. Split as ``n = n1 n2`` (W. M. Gentleman and G. Sande, Proc. AFIPS 29 (1966) 563–578), it
is ``n2`` transforms of length ``n1``, a turn of each number, and ``n1`` transforms of length
``n2``, each batch of which works on several numbers at a time: less than half the time, the same
result up to rounding.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

SHORTEST = 100_000
"""Below this length one plain transform is as fast."""
_LEAST_FACTOR = 64
LARGEST_TABLE = 1 << 21
"""Longest transform whose turns are kept: 44 s at 48 kHz, 16 MB."""


def long_rfft(x: NDArray[np.float32], n: int) -> NDArray[np.complex64]:
    """Return the transform of real rows, as ``scipy.fft.rfft(x, n, axis=-1)``.

    Parameters
    ----------
    x : ndarray, shape (n_channels, n_samples), float32
        Followed by zeros where it is shorter than ``n``.
    n : int
        Length of the transform, at least ``n_samples``.

    Returns
    -------
    ndarray of complex64, shape (n_channels, n // 2 + 1)
    """
    split = _split(n)
    if split is None:
        lines: NDArray[np.complex64] = scipy.fft.rfft(x, n, axis=-1)
        return lines
    n1, n2 = split
    half, rows = n1 // 2 + 1, n2 // 2 + 1
    out = np.empty((x.shape[0], rows, n1), np.complex64)
    for channel, row in enumerate(_filled(x, n)):
        first = scipy.fft.rfft(row.reshape(n1, n2), axis=0)
        _turn(first, n1, n2, forward=True)
        parts = scipy.fft.fft(first.T, axis=0)
        # Line k1 + n1 k2 stands in parts[k2, k1]; the upper half of each n1 is mirrored.
        out[channel, :, :half] = parts[:rows]
        mirrored = parts[n2 - 1 : n2 - 1 - rows : -1, n1 - half : 0 : -1]
        np.conjugate(mirrored, out=out[channel, :, half:])
    return out.reshape(x.shape[0], -1)[:, : n // 2 + 1]


def long_ifft(lines: NDArray[np.complex64], n: int) -> NDArray[np.complex64]:
    """Return the inverse transform of rows of lines, as ``scipy.fft.ifft(lines, n, axis=-1)``.

    Parameters
    ----------
    lines : ndarray, shape (n_channels, n_lines), complex64
        Followed by zeros where there are fewer than ``n``.
    n : int

    Returns
    -------
    ndarray of complex64, shape (n_channels, n)
    """
    split = _split(n)
    if split is None:
        signal: NDArray[np.complex64] = scipy.fft.ifft(lines, n, axis=-1)
        return signal
    n1, n2 = split
    rows = []
    for row in _filled(lines, n):
        first = scipy.fft.ifft(row.reshape(n1, n2), axis=0)
        _turn(first, n1, n2, forward=False)
        rows.append(scipy.fft.ifft(first.T, axis=0).reshape(n))
    return rows[0][np.newaxis] if len(rows) == 1 else np.stack(rows)


def _filled(rows: NDArray[Any], n: int) -> NDArray[Any]:
    """Rows of exactly ``n`` numbers, zeros behind."""
    if rows.shape[1] == n:
        return np.ascontiguousarray(rows)
    filled = np.zeros((rows.shape[0], n), rows.dtype)
    filled[:, : rows.shape[1]] = rows
    return filled


@lru_cache(maxsize=32)
def _split(n: int) -> tuple[int, int] | None:
    """Factors of a long length, both near its root; None where one is not worth while."""
    if n < SHORTEST:
        return None
    factors = [k for k in range(_LEAST_FACTOR, int(2.0 * np.sqrt(n))) if n % k == 0]
    if not factors:
        return None
    n1 = min(factors, key=lambda k: abs(k * k - n))
    return n1, n // n1


@lru_cache(maxsize=4)
def _turns(n1: int, n2: int) -> tuple[NDArray[np.complex64], ...]:
    """``exp(-2 pi j p q / n)`` as a product: of ``q`` in whole strides, and of what is left.

    Multiplied out where that is not too large to keep.
    """
    stride = max(k for k in range(1, int(np.sqrt(n2)) + 1) if n2 % k == 0)
    p = np.arange(n1)[:, np.newaxis]

    def turn(q: NDArray[np.intp]) -> NDArray[np.complex64]:
        angle = -2.0 * np.pi * (p * q % (n1 * n2)) / (n1 * n2)
        turned: NDArray[np.complex64] = np.exp(1j * angle).astype(np.complex64)
        return turned

    coarse = turn(np.arange(0, n2, stride))[:, :, np.newaxis]
    fine = turn(np.arange(stride))[:, np.newaxis, :]
    if n1 * n2 > LARGEST_TABLE:
        return coarse, fine
    return ((coarse * fine).reshape(n1, 1, n2),)


def _turn(values: NDArray[np.complex64], n1: int, n2: int, *, forward: bool) -> None:
    """Turn ``values[p, q]`` in place by ``p q / n`` of a turn."""
    p = values.shape[0]
    tables = [table[:p] for table in _turns(n1, n2)]
    pieces = values.reshape(p, tables[0].shape[1], tables[-1].shape[2])
    # Turning back is turning the mirrored numbers on.
    if not forward:
        np.conjugate(pieces, out=pieces)
    for table in tables:
        pieces *= table
    if not forward:
        np.conjugate(pieces, out=pieces)
