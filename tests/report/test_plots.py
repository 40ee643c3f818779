"""Plots return labelled axes, draw what the values hold, and never touch pyplot."""

from __future__ import annotations

import io
import subprocess
import sys

import numpy as np
import pytest

from vibecheck.car.profile import Order
from vibecheck.errors import MissingExtraError
from vibecheck.impulses import envelope_order_spectrum, kurtogram_of
from vibecheck.orders import order_spectrum, order_speed_map
from vibecheck.recording.take import Take
from vibecheck.report import plots
from vibecheck.track import SpeedTrack

pytest.importorskip("matplotlib")

FS = 8000.0
TIME = np.arange(int(6 * FS)) / FS
KNOTS = np.linspace(0.0, 6.0, 121)
SPEED = SpeedTrack(KNOTS, 1200.0 + 600.0 * KNOTS, np.ones(121), np.ones(121))
TURNS = np.interp(TIME, KNOTS, SPEED.revolutions)
NAMED = (Order("motor", 1.0), Order("mesh", 13.0), Order("far away", 900.0))


@pytest.fixture(scope="module")
def take() -> Take:
    rng = np.random.default_rng(0)
    beat = 1.0 + 0.8 * np.cos(2 * np.pi * TURNS)
    return Take(np.cos(2 * np.pi * 13.0 * TURNS) + 0.2 * beat * rng.standard_normal(TIME.size), FS)


def saved(ax: object) -> bytes:
    buffer = io.BytesIO()
    ax.figure.savefig(buffer, format="png")  # type: ignore[attr-defined]
    return buffer.getvalue()


def labelled(ax: object) -> bool:
    return bool(ax.get_xlabel() and ax.get_ylabel() and ax.get_title())  # type: ignore[attr-defined]


def test_spectrogram(take: Take) -> None:
    ax = plots.plot_spectrogram(take, SPEED, NAMED[:2])
    assert labelled(ax)
    assert "4,800 turns a minute" in ax.get_title()
    assert len(ax.get_legend().get_texts()) == 2
    assert saved(ax)
    assert "Hz" in plots.plot_spectrogram(take, max_hz=1000.0).get_ylabel()


def test_order_spectrum(take: Take) -> None:
    spectrum = order_spectrum(take, SPEED, max_order=20.0)
    ax = plots.plot_order_spectrum(spectrum, NAMED, baseline=spectrum)
    assert labelled(ax)
    assert ax.get_title() == "Strongest: order 13.00 (mesh)"
    assert {text.get_text() for text in ax.texts} == {"motor", "mesh"}
    np.testing.assert_array_equal(ax.lines[1].get_ydata(), spectrum.amplitude_db())
    assert saved(ax)


def test_order_map_masks_what_was_not_observed(take: Take) -> None:
    grid = order_speed_map(take, SPEED, max_order=80.0)
    ax = plots.plot_order_map(grid, NAMED)
    assert labelled(ax)
    drawn = ax.images[0].get_array()
    np.testing.assert_array_equal(drawn.mask, ~np.isfinite(grid.amplitude))
    assert drawn.mask.any()
    assert ax.images[0].get_cmap().name == "cividis"
    assert saved(ax)


def test_envelope_orders(take: Take) -> None:
    spectrum = envelope_order_spectrum(take, SPEED, band_hz=(2000.0, 3900.0), max_order=8.0)
    ax = plots.plot_envelope_orders(spectrum, NAMED)
    assert labelled(ax)
    assert ax.get_title().startswith("Knocks 1.00 times a turn (motor)")
    rng = np.random.default_rng(1)
    quiet = envelope_order_spectrum(
        Take(rng.standard_normal(TIME.size), FS), SPEED, band_hz=(2000.0, 3900.0), max_order=8.0
    )
    assert plots.plot_envelope_orders(quiet).get_title().startswith("No rhythm beyond chance")
    assert saved(ax)


def test_kurtogram(take: Take) -> None:
    ax = plots.plot_kurtogram(kurtogram_of(take, SPEED))
    assert labelled(ax)
    assert saved(ax)


def test_draws_into_the_callers_axes(take: Take) -> None:
    from matplotlib.figure import Figure

    mine = Figure().subplots()
    spectrum = order_spectrum(take, SPEED, max_order=20.0)
    assert plots.plot_order_spectrum(spectrum, ax=mine) is mine


def test_import_is_lazy_and_pyplot_stays_out() -> None:
    code = (
        "import sys, vibecheck.report.plots as p; assert 'matplotlib' not in sys.modules; "
        "p.new_axes(None); assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120)


def test_missing_matplotlib_names_the_extra(monkeypatch: pytest.MonkeyPatch, take: Take) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(MissingExtraError, match=r"vibecheck\[plots\]"):
        plots.plot_spectrogram(take)
