"""Findings on what moved the level: automatic gain, noise suppression, a moved phone."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.levels import smooth
from vibecheck.findings import Finding
from vibecheck.quality.view import View, decibel

# Forces of unbalance grow with speed squared (12 dB per doubling), sound of gears and air with its
# second to fifth power (6 to 15 dB); resonances on the way bend that. Flatter than 6 dB is worth a
# second look, flatter than 1 dB over a speed range of nearly three to one is worth a word.
STEEP_DB_PER_DOUBLING = 6.0
FLAT_DB_PER_DOUBLING = 1.0
_FLAT_DOUBLINGS = 1.5
# Nothing makes a room quieter when a motor starts: bands that fall from idle to top speed show the
# gain coming down. Two bands, by more than a room's noise wavers.
GAIN_DROP_DB = 3.0
# A room's noise does not change by 6 dB in all bands alike between one minute and the next.
FLOOR_MOVED_DB = 6.0
# … alike: bands within this of each other. A gain moves all of them by the same amount.
ALIKE_DB = 4.0
# The running level must stand clear of the noise to judge its slope. Not by much: a gain brings the
# noise of the pauses up to nearly the level of the run.
_CLEAR_DB = 6.0
_BANDS_HZ = ((150.0, 600.0), (600.0, 2000.0), (2000.0, 5000.0), (5000.0, 12000.0))

# A quiet room through a phone's microphone lies some 60 to 80 dB under full scale; the rounding of
# 16 bits alone at −98 dB (RMS). Under −90 dB something has muted the pauses.
DIGITAL_FLOOR_DB = -90.0
AUDIBLE_DB = -65.0
# Steady speed, steady sound: a slow rise of 10 dB over the hold is a fade-in, not the machine.
FADE_IN_DB = 10.0

# A level step of 6 dB (half the distance, or a hand over the microphone) at unchanged speed.
STEP_DB = 6.0
_STEP_SIDE_S, _STEP_GAP_S = 0.6, 0.2
_SAME_SPEED = 0.03


def _band_levels(view: View) -> NDArray[np.float64]:
    """Level of each band in each frame, dB, shape (n_bands, n_frames)."""
    rows = []
    for low, high in _BANDS_HZ:
        part = view.bins(low, min(high, 0.9 * view.nyquist_hz))
        if part.stop - part.start >= 4:
            rows.append(decibel(view.spectra.power[:, part].sum(axis=1)))
    return np.asarray(rows).reshape(len(rows), view.spectra.time_s.size)


def noise_suppression(view: View) -> Iterator[Finding]:
    """The pauses are muted to the digital floor: a processor decides what is sound."""
    if view.take.unit != "full_scale":
        return
    quiet = view.idle_blocks
    if np.count_nonzero(quiet) < 20:
        return
    # The quietest quarter: pauses hold beeps and clicks of the start-up, too.
    idle = float(decibel(np.quantile(view.blocks.variance[quiet], 0.25)))
    running = float(decibel(view.level_of(view.running_blocks) ** 2))
    if idle >= DIGITAL_FLOOR_DB or running < AUDIBLE_DB:
        return
    rise = _fade_in_db(view)
    fades = f", and sounds fade in by {rise:.0f} dB at steady speed" if rise >= FADE_IN_DB else ""
    yield Finding(
        "noise_suppression",
        f"The recorder mutes the pauses ({max(idle, -200.0):.0f} dB re full scale){fades}: "
        "noise suppression is on, and levels cannot be trusted.",
        "Switch off noise suppression or voice enhancement in the recorder, or use another app.",
        round(max(idle, -200.0), 1),
        DIGITAL_FLOOR_DB,
        "limits",
    )


def _fade_in_db(view: View) -> float:
    """Largest slow rise of level inside one stretch of steady speed."""
    if view.speed is None:
        return 0.0
    level = decibel(view.spectra.power[:, 1:].sum(axis=1))
    times, largest = view.spectra.time_s, 0.0
    for phase in view.speed.phases_named("hold"):
        inside = level[(times >= phase.start_s) & (times < phase.end_s)]
        third = inside.size // 3
        if view.seconds(third) >= 0.3:
            rise = float(np.median(inside[-third:]) - np.median(inside[:third]))
            largest = max(largest, rise)
    return largest


def automatic_gain(view: View) -> Iterator[Finding]:
    """Level flattened across the run-up while the noise floor moves."""
    if not view.is_sound or not view.is_phased or view.idle_power is None:
        return
    slope, doublings = _level_slope(view)
    dropped, moved = _gain_drop_db(view), _floor_moved_db(view)
    if slope >= STEEP_DB_PER_DOUBLING and np.isfinite(slope):
        return
    rises = f" (it rises by {slope:.1f} dB per doubling of speed)" if np.isfinite(slope) else ""
    if dropped >= GAIN_DROP_DB:
        message = (
            f"The recorder evens out the level{rises}: the room's noise falls by {dropped:.0f} dB "
            "when the car runs."
        )
    elif abs(moved) >= FLOOR_MOVED_DB and np.isfinite(slope):
        message = (
            f"The recorder evens out the level{rises}: the room's noise changes by "
            f"{abs(moved):.0f} dB while the motor is off."
        )
    elif slope < FLAT_DB_PER_DOUBLING and doublings >= _FLAT_DOUBLINGS:
        message = (
            f"The level hardly rises with speed ({slope:.1f} dB per doubling): the car is like "
            "that, or the recorder evens it out."
        )
    else:
        return
    sure = dropped >= GAIN_DROP_DB or abs(moved) >= FLOOR_MOVED_DB
    value, limit = slope, STEEP_DB_PER_DOUBLING if sure else FLAT_DB_PER_DOUBLING
    if dropped >= GAIN_DROP_DB:
        value, limit = dropped, GAIN_DROP_DB
    yield Finding(
        "automatic_gain",
        message,
        "Switch off automatic gain (AGC) in the recorder, or use an app that lets you.",
        round(value, 2),
        limit,
        "limits" if sure else "note",
    )


def _gain_drop_db(view: View) -> float:
    """How far the noise falls from idle to top speed, in the second most telling band."""
    n_bins = view.bins(0.0, min(12_000.0, 0.9 * view.nyquist_hz)).stop
    if view.idle.sum() < 8 or view.fast.sum() < 8 or n_bins < 32:
        return 0.0
    # Single bins at first, then a quarter of an octave or so.
    edges = np.unique(np.concatenate([np.arange(1, 9), np.geomspace(9, n_bins, 18).round()]))
    bands = edges.astype(int)
    # Medians over time: lines that pass through, knocks and voices count little.
    idle, fast = view.median_of("idle")[:n_bins], view.median_of("fast")[:n_bins]
    fall = decibel(np.add.reduceat(idle, bands[:-1])) - decibel(np.add.reduceat(fast, bands[:-1]))
    return float(np.sort(fall)[-2])


def _level_slope(view: View) -> tuple[float, float]:
    """Rise of the running level in dB per doubling of speed, noise taken off, and the doublings.

    Infinite where the take cannot tell.
    """
    unclear = (np.inf, 0.0)
    part = view.bins(300.0, min(8000.0, 0.9 * view.nyquist_hz))
    # The run-up alone where there is one: gains come down at once but go up slowly.
    rpm, rows = view.rpm, view.running & view.run_up
    if not rows.any():
        rows = view.running.copy()
    if part.stop - part.start < 4 or not rows.any() or view.idle_power is None:
        return unclear
    power = view.spectra.power[:, part].sum(axis=1, dtype=np.float64)
    noise = float(view.idle_power[part].sum())
    if float(decibel(power[view.fast].mean()) - decibel(noise)) < _CLEAR_DB:
        return unclear
    rows &= rpm >= 0.15 * rpm.max()
    if np.count_nonzero(rows) < 20:
        return unclear
    # Each fifth of a doubling counts once, however long it was held; those that stand clear of the
    # noise are chosen by their mean, since choosing single frames would favour the loud ones.
    doublings = np.log2(rpm[rows])
    bin_of = np.floor((doublings - doublings.min()) * 5.0).astype(int)
    counts = np.maximum(np.bincount(bin_of), 1)
    x = np.bincount(bin_of, doublings) / counts
    mean = np.bincount(bin_of, power[rows]) / counts
    used = (np.bincount(bin_of) >= 2) & (mean > 2.0 * noise)
    if np.count_nonzero(used) < 5 or np.ptp(x[used]) < 0.8:
        return unclear
    slope = np.polyfit(x[used], decibel(mean[used] - noise), 1)[0]
    return float(slope), float(np.ptp(x[used])) + 0.2


def _floor_moved_db(view: View) -> float:
    """Change of the idle noise, alike in all bands: from before to after, or along one stretch.

    A gain that was turned down by the run comes back over seconds: the idle part after the run
    starts low and climbs.
    """
    if view.speed is None:
        return 0.0
    levels = _band_levels(view)
    times = view.spectra.time_s
    stretches = [
        np.flatnonzero(view.idle & (times >= p.start_s) & (times < p.end_s))
        for p in view.speed.phases_named("idle")
    ]
    n = max(4, round(0.5 / view.frame_step_s))
    pieces = [s[:n] for s in stretches if s.size >= 8] + [s[-n:] for s in stretches if s.size >= 8]
    if len(pieces) < 2 or not len(levels):
        return 0.0
    middles = np.array([np.median(levels[:, piece], axis=1) for piece in pieces])
    largest = 0.0
    for i in range(len(pieces)):
        for j in range(i):
            change = middles[i] - middles[j]
            if np.ptp(change) <= ALIKE_DB and abs(np.median(change)) > abs(largest):
                largest = float(np.median(change))
    return largest


def level_moves(view: View) -> Iterator[Finding]:
    """A sudden step of the level at unchanged speed: the phone was moved or covered."""
    if not view.is_phased:
        return
    levels = _band_levels(view)
    if levels.shape[0] < 2:
        return
    side = max(3, round(_STEP_SIDE_S / view.frame_step_s))
    gap = max(1, round(_STEP_GAP_S / view.frame_step_s))
    span = 2 * side + gap
    n = levels.shape[1] - span + 1
    if n < 1:
        return
    total = np.concatenate([np.zeros((levels.shape[0], 1)), np.cumsum(levels, axis=1)], axis=1)
    before = (total[:, side : side + n] - total[:, :n]) / side
    after = (total[:, span : span + n] - total[:, side + gap : side + gap + n]) / side
    change = after - before
    alike = np.ptp(change, axis=0) <= ALIKE_DB
    step = np.where(alike, np.median(change, axis=0), 0.0)
    # The whole span must lie in one steady stretch.
    for steady in (view.hold, view.idle):
        whole = smooth(steady, 1)
        count = np.concatenate([[0.0], np.cumsum(whole)])
        inside = count[span : span + n] - count[:n] >= span - 0.5
        rpm = view.rpm
        moved = np.abs(rpm[span - 1 : span - 1 + n] - rpm[:n]) > _SAME_SPEED * np.maximum(
            rpm[:n], 1
        )
        if steady is view.idle:
            moved[:] = False
        found = np.abs(np.where(inside & ~moved, step, 0.0))
        if found.max(initial=0.0) >= STEP_DB and _sudden(levels, int(found.argmax()), side, gap):
            at = view.spectra.time_s[int(found.argmax()) + side + gap // 2]
            yield Finding(
                "level_moves",
                f"The level jumps by {found.max():.0f} dB at {at:.1f} s although the speed stays.",
                "Lay the phone down, do not hold or cover it, and record again.",
                round(float(found.max()), 1),
                STEP_DB,
                "limits",
            )
            return


def _sudden(levels: NDArray[np.float64], start: int, side: int, gap: int) -> bool:
    """True where the change happens in the gap rather than along the sides."""
    mean = levels.mean(axis=0)
    half = side // 2
    left = np.median(mean[start + half : start + side]) - np.median(mean[start : start + half])
    right_start = start + side + gap
    right = np.median(mean[right_start + half : right_start + side]) - np.median(
        mean[right_start : right_start + half]
    )
    return bool(abs(left) < 0.3 * STEP_DB and abs(right) < 0.3 * STEP_DB)
