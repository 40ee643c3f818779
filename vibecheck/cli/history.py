"""Command line: ``vibecheck history``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibecheck.cli import terminal
from vibecheck.cli.history_options import NutRemovalsOption, habits_of
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError, did_you_mean

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.result import ZoneRisk
    from vibecheck.risk.history import CarHistory

HELP = help_text(
    "Show how often each zone and fastener of a car was found loose, and when to look again.",
    "Reads the car's hand checks from the garage. Without any recording it ranks the hand check; "
    "with recordings it charts how the car's sound drifts.",
    "An interval is the latest time to look again. It replaces no hand check: that is due before "
    "every run.",
    examples=[
        ("The only car of the garage:", "vibecheck history"),
        (
            "One car, with a page to read on a phone:",
            'vibecheck history --car "Saltflat 8" --report history.html',
        ),
        (
            "Two zones, with a smaller chance of a miss:",
            "vibecheck history --car saltflat8.toml --zone motor_mount \\\n"
            "    --zone gear_mesh --miss-probability 0.02",
        ),
        ("For another program:", "vibecheck history --json - | your-program"),
    ],
)
DETAILED_ZONES = 3


def history_command(
    car: Annotated[
        str | None,
        typer.Option(
            metavar="CAR",
            help="A car of the garage, by name, or its car file. A car file that the garage does "
            "not know is ranked as any car of its kind.",
        ),
    ] = None,
    zone: Annotated[
        list[str] | None,
        typer.Option(metavar="ZONE", help="Show only this zone; may be given several times."),
    ] = None,
    miss_probability: Annotated[
        float,
        typer.Option(
            metavar="P",
            help="Chance, between 0 and 1, that a fastener may have come loose before it is "
            "looked at again.",
        ),
    ] = 0.05,
    nut_removals: NutRemovalsOption = 5,
    json_out: Annotated[
        str | None,
        typer.Option(
            "--json", metavar="OUT", help="Write the history as JSON; - for standard output."
        ),
    ] = None,
    report: Annotated[
        str | None,
        typer.Option(metavar="OUT.html", help="Write a page with plots, to read or to print."),
    ] = None,
    data: Annotated[
        str | None, typer.Option(metavar="DIR", help="Folder of the garage, if not the usual one.")
    ] = None,
    simulated: Annotated[
        bool,
        typer.Option(
            "--simulated",
            help="Say wherever it is shown that this log, or recordings in it, are simulated.",
        ),
    ] = False,
) -> None:
    """Run ``vibecheck history`` (the help text is `HELP`)."""
    from datetime import UTC, datetime

    from vibecheck.cli.history_source import find_car
    from vibecheck.report.files import check_output, despite_full_disk

    if not 0.0 < miss_probability < 1.0:
        raise CallError(
            f"--miss-probability must lie between 0 and 1. Got {miss_probability:g} instead.",
            advice="For example: --miss-probability 0.05",
        )
    habits = habits_of(nut_removals)
    outputs = _outputs(json_out, report)
    page_file, json_file = (
        None if outputs[name] in (None, "-") else check_output(str(outputs[name]), name)
        for name in ("--report", "--json")
    )
    source = find_car(car, data)
    _refuse_unknown_zones(source.car, zone or [])

    from vibecheck.risk.drift import drift_charts
    from vibecheck.risk.history import read_history
    from vibecheck.risk.triage import rank_zones

    history = read_history(
        source.car.zones,
        source.log,
        miss_probability=miss_probability,
        habits=habits,
    )
    ranked = [
        risk
        for risk in rank_zones(source.car.zones, None, history)
        if not zone or risk.zone in zone
    ]
    charts = drift_charts(source.takes)
    created = datetime.now(UTC)
    with despite_full_disk() as write:
        if page_file is not None:
            from vibecheck.report.history_page import history_to_html

            page = history_to_html(
                source.car,
                history,
                source.log,
                ranked,
                charts,
                created=created,
                simulated=simulated,
            )
            if write(page_file, page):
                terminal.say(f"Report: {page_file}")
        if json_out is not None:
            import json

            from vibecheck.report.history_json import history_to_dict

            value = history_to_dict(
                source.car, history, ranked, charts, created=created, simulated=simulated
            )
            # Without indents: charts are long, and only then is the writing done in C.
            text = json.dumps(value, ensure_ascii=False, allow_nan=False) + "\n"
            if json_file is None:
                typer.echo(text, nl=False)
                return
            if write(json_file, text):
                terminal.say(f"History: {json_file}")
        _print(source.car, history, ranked, charts, simulated=simulated)


def _outputs(json_out: str | None, report: str | None) -> dict[str, str | None]:
    for option, name in (("--json", json_out), ("--report", report)):
        if name == "" or (name == "-" and option == "--report"):
            raise CallError(
                f"{option} must name a file. Got {name!r} instead.",
                advice=f"For example: {option} history.{option[2:].replace('report', 'html')}",
            )
    if json_out is not None and report is not None and Path(json_out) == Path(report):
        raise CallError(
            "--json and --report must name two files. Both name the same one.", where=report
        )
    return {"--json": json_out, "--report": report}


def _refuse_unknown_zones(car: Car, wanted: Sequence[str]) -> None:
    known = [zone.name for zone in car.zones]
    if not known:
        raise CallError(
            "This car has no zones, so that there is no history of any.",
            where=car.file or car.name,
            advice="Give it a layout or zones of its own in its car file.",
        )
    for name in wanted:
        if name not in known:
            raise CallError(
                f'--zone must be a zone of the car. Got "{name}" instead.'
                + did_you_mean(name, known),
                advice=f"Known: {', '.join(known)}.",
            )


def _print(
    car: Car,
    history: CarHistory,
    ranked: Sequence[ZoneRisk],
    charts: Sequence[Any],
    *,
    simulated: bool,
) -> None:
    from vibecheck.advice import HAND_CHECK
    from vibecheck.cli.card import Card
    from vibecheck.report import words
    from vibecheck.report.history_pictures import drift_words

    card = Card(terminal.console())
    runs = words.number_words(history.runs)
    checks = history.n_hand_checks
    card.line(
        f"{car.name}: {runs} run{'' if history.runs == 1 else 's'}, {checks} hand "
        f"check{'' if checks == 1 else 's'} in the log",
        style="bold",
    )
    if simulated:
        card.line("Simulated: this log, or recordings in it, come from a simulation.")
    if not checks:
        card.line(
            "No hand check is in the log yet: order and chances are those of any car of this kind "
            "(common practice, no source)."
        )
    card.heading("Check by hand in this order (motor off, battery unplugged)")
    for risk in ranked:
        _print_zone(card, history, risk)
    card.line(
        f'"Again" is the latest time for a check at a miss probability of '
        f"{100.0 * history.miss_probability:g} %; it replaces no hand check.",
        indent=2,
    )
    if charts:
        card.heading("Has the car's sound drifted?")
        loud = [one for one in charts if one.chart.signals_now]
        for one in loud:
            card.line(f"{one.words}: {drift_words(one)}", indent=2, lead="! ")
        if not loud:
            judged = max(one.chart.n_judged for one in charts)
            card.line(
                f"{len(charts)} chart{'' if len(charts) == 1 else 's'}, none beyond its limit at "
                f"the last recording ({judged} judged). That clears nothing."
                if judged
                else "No chart has begun: it takes three recordings of the snug car, each with a "
                "complete hand check.",
                indent=2,
            )
    card.heading("The hand check is due before every run")
    card.line(HAND_CHECK, indent=2)


def _print_zone(card: Any, history: CarHistory, risk: ZoneRisk) -> None:
    from vibecheck.report import words

    odds = f"{words.percent(risk.probability)} ({words.interval(risk.low, risk.high)})"
    again = words.due_words(risk.history)
    card.line(
        f"{words.zone_words(risk.zone):<18} {odds}, severity {risk.severity}/3"
        + (f", again {again}" if again else ""),
        lead=f"{risk.rank:>2}  ",
        style="bold" if risk.rank <= DETAILED_ZONES else "",
    )
    for remark in risk.history.remarks:
        card.line(remark.message, indent=4, lead="! ")
    if risk.rank > DETAILED_ZONES:
        return
    moved = words.contribution_words(risk)
    if moved:
        card.line(moved, indent=4)
    for kind in history.of_zone(risk.zone):
        low, high = kind.rate.interval(history.habits.coverage)
        nut = "" if kind.removals is None else f"; {_removed(kind.removals)}"
        card.line(
            f"{kind.kind.name}: found in {kind.log.n_finds} of {kind.log.n_checks} hand checks; "
            f"{100.0 * kind.rate.mean:.1f} finds in 100 runs ({100.0 * low:.1f} to "
            f"{100.0 * high:.1f}); check again {words.due_words(kind)}{nut}.",
            indent=4,
            lead="- ",
        )


def _removed(count: int) -> str:
    return {0: "never taken off", 1: "taken off once"}.get(count, f"taken off {count} times")
