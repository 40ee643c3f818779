"""Windows against Harris' table, and the errors that a wrong call gives."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.dsp import windows
from vibecheck.errors import CallError

N = 16384
# Harris, Proc. IEEE 66 (1978) 51–83, Table I: coherent gain, noise bandwidth [bins], scalloping
# [dB], highest side lobe [dB]. Values from memory, recomputed; the flat top is ISO 18431-2:2004.
TABLE = {
    "rectangle": (1.0, 1.0, 3.922, -13.3),
    "hann": (0.5, 1.5, 1.424, -31.5),
    "blackman_harris": (0.3588, 2.0044, 0.826, -92.0),
    "flat_top": (0.2156, 3.7702, 0.010, -93.0),
    "kaiser": (0.4025, 1.7952, 1.023, -69.6),  # alpha = 3
}


def make(name: str, n: int) -> np.ndarray:
    return windows.kaiser(n, 3.0 * np.pi) if name == "kaiser" else windows.window(name, n)


def highest_side_lobe_db(weights: np.ndarray) -> float:
    spectrum = np.abs(scipy.fft.rfft(weights[:: weights.size // 256], 1 << 16))
    spectrum /= spectrum[0]
    # The main lobe ends where the curve turns up again, far below its top.
    falls = np.flatnonzero((np.diff(spectrum) > 0) & (spectrum[:-1] < 0.1))
    return float(20.0 * np.log10(spectrum[falls[0] :].max()))


@pytest.mark.parametrize("name", TABLE)
def test_figures_of_the_window_table(name: str) -> None:
    gain, bandwidth, scalloping, side_lobe = TABLE[name]
    weights = make(name, N)
    assert windows.coherent_gain(weights) == pytest.approx(gain, abs=1e-3)
    assert windows.noise_bandwidth_bins(weights) == pytest.approx(bandwidth, abs=1e-3)
    assert windows.scalloping_loss_db(weights) == pytest.approx(scalloping, abs=0.01)
    assert highest_side_lobe_db(weights) == pytest.approx(side_lobe, abs=0.4)


@given(name=st.sampled_from(sorted(TABLE)), n=st.integers(2, 300))
@settings(deadline=None, max_examples=60)
def test_periodic_symmetry(name: str, n: int) -> None:
    weights = make(name, n)
    # w[N - n] = w[n]: symmetric about N/2.
    np.testing.assert_allclose(weights[1:], weights[1:][::-1], atol=1e-12)


def test_overlapping_hann_windows_add_to_a_constant() -> None:
    weights = windows.hann(64)
    np.testing.assert_allclose(weights[:32] + weights[32:], 1.0, atol=1e-12)


def test_short_names_give_the_same_windows() -> None:
    for name in windows.WINDOW_NAMES:
        np.testing.assert_array_equal(getattr(windows, name)(32), windows.window(name, 32))


def test_windows_are_read_only() -> None:
    assert not windows.hann(16).flags.writeable


def test_unknown_name() -> None:
    with pytest.raises(CallError, match='Did you mean "hann"'):
        windows.window("hanning", 16)


def test_length_must_be_positive() -> None:
    with pytest.raises(CallError, match="at least 1 sample"):
        windows.hann(0)


def test_kaiser_shape_must_not_be_negative() -> None:
    with pytest.raises(CallError, match="beta must be zero or more"):
        windows.kaiser(16, -1.0)
