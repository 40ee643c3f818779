"""The privacy pass: what a workshop recording holds of people is taken out before it is shared.

Sound is written anew, so that a phone's tags (place, time, owner) are gone; what lies under the
car's own orders is filtered out; and the band of voices is replaced by noise of the same steady
spectrum: always before and after the spin-up, where a voice would be clearest, and around every
syllable that is heard while the motor holds its speed. Run-up and coast-down are not searched, and
the report says how much was.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.car.read import read_car
from vibecheck.dataset.files import write_file
from vibecheck.dataset.row import ManifestRow
from vibecheck.errors import CallError
from vibecheck.plain_text import library_name
from vibecheck.quality.others import Where, spoken_syllables
from vibecheck.quality.view import View, look_at
from vibecheck.recording.read import read_take
from vibecheck.recording.take import Take
from vibecheck.speed import track_speed
from vibecheck.track import Phase, SpeedTrack

FloatArray = NDArray[np.float64]

HIGH_PASS_HZ = 40.0
"""Default edge. Under it a phone hears hardly anything, and a motor turns slower than 2400 rpm."""
MOST_HIGH_PASS_HZ = 500.0
SPEECH_BAND_HZ = (70.0, 8000.0)
"""From the lowest pitch of a voice to the hiss of its consonants."""
MARGIN_S = 0.25
"""Masked before and after every syllable: soft beginnings and ends lie under the detector."""
_FRAME_S = 0.043
_RAYLEIGH_MEDIAN = 1.1774
FLOOR_DB = -120.0


@dataclass(frozen=True)
class PrivacyOptions:
    """What the pass does.

    Attributes
    ----------
    high_pass_hz : float
        Edge of the high-pass, 0 (none) to `MOST_HIGH_PASS_HZ`.
    mask_speech : bool

    Raises
    ------
    CallError
        If the edge is out of range.
    """

    high_pass_hz: float = HIGH_PASS_HZ
    mask_speech: bool = True

    def __post_init__(self) -> None:
        if not 0.0 <= self.high_pass_hz <= MOST_HIGH_PASS_HZ:
            raise CallError(
                f"The high-pass must be from 0 to {MOST_HIGH_PASS_HZ:g} Hz. "
                f"Got {self.high_pass_hz:g} instead.",
                advice="Above that the shafts' own orders would go.",
            )


@dataclass(frozen=True)
class PrivacyReport:
    """What the pass did to one take.

    Attributes
    ----------
    treated : bool
        False where the bytes were copied as they are.
    why : str
        In words, where not.
    high_pass_hz : float
    removed_db : float or None
        What the high-pass took away, over the whole take's power, dB (0: all of it).
    duration_s, searched_s, masked_s : float
        Length; how much of it was masked or searched for voices; how much was masked.
    syllables_before, syllables_after : int
        Heard by the same detector before and after.
    """

    treated: bool
    why: str
    high_pass_hz: float
    removed_db: float | None
    duration_s: float
    searched_s: float
    masked_s: float
    syllables_before: int
    syllables_after: int

    def plain(self) -> dict[str, Any]:
        """Return plain values, rounded, for JSON."""
        found = asdict(self)
        return {k: round(v, 3) if isinstance(v, float) else v for k, v in found.items()}


def private_copy(row: ManifestRow, target: Path, options: PrivacyOptions) -> PrivacyReport:
    """Write a take's sound through the pass as FLAC.

    Parameters
    ----------
    row : ManifestRow
        A take by a microphone.
    target : Path
        Written whole or not at all.
    options : PrivacyOptions

    Raises
    ------
    InputError
        If the take cannot be read or the copy not be written.
    """
    take = read_take(row.file, sensor="microphone", spot=row.spot)
    samples = np.asarray(take.samples, dtype=np.float64)
    car = read_car(row.car_file)
    speed = one_spin_up(track_speed(take, car))
    view = look_at(take, speed, car)
    spoken = list(spoken_syllables(view)) if options.mask_speech else []
    rng = np.random.default_rng(int(row.sha256[:16], 16))
    masked = np.zeros(take.n_samples, dtype=bool)
    if options.mask_speech:
        masked = mask_of(view, spoken, take.n_samples)
        samples = np.stack([mask_voices(one, masked, take, view, rng) for one in samples])
    removed_db = None
    if options.high_pass_hz > 0.0:
        filtered = high_pass(samples, take.sample_rate_hz, options.high_pass_hz)
        power = max(float(np.mean(samples**2)), 1e-30)
        share = max(float(np.mean((samples - filtered) ** 2)) / power, 10.0 ** (FLOOR_DB / 10.0))
        removed_db, samples = 10.0 * float(np.log10(share)), filtered
    samples = np.clip(samples, -1.0, 1.0 - 2.0**-15)
    _write(samples, take, row.file, target)
    after = 0
    if spoken:
        again = read_take(target, sensor="microphone", spot=row.spot)
        heard = spoken_syllables(look_at(again, speed, car))
        after = sum(len(syllables) for _where, syllables in heard)
    searched = view.seconds(float((view.idle | view.hold).sum())) if options.mask_speech else 0.0
    return PrivacyReport(
        treated=True,
        why="",
        high_pass_hz=options.high_pass_hz,
        removed_db=removed_db,
        duration_s=take.duration_s,
        searched_s=searched,
        masked_s=float(masked.sum()) / take.sample_rate_hz,
        syllables_before=sum(len(syllables) for _where, syllables in spoken),
        syllables_after=after,
    )


def one_spin_up(speed: SpeedTrack) -> SpeedTrack:
    """Take everything before and after the longest run of the shaft as idle.

    A loud voice beside a standing car is sometimes followed as if it were the motor; such a run has
    far fewer turns than the spin-up.
    """
    runs: list[list[Phase]] = []
    for phase in speed.phases:
        if phase.name != "idle":
            if runs and runs[-1][-1].end_s >= phase.start_s - 1e-6:
                runs[-1].append(phase)
            else:
                runs.append([phase])
    if not runs:
        return speed
    turns = np.interp(
        [[run[0].start_s, run[-1].end_s] for run in runs], speed.time_s, speed.revolutions
    )
    longest = runs[int(np.argmax(turns[:, 1] - turns[:, 0]))]
    start_s, end_s = longest[0].start_s, longest[-1].end_s
    before = Phase("idle", min(speed.phases[0].start_s, start_s), start_s)
    after = Phase("idle", end_s, max(speed.phases[-1].end_s, end_s))
    phases = [one for one in (before, *longest, after) if one.duration_s > 0.0]
    inside = (speed.time_s >= start_s) & (speed.time_s <= end_s)
    return replace(
        speed,
        rpm=np.where(inside, speed.rpm, 0.0),
        sd_rpm=np.where(inside, speed.sd_rpm, 0.0),
        phases=tuple(phases),
    )


def high_pass(samples: FloatArray, sample_rate_hz: float, edge_hz: float) -> FloatArray:
    """Take out what lies under an edge, without a phase shift.

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n_samples)
    sample_rate_hz : float
    edge_hz : float
        Everything passes above it, nothing under half of it; a raised cosine between.
    """
    n = samples.shape[1]
    size = scipy.fft.next_fast_len(n + int(4.0 * sample_rate_hz / edge_hz), real=True)
    hertz = scipy.fft.rfftfreq(size, 1.0 / sample_rate_hz)
    along = np.clip((hertz - 0.5 * edge_hz) / (0.5 * edge_hz), 0.0, 1.0)
    gain = 0.5 - 0.5 * np.cos(np.pi * along)
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(samples, size) * gain, size)[:, :n])


def mask_of(
    view: View, spoken: Sequence[tuple[Where, list[tuple[float, float]]]], n_samples: int
) -> NDArray[np.bool_]:
    """Samples to mask: all of the idle time, and around every syllable elsewhere."""
    rate = view.take.sample_rate_hz
    masked = np.zeros(n_samples, dtype=bool)
    half = 0.5 * view.frame_step_s
    for time_s in view.spectra.time_s[view.idle]:
        masked[max(0, round((time_s - half) * rate)) : round((time_s + half) * rate) + 1] = True
    for _where, syllables in spoken:
        for start_s, end_s in syllables:
            masked[
                max(0, round((start_s - MARGIN_S) * rate)) : round((end_s + MARGIN_S) * rate)
            ] = True
    return masked


def mask_voices(
    x: FloatArray, masked: NDArray[np.bool_], take: Take, view: View, rng: np.random.Generator
) -> FloatArray:
    """Replace the voice band of the masked stretches by noise of the same steady spectrum.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
    masked : ndarray of bool, shape (n_samples,)
    take : Take
        For its rate.
    view : View
        Tells idle from running: each is replaced by noise like its own.
    rng : numpy.random.Generator
    """
    rate = take.sample_rate_hz
    n = 2 * round(0.5 * _FRAME_S * rate)
    hop = n // 2
    # Analysis and synthesis windows whose product overlaps to one.
    window = np.sqrt(0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / n))
    padded = np.pad(x, (n, 2 * n))
    starts = np.arange(0, padded.size - n + 1, hop)
    middle = np.clip(starts - n + hop, 0, x.size - 1)
    spectra = scipy.fft.rfft(padded[starts[:, None] + np.arange(n)] * window, axis=1)
    hertz = scipy.fft.rfftfreq(n, 1.0 / rate)
    band = (hertz >= SPEECH_BAND_HZ[0]) & (hertz <= SPEECH_BAND_HZ[1])
    reach = np.clip(middle[:, None] + np.array([-hop, -hop // 2, 0, hop // 2, hop]), 0, x.size - 1)
    hit = masked[reach].any(axis=1)
    frame = np.clip(np.searchsorted(view.spectra.time_s, middle / rate), 0, view.idle.size - 1)
    for part in (view.idle[frame], ~view.idle[frame]):
        rows = np.flatnonzero(hit & part)
        if rows.size == 0:
            continue
        steady = np.flatnonzero(part & (view.hold[frame] | view.idle[frame]))
        like = np.abs(spectra[steady if steady.size else rows][:, band])
        # The median over time: syllables are gone from it where they fill less than half.
        size = np.median(like, axis=0) / _RAYLEIGH_MEDIAN
        noise = rng.standard_normal((2, rows.size, int(band.sum())))
        spectra[np.ix_(rows, np.flatnonzero(band))] = size * (noise[0] + 1j * noise[1])
    pieces = scipy.fft.irfft(spectra, n, axis=1) * window
    out = np.zeros(padded.size)
    for start, piece in zip(starts, pieces, strict=True):
        out[start : start + n] += piece
    made = out[n : n + x.size]
    # Where no masked frame reaches, the samples stay bit for bit.
    untouched = np.ones(padded.size, dtype=bool)
    for start in starts[hit]:
        untouched[start : start + n] = False
    return np.where(untouched[n : n + x.size], x, made)


def _write(samples: FloatArray, take: Take, source: Path, target: Path) -> None:
    import soundfile

    try:
        wide = soundfile.info(library_name(source)).subtype not in ("PCM_16", "PCM_S8", "PCM_U8")
    except (soundfile.LibsndfileError, OSError):
        wide = False  # lossy: 16 bits hold all that it has
    subtype, full = ("PCM_24", 2**23) if wide and take.codec == "pcm" else ("PCM_16", 2**15)
    whole = np.clip(np.round(samples.T * full), -full, full - 1).astype(np.int32)
    whole = whole * (2**31 // full) if full == 2**23 else whole.astype(np.int16)

    # By way of memory: libsndfile does not say why a file cannot be written.
    flac = io.BytesIO()
    soundfile.write(flac, whole, round(take.sample_rate_hz), subtype=subtype, format="FLAC")
    write_file(target, lambda temporary: temporary.write_bytes(flac.getvalue()))
