"""Command line: ``vibecheck record``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.cli import terminal
from vibecheck.cli.garage_source import DataOption
from vibecheck.cli.take_options import check_spot
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError, InputError

if TYPE_CHECKING:
    from vibecheck.capture.note import Sensor
    from vibecheck.capture.source import Source

HELP = help_text(
    "Record a bench spin-up with a microphone, or from a sensor board that prints numbers.",
    "It shows the cautions, listens to the room, counts down, and calls out what to do with the "
    "throttle while it records. Then it says what the recording is worth, and you keep it, record "
    "again or throw it away.",
    examples=[
        ("The car's own throttle script:", "vibecheck record spin.wav --car saltflat8.toml"),
        (
            "Into the garage, from another spot:",
            'vibecheck record --car "Saltflat 8" --spot wheel_rear_left --keep',
        ),
        ("Which microphones there are:", "vibecheck record --list-devices"),
        (
            "From a board on a USB cable:",
            "vibecheck record shake.csv --board /dev/ttyACM0 --car saltflat8.toml",
        ),
    ],
    closing="A voice memo of a phone works as well: copy it here and give it to vibecheck check.",
)
BAUD = 115_200


def record_command(
    out: Annotated[
        Path | None,
        typer.Argument(
            metavar="OUT",
            help="File to write: .wav or .flac, .csv with --board. By default named after the "
            "car, the spot and the time.",
            show_default=False,
        ),
    ] = None,
    car: Annotated[
        str | None,
        typer.Option(metavar="CAR", help="The car file, or a car of the garage by name."),
    ] = None,
    spot: Annotated[
        str, typer.Option(metavar="ZONE", help="Where the microphone or sensor is.")
    ] = "centre",
    device: Annotated[
        str | None,
        typer.Option(metavar="DEVICE", help="Microphone, by its number or a part of its name."),
    ] = None,
    list_devices: Annotated[
        bool, typer.Option("--list-devices", help="List microphones and serial ports, and stop.")
    ] = False,
    seconds: Annotated[
        float | None,
        typer.Option(metavar="S", help="Length; the script's holds are made to fit."),
    ] = None,
    countdown: Annotated[
        int,
        typer.Option(metavar="S", help="Seconds to count down before it records.", min=0, max=60),
    ] = 5,
    form: Annotated[
        str | None, typer.Option("--format", metavar="FORMAT", help="wav or flac.")
    ] = None,
    bits: Annotated[
        str | None,
        typer.Option(metavar="BITS", help="float (WAV only, the default there) or 24."),
    ] = None,
    sample_rate: Annotated[
        float | None,
        typer.Option(
            metavar="HZ",
            help="Samples per second; by default the microphone's own. With --board: lines per "
            "second, where they carry no time.",
        ),
    ] = None,
    channels: Annotated[
        int, typer.Option(metavar="COUNT", help="Channels of the microphone.", min=1, max=8)
    ] = 1,
    board: Annotated[
        str | None,
        typer.Option(
            metavar="PORT",
            help="Serial port of a sensor board; or a file of its lines, or - for standard input.",
        ),
    ] = None,
    baud: Annotated[
        int, typer.Option(metavar="BAUD", help="Bits per second of the serial port.", min=300)
    ] = BAUD,
    unit: Annotated[
        str | None,
        typer.Option(metavar="UNIT", help="Unit of the board's numbers: g, mg or m/s^2."),
    ] = None,
    time_unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="Unit of its time: s, ms, us or ns.")
    ] = None,
    counts_per_g: Annotated[
        float | None,
        typer.Option(metavar="COUNT", help="Raw counts that make 1 g, where it prints those."),
    ] = None,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep", help="Keep a copy in the garage, in the car's open bench check or a new one."
        ),
    ] = False,
    data: DataOption = None,
    yes: Annotated[
        bool,
        typer.Option(
            "--yes", help="Ask nothing: the cautions are still shown, and what is recorded is kept."
        ),
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace a file of that name.")] = False,
) -> None:
    """Run ``vibecheck record`` (the help text is `HELP`)."""
    if list_devices:
        _list_devices()
        return
    from vibecheck.capture.decode import LineOptions
    from vibecheck.cli import record_prepare as prepare

    if board is not None and device is not None:
        raise CallError("--device and --board name two sources.", advice="Leave one of them out.")
    if board is None and (unit, time_unit, counts_per_g) != (None, None, None):
        raise CallError("--unit, --time-unit and --counts-per-g are for --board.")
    options = LineOptions(time_unit, sample_rate, unit, counts_per_g)
    known = prepare.known_car(car, data, keep=keep)
    sensor: Sensor = "microphone" if board is None else "accelerometer"
    target, stored = prepare.output_file(
        out,
        known,
        check_spot(spot, known),
        sensor,
        form,
        bits,
        force=force,
        now=datetime.now(),
    )
    again = prepare.source_options(
        {
            "--device": device,
            "--board": board,
            "--baud": None if baud == BAUD else baud,
            "--sample-rate": sample_rate,
            "--channels": None if channels == 1 else channels,
            "--unit": unit,
            "--time-unit": time_unit,
            "--counts-per-g": counts_per_g,
        }
    )
    wanted = prepare.Wanted(car, known, spot, sensor, target, stored, data, keep, again)
    if keep:
        from vibecheck.cli.keep import refuse_unwritable

        refuse_unwritable(data)

    def source() -> Source:
        return prepare.make_source(board, baud, options, device, channels)

    from vibecheck.cli.record_flow import Session

    lines_only = board is not None and prepare.is_line_file(board)
    raise typer.Exit(
        Session(
            wanted,
            source,
            seconds=seconds,
            countdown=countdown,
            ask=not (yes or lines_only),
            spins=not lines_only,
        ).run()
    )


def _list_devices() -> None:
    """List what can be recorded; one kind that is not there does not hide the other."""
    from vibecheck.capture.board import serial_ports
    from vibecheck.capture.microphone import BY_PHONE, input_devices
    from vibecheck.cli.record_prepare import device_lines

    typer.echo("Microphones (* the system's own choice):")
    try:
        found = device_lines(input_devices())
    except (CallError, InputError) as error:
        terminal.say(str(error))
        found = []
    for line in found or [f"  None. {BY_PHONE}"]:
        typer.echo(line)
    typer.echo("Serial ports:")
    try:
        ports = serial_ports()
    except CallError as error:
        terminal.say(str(error))
        ports = ()
    for name, words in ports:
        typer.echo(f"  {name}  {words}".rstrip())
    if not ports:
        typer.echo("  None.")
