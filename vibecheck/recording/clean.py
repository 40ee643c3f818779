"""Recordings: repairs that every reader shares, each said in a finding and none of them silent."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.findings import Finding

MOST_NAN_SHARE = 0.01
LONGEST_NAN_RUN = 8
LONGEST_NAN_RUN_S = 0.02
# No sensor gives more in any unit; damaged files do, and their squares overflow.
LARGEST_VALUE = 1e15
# A channel 80 dB beneath the loudest holds nothing but rounding or a constant.
DEAD_RATIO = 1e-4


def fill_nan(
    samples: NDArray[Any], sample_rate_hz: float, where: str
) -> tuple[NDArray[Any], list[Finding]]:
    """Bridge a few missing (NaN) or infinite samples by straight lines, or refuse.

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n_samples)

    Raises
    ------
    InputError
        1 % of the samples or more are missing, or a run of them is longer than 0.02 s (and than
        8 samples).
    """
    # NaN fails both comparisons; no array of the recording's size is made where all is well.
    if samples.max() < LARGEST_VALUE and samples.min() > -LARGEST_VALUE:
        return samples, []
    good = np.abs(samples) < LARGEST_VALUE
    n_bad = int(good.size - np.count_nonzero(good))
    share = n_bad / good.size
    longest = max(_longest_run(~row) for row in good)
    limit = max(LONGEST_NAN_RUN, int(LONGEST_NAN_RUN_S * sample_rate_hz))
    if share >= MOST_NAN_SHARE or longest > limit:
        if share >= 0.9999:
            what = "All samples are missing (NaN or infinite)."
        else:
            what = (
                f"{100 * share:.2g} % of the samples are missing (NaN or infinite), "
                f"up to {longest} in a row."
            )
        raise InputError(what, where=where, advice="Export the recording again.")
    filled = samples.copy()
    at = np.arange(samples.shape[1])
    for row, ok in zip(filled, good, strict=True):
        if not ok.all():
            row[~ok] = np.interp(at[~ok], at[ok], row[ok])
    number = "One sample was" if n_bad == 1 else f"{n_bad} samples were"
    finding = Finding(
        code="nan_samples_filled",
        message=f"{number} missing (NaN or infinite) and bridged by straight lines.",
        advice="A few do no harm. If it happens every time, look at the logger or its export.",
        value=share,
        limit=MOST_NAN_SHARE,
        weight="note",
    )
    return filled, [finding]


def drop_dead_channels(
    samples: NDArray[Any], names: tuple[str, ...]
) -> tuple[NDArray[Any], tuple[str, ...], list[Finding]]:
    """Leave out channels that hold nothing while another one does.

    All channels are kept where all of them are dead: that is silence, and for the quality gate.
    """
    if samples.shape[0] < 2:
        return samples, names, []
    spread = np.array([_spread(row) for row in samples])
    dead = spread <= DEAD_RATIO * spread.max()
    if not dead.any() or spread.max() == 0.0:
        return samples, names, []
    gone = [name for name, is_dead in zip(names, dead, strict=True) if is_dead]
    kept = tuple(name for name, is_dead in zip(names, dead, strict=True) if not is_dead)
    plural = "s" if len(gone) > 1 else ""
    finding = Finding(
        code="dead_channel",
        message=f"Channel{plural} {', '.join(gone)} of {len(names)} held no signal; "
        f"{', '.join(kept)} was used.",
        advice="Check the plug, the cable or the recorder's channel setting.",
        value=float(len(gone)),
        limit=0.0,
        weight="note",
    )
    return np.ascontiguousarray(samples[~dead]), kept, [finding]


def cut_finding(start_s: float, end_s: float, total_s: float, stood_out: bool) -> Finding:
    """Say which part of a long recording was used."""
    found = (
        f"The file lasts {clock(total_s)}; only {clock(start_s)} to {clock(end_s)} was used, "
        + ("where a spin-up stands out." if stood_out else "its loudest part: nothing stood out.")
    )
    return Finding(
        code="long_recording_cut",
        message=found,
        advice="If the spin-up you mean is elsewhere, cut the file to it and check that.",
        value=total_s,
        limit=None,
        weight="note" if stood_out else "limits",
    )


def truncated_finding(used_s: float, declared_s: float) -> Finding:
    """Say that a file breaks off and what was read was used."""
    return Finding(
        code="truncated_file_used",
        message=f"The file breaks off: {used_s:.1f} s of {declared_s:.1f} s could be read and "
        "was used.",
        advice="Copy it again from the phone or recorder if the spin-up is not complete.",
        value=used_s,
        limit=declared_s,
        weight="limits",
    )


def clock(seconds: float) -> str:
    """Seconds as m:ss or h:mm:ss, the way players show them."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _spread(row: NDArray[Any]) -> float:
    """Standard deviation in double precision, without a copy of the whole row."""
    n, shift, total, squares = row.size, float(row[0]), 0.0, 0.0
    for first in range(0, n, 1 << 18):
        part = row[first : first + (1 << 18)].astype(np.float64) - shift
        total += float(part.sum())
        squares += float(np.dot(part, part))
    return float(np.sqrt(max(0.0, squares / n - (total / n) ** 2)))


def _longest_run(mask: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0
