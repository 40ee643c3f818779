"""Speed tracking: from samples and a list of orders to speed, its spread and its confidence.

The chain: short-time levels (`tracking_front`) → whitening and votes (`tracking_whiten`) → evidence
(`tracking_evidence`, `tracking_level`) → path (`tracking_path`) → coast-down (`tracking_coast`) →
sharpening and phase fit (`tracking_refine`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vibecheck.dsp import tracking_coast as coasting
from vibecheck.dsp import tracking_evidence as evidence
from vibecheck.dsp import tracking_level as level_reader
from vibecheck.dsp import tracking_lines as line_reader
from vibecheck.dsp import tracking_path as path_search
from vibecheck.dsp import tracking_refine as refinement
from vibecheck.dsp import tracking_whiten as whitening
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_front import Front, decorrelated, short_time_levels
from vibecheck.dsp.tracking_phases import stretches
from vibecheck.dsp.tracking_readings import (
    Rival,
    impossible_jumps,
    likelier_reading,
    rejoined,
    rival_ratios,
    strongest_rival,
    support,
)

STEEPEST_SLEW_HZ_S = 300.0
IMPOSSIBLE_SLEW_HZ_S = 1000.0  # no motor of a model does this, not even braked
JUMP_SHARE = 0.3  # share of the running that must lie beyond a jump to doubt the whole track
BLINK_S = 0.1  # nor does it stop and start again within this time
BRIDGE_S = 0.25  # a gap this short between two running stretches is a lost line, not a stop
SHORTEST_RUN_S = 0.25
BLIP_S = 1.0  # a stretch shorter than this, flat
ALONE_S = 1.0  # and further than this from any longer one is no spin-up
STEADY_SPREAD = 0.01  # a shaft at constant speed stays within this share of its median
MAINS_TOLERANCE = 0.002  # public grids keep well within this share of 50 or 60 Hz
HUM_UP_TO_HZ = 2000.0  # hum has few harmonics above this
SUPPORT_SHARE = 0.5  # of all orders' say, as log-likelihood ratio per step: less may be chance
SUPPORT_STEEPNESS = 3.0
SHORTEST_FIT = 7  # frames; shorter stretches keep what the peaks say
MOST_LINES = 6  # lines used in the phase fit: the ones that say most


@dataclass(frozen=True, eq=False)
class Tracked:
    """Speed of the reference shaft per frame, 0 where it is off.

    ``span`` is the number of frames in the phase fit. ``rival`` is the strongest other reading of
    the same recording; ``steps_per_s`` turns its log-odds per step into one per second.
    """

    time_s: NDArray[np.float64]
    hop_s: float
    speed_hz: NDArray[np.float64]
    sd_hz: NDArray[np.float64]
    confidence: NDArray[np.float64]
    span: NDArray[np.intp]
    rival: Rival | None
    steps_per_s: float


def track(
    samples: NDArray[np.float64] | NDArray[np.float32],
    sample_rate_hz: float,
    lines: Sequence[Line],
    low_hz: float,
    high_hz: float,
    *,
    top_hz: float | None = None,
    blind: bool = False,
    expected_top_hz: float | None = None,
) -> Tracked:
    """Track the speed of the shaft whose orders are ``lines``.

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n_samples)
    sample_rate_hz : float
    lines : sequence of Line
    low_hz, high_hz : float
        Range of the reference shaft's speed in turns per second.
    top_hz : float, optional
        Highest frequency that the recording can hold.
    blind : bool
        True where ``lines`` are a guess (a harmonic series), not the orders of a known machine.
    expected_top_hz : float, optional
        Speed that a run is usually taken up to; decides only between readings.
    """
    front = short_time_levels(decorrelated(samples), sample_rate_hz, top_hz=top_hz)
    step_s = 2.0 * front.hop_s
    whitened = [whitening.whiten(level) for level in front.levels]
    standing = [whitening.standing_lines(item, step_s) for item in whitened]
    candidates = path_search.candidate_grid(low_hz, high_hz)
    found = _search(
        [whitening.without_standing(w, s) for w, s in zip(whitened, standing, strict=True)],
        candidates, lines, step_s, blind, expected_top_hz,
    )  # fmt: skip
    fitted = _fitted(whitened, front, lines, found)
    if not (found.coarse_hz > 0.0).any() and any(where.any() for where in standing):
        # Nothing moves, but lines stand: a shaft at constant speed looks like this.
        steady = _search(whitened, candidates, lines, step_s, blind, expected_top_hz)
        steady_fit = _fitted(whitened, front, lines, steady)
        if _is_steady_shaft(steady, steady_fit[0], whitened, lines):
            found, fitted = steady, steady_fit
    speed, sd, span = fitted
    n_frames = front.time_s.size
    steps = np.minimum(2 * np.arange(found.coarse_hz.size), n_frames - 1)
    at_steps = np.where(found.coarse_hz > 0.0, speed[steps], 0.0)
    jumps = impossible_jumps(found.scores, candidates, at_steps, *_inertia(step_s, blind))
    certainty = found.certainty.copy()
    for jump in jumps:
        part = slice(jump.first, jump.last)
        certainty[part] = np.minimum(certainty[part], 0.5)
    # With many orders to look for, some of them fall on lines of the room by chance.
    least = 0.0 if blind else SUPPORT_SHARE * sum(line.weight for line in lines)
    backed = support(found.scores, candidates, at_steps)
    chance = 0.5 + 0.5 / (1.0 + np.exp(-SUPPORT_STEEPNESS * (backed - least)))
    rival = strongest_rival(
        found.scores,
        candidates,
        at_steps,
        rival_ratios(lines),
        any_divisor=blind,
        least_support=least,
        expected_top_hz=expected_top_hz,
    )
    longest = max(jumps, key=lambda jump: jump.last - jump.first, default=None)
    if longest is not None and longest.last - longest.first > JUMP_SHARE * np.sum(at_steps > 0.0):
        rival = longest.rival
    if rival is not None:
        # Two readings that fit alike halve the trust in either.
        odds = np.clip(rival.log_odds if rival.clear else min(rival.log_odds, 1.0), 0.0, 50.0)
        certainty = np.where(at_steps > 0.0, certainty / (1.0 + np.exp(-odds)), certainty)
    certainty = np.where(at_steps > 0.0, chance * certainty, certainty)
    certainty = np.repeat(certainty, 2)
    certainty = np.append(certainty, certainty[-1:])[:n_frames]
    return Tracked(front.time_s, front.hop_s, speed, sd, certainty, span, rival, 1.0 / step_s)


def _inertia(step_s: float, blind: bool) -> tuple[float, int]:
    """Steepest change per step, and the longest gap (in steps) that inertia reaches across.

    Blind, what is heard as the shaft may be the blades or poles of a slower one.
    """
    steepest = IMPOSSIBLE_SLEW_HZ_S * (2.0 if blind else 1.0)
    return steepest * step_s, max(2, round(2.0 * BRIDGE_S / step_s))


@dataclass(frozen=True, eq=False)
class _Found:
    """What the path search found, per step."""

    coarse_hz: NDArray[np.float64]
    reach_hz: NDArray[np.float64]
    width_hz: NDArray[np.float64]
    certainty: NDArray[np.float64]
    scores: NDArray[np.float32]
    coast: coasting.Coast | None


def _search(
    whitened: Sequence[whitening.Whitened],
    candidates: NDArray[np.float64],
    lines: Sequence[Line],
    step_s: float,
    blind: bool,
    expected_top_hz: float | None,
) -> _Found:
    scores = evidence.candidate_evidence(whitened, candidates, lines)
    if expected_top_hz is not None:
        scores += level_reader.expectation(whitened, candidates, expected_top_hz)
    cells = path_search.speed_cells(candidates, STEEPEST_SLEW_HZ_S, step_s)
    path = path_search.likeliest_path(path_search.pooled(scores, cells))
    raw = np.where(path.cell >= 0, cells.centre_hz[path.cell], 0.0)
    coarse = tidied(raw, step_s)
    coarse = tidied(rejoined(scores, candidates, coarse, *_inertia(step_s, blind)), step_s)
    if expected_top_hz is not None:
        ratios = rival_ratios(lines)
        coarse = likelier_reading(scores, candidates, coarse, ratios, expected_top_hz)
    coast = None
    if not blind:
        coast = coasting.follow_coast_down(whitened, lines, candidates, coarse, step_s)
        level_db = level_reader.loudness_db(whitened, coarse.size)
        coarse = tidied(coasting.with_coast(coarse, coast, level_db, step_s), step_s)
    cell_hz = np.maximum(STEEPEST_SLEW_HZ_S * step_s / path_search.REACH, 0.01 * coarse)
    slew = np.zeros(coarse.size)
    for first, end in stretches(coarse > 0.0):
        if end - first > 4:
            slew[first:end] = ndimage.uniform_filter1d(np.gradient(coarse[first:end], step_s), 5)
    width = evidence.resolution(whitened, lines, coarse, slew)
    reach = 1.5 * cell_hz + 0.75 * ndimage.maximum_filter1d(width, 5)
    certainty = _certainty(path, cells, raw, coarse, reach)
    if coast is not None:
        part = slice(coast.first, coast.last)
        certainty[part] = coast.certainty
    for first, end in stretches(coarse > 0.0):
        smooth = ndimage.uniform_filter1d(np.log(coarse[first:end]), 3, mode="nearest")
        coarse[first:end] = np.exp(smooth)
    return _Found(coarse, reach, width, certainty, scores, coast)


def _certainty(
    path: path_search.Path,
    cells: path_search.Cells,
    raw: NDArray[np.float64],
    coarse: NDArray[np.float64],
    reach: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Posterior of the state reported; half of it where the path was read anew or bridged."""
    running, heard = coarse > 0.0, raw > 0.0
    ratio = np.divide(coarse, raw, out=np.ones(raw.size), where=running & heard)
    certainty = path.within(cells, (coarse - reach) / ratio, (coarse + reach) / ratio)
    off = path.posterior[:, -1]
    anew = running & (~heard | (np.abs(np.log(ratio)) > 0.1))
    on = np.where(heard, certainty, 1.0 - off)
    certainty = np.where(anew, 0.5 * on, certainty)
    return np.clip(np.where(heard & ~running, off, certainty), 0.0, 1.0)


def _is_steady_shaft(
    found: _Found,
    speed_hz: NDArray[np.float64],
    whitened: Sequence[whitening.Whitened],
    lines: Sequence[Line],
) -> bool:
    """Tell a shaft at constant speed from hum: sure of itself, steady, and not all at mains."""
    running = speed_hz > 0.0
    if not running.any() or found.certainty[found.coarse_hz > 0.0].mean() < 0.6:
        return False
    speed = float(np.median(speed_hz[running]))
    spread = float(np.quantile(np.abs(speed_hz[running] / speed - 1.0), 0.9))
    heard = evidence.speaking_frequencies(whitened, lines, speed)
    of_mains = [_at_mains(frequency) for frequency in heard]
    return spread < STEADY_SPREAD and not all(of_mains)


def _at_mains(frequency_hz: float) -> bool:
    """Tell whether a frequency is a low multiple of 50 or 60 Hz."""
    if frequency_hz > HUM_UP_TO_HZ:
        return False
    multiples = (max(1, round(frequency_hz / mains)) * mains for mains in (50.0, 60.0))
    return any(abs(frequency_hz / m - 1.0) < MAINS_TOLERANCE for m in multiples)


def tidied(coarse_hz: NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """Bridge short gaps that inertia explains, then drop stretches that are too short."""
    out = coarse_hz.copy()
    n = out.size
    for first, end in stretches(out <= 0.0):
        if first == 0 or end == n:
            continue
        before, after = out[first - 1], out[end]
        gap_s = (end - first) * step_s
        rate = abs(after - before) / (gap_s + step_s)
        gentle = gap_s <= BRIDGE_S and rate <= STEEPEST_SLEW_HZ_S
        blink = gap_s <= BLINK_S and rate <= IMPOSSIBLE_SLEW_HZ_S
        if gentle or blink:
            out[first:end] = np.interp(np.arange(first, end), [first - 1, end], [before, after])
    shortest = min(SHORTEST_RUN_S, 0.4 * n * step_s)
    for first, end in stretches(out > 0.0):
        if (end - first) * step_s < shortest:
            out[first:end] = 0.0
    return without_blips(out, step_s)


def without_blips(coarse_hz: NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """Take out short flat stretches far from any longer one.

    A motor that starts and stops is heard to run up and to coast down. A stretch of under a
    second that does neither, with over a second of nothing to the next longer stretch, is a knock
    or a remnant of noise suppression.
    """
    out = coarse_hz.copy()
    runs = stretches(out > 0.0)
    for first, end in runs:
        length = end - first
        part = out[first:end]
        flat = min(part[0], part[-1]) > 0.5 * part.max()
        if length * step_s >= BLIP_S or not flat:
            continue
        gaps = [max(a - end, first - b) for a, b in runs if b - a > length]
        if gaps and min(gaps) * step_s > ALONE_S:
            out[first:end] = 0.0
    return out


def _fitted(
    whitened: Sequence[whitening.Whitened], front: Front, lines: Sequence[Line], found: _Found
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.intp]]:
    """Frames from steps, then the phase fit on each running stretch."""
    coast = found.coast
    fine = evidence.sharpened(whitened, lines, found.coarse_hz, found.reach_hz)
    if coast is not None:
        down = np.zeros(fine.size)
        down[coast.first : coast.last] = found.coarse_hz[coast.first : coast.last]
        down = evidence.sharpened(whitened, coast.lines, down, coasting.SHARPEN * down)
        fine = np.where(down > 0.0, down, fine)
    n_frames = front.time_s.size
    speed = np.zeros(n_frames)
    sd = np.zeros(n_frames)
    prior = np.ones(n_frames)
    span = np.zeros(n_frames, np.intp)
    # Where the longest window hangs over an end of the recording the sharpening is weaker.
    outside = ~front.levels[0].inside
    for first, end in stretches(fine > 0.0):
        a = 2 * first
        b = n_frames if end == fine.size else 2 * end
        centres = 2.0 * np.arange(first, end) + 0.5
        at = np.arange(a, b)
        speed[a:b] = np.interp(at, centres, fine[first:end])
        prior[a:b] = 0.25 * np.interp(at, centres, found.width_hz[first:end])
        # At speeds at which no level hears any line, the search's own reach is all that is known.
        reach = np.interp(at, centres, found.reach_hz[first:end])
        prior[a:b] = np.where(prior[a:b] > 0.0, prior[a:b], reach)
        prior[a:b] *= np.where(outside[a:b], 3.0, 1.0)
    knee = n_frames if coast is None else 2 * coast.first
    ways = (
        [(lines, 0, knee)] if coast is None else [(lines, 0, knee), (coast.lines, knee, n_frames)]
    )
    for heard, low, high in ways:
        part_hz = np.where((np.arange(n_frames) >= low) & (np.arange(n_frames) < high), speed, 0.0)
        amplitudes = line_reader.line_amplitudes(front, whitened, heard, part_hz)
        amplitudes = line_reader.strongest(amplitudes, MOST_LINES)
        for a, b in stretches(part_hz > 0.0):
            sd[a:b] = prior[a:b]
            span[a:b] = 1
            if b - a < SHORTEST_FIT:
                continue
            part = replace(
                amplitudes,
                value=amplitudes.value[:, a:b],
                noise=amplitudes.noise[:, a:b],
                valid=amplitudes.valid[:, a:b],
                hop_share=amplitudes.hop_share[:, a:b],
            )
            result = refinement.refine(part, speed[a:b], front.hop_s, prior[a:b])
            speed[a:b] = np.maximum(result.speed_hz, 1e-3)
            sd[a:b] = result.sd_hz
            span[a:b] = result.span
    return speed, sd, span
