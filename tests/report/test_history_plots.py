"""Plots of the history draw what the values hold."""

from __future__ import annotations

import io

import pytest
from test_history_page import everything, made_up_takes

from vibecheck.errors import InputError
from vibecheck.report.history_plots import plot_control_chart, plot_rates
from vibecheck.risk.drift import drift_charts
from vibecheck.risk.history import read_history

pytest.importorskip("matplotlib")


def test_rates_of_all_kinds_are_drawn() -> None:
    history = everything()[0]
    ax = plot_rates(history)
    assert ax.get_xlabel() == "finds per run (90% interval)"
    assert len(ax.get_yticks()) == len(history.kinds)
    assert "rear left wheel: wheel nut" in ax.get_title()
    assert plot_rates(history, ax=ax) is ax
    picture = io.BytesIO()
    ax.figure.savefig(picture, format="png")
    assert picture.getvalue()


def test_a_chart_shows_its_signals() -> None:
    loud = plot_control_chart(drift_charts(made_up_takes(3.0))[0])
    assert "beyond its limit since" in loud.get_title()
    quiet = plot_control_chart(drift_charts(made_up_takes(0.0))[-1])
    assert "clears nothing" in quiet.get_title()
    assert len(quiet.lines) == 5


def test_a_car_without_fasteners_has_no_rates() -> None:
    with pytest.raises(InputError, match="no fasteners"):
        plot_rates(read_history(()))
