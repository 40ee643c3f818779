"""Command line: the way through `vibecheck record`, from the cautions to the next command."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import typer

from vibecheck.capture.growing import PART
from vibecheck.cli import record_prepare as prepare
from vibecheck.cli import terminal
from vibecheck.cli.hand_check_ask import Asker, Stopped
from vibecheck.cli.record_screen import Screen, make_screen, ring
from vibecheck.cli.record_take import (
    Looked,
    Recorded,
    count_down,
    listen_to_room,
    look,
    note_of,
    record,
    seconds_words,
)
from vibecheck.errors import InputError
from vibecheck.whole_file import file_hash

if TYPE_CHECKING:
    from vibecheck.capture.source import Source
    from vibecheck.cli.record_prepare import Wanted
    from vibecheck.garage import StoredTake

STOPPED = 130
KEYS = {"k": "keep it", "r": "record again", "d": "throw it away"}


class Session:
    """Records until a take is kept or thrown away.

    Parameters
    ----------
    wanted : Wanted
    source : callable
        Makes the microphone or board anew for each take.
    seconds : float or None
        Length of the script.
    countdown : int
        Seconds.
    ask : bool
        False: nothing is asked, and what is recorded is kept.
    spins : bool
        False where lines of a board are read from a file: no car spins up for it.
    screen : Screen, optional
    """

    def __init__(
        self,
        wanted: Wanted,
        source: Callable[[], Source],
        *,
        seconds: float | None,
        countdown: int,
        ask: bool,
        spins: bool,
        screen: Screen | None = None,
    ) -> None:
        self._wanted = wanted
        self._source = source
        self._seconds, self._countdown = seconds, countdown
        self._ask, self._spins = ask, spins
        self._screen = screen or make_screen()
        self._asker = Asker()
        self._plan = prepare.plan_for(wanted.car, wanted.sensor, None) if spins else None

    def run(self) -> int:
        """Record, and return the exit code.

        Raises
        ------
        VibecheckError
            If something cannot be used. What was recorded is named in the message.
        """
        source = self._source()  # a microphone that is not there is said before the cautions
        prepare.script_for(self._plan, self._seconds)  # and so is a length that cannot be
        try:
            self._say_left_over()
            if self._spins:
                self._say_cautions()
            while True:
                kept = self._take(source)
                if kept is not None:
                    return kept
                source = self._source()
        except Stopped:
            terminal.say("Nothing was recorded.")
            return STOPPED

    def _say_left_over(self) -> None:
        for path in sorted(self._wanted.out.parent.glob(f"*{PART}.*")):
            terminal.say(
                f"An earlier recording was broken off and lies in {path}: it can be checked as it "
                "is, or removed."
            )

    def _say_cautions(self) -> None:
        typer.echo("Before anything spins:")
        for words in prepare.cautions_before(self._wanted.car, self._plan):
            _hang(words, "! ")
        place = prepare.place_words(self._plan, self._wanted.spot)
        if place:
            typer.echo("Where the sensor goes:")
            _hang(place, "  ")
        if self._ask:
            hit = self._asker.key("", {"": "all of this is done, go on", "q": "stop here"})
            if hit == "q":
                raise Stopped

    def _take(self, source: Source) -> int | None:
        """Record one take; return the exit code, or ``None`` to record again."""
        try:
            if self._wanted.sensor == "accelerometer" and self._spins:
                terminal.say(f"Waiting for {source.label}. Motor off, do not touch the car.")
            source.start()
            terminal.say(f"{source.label}: {source.sample_rate_hz:g} samples per second.")
            script = None
            if self._spins:
                self._check_room(source)
                plan = prepare.plan_for(
                    self._wanted.car, self._wanted.sensor, source.sample_rate_hz
                )
                script = prepare.script_for(plan, self._seconds)
                count_down(source, self._screen, self._countdown)
            recorded = record(source, script, self._wanted.out, self._screen)
        except KeyboardInterrupt:
            raise Stopped from None
        finally:
            self._screen.clear()
            source.close()
        ring()
        return self._decide(recorded, source)

    def _check_room(self, source: Source) -> None:
        while True:
            room = listen_to_room(source, self._screen)
            self._screen.clear()
            for words in room.words:
                terminal.say(words)
            if room.is_quiet:
                return
            if not self._ask:
                if room.is_silent:
                    raise InputError(room.words[0], advice="Put it right, then record again.")
                return
            self._asker.forget_typed()
            hit = self._asker.key(
                "", {"": "listen again", "g": "go on all the same", "q": "stop here"}
            )
            if hit == "q":
                raise Stopped
            if hit == "g":
                return

    def _decide(self, recorded: Recorded, source: Source) -> int | None:
        if recorded.n_samples < 2:
            recorded.path.unlink(missing_ok=True)
            if recorded.unwritten is not None:
                raise InputError(
                    recorded.unwritten.what,
                    where=str(self._wanted.out),
                    advice="Nothing was recorded. Free some space, then record again.",
                )
            raise InputError(
                recorded.problem or "Nothing was recorded.",
                advice="Look at the plug of the microphone or board, then record again.",
            )
        try:
            return self._judge(recorded, source)
        except (Stopped, KeyboardInterrupt):
            terminal.say(f"What was recorded is in {recorded.path}")
            return STOPPED
        except Exception:
            if recorded.path.exists():
                terminal.say(f"What was recorded is in {recorded.path}")
            raise

    def _judge(self, recorded: Recorded, source: Source) -> int | None:
        wanted = self._wanted
        if recorded.ending == "broke_off":
            terminal.say(recorded.problem)
        words = {"done": "Recorded", "stopped": "Stopped. Recorded", "broke_off": "Kept so far"}
        terminal.say(f"{words[recorded.ending]}: {seconds_words(recorded, source.sample_rate_hz)}.")
        looked = look(recorded, source, wanted.spot, wanted.car, wanted.out.name)
        show_quality(recorded, looked, wanted.out.name)
        if self._ask:
            self._asker.forget_typed()
            hit = self._asker.key("", KEYS)
            if hit != "k":
                recorded.path.unlink(missing_ok=True)
                if hit == "r":
                    return None
                terminal.say("Thrown away.")
                return 0
        note = note_of(recorded, source, wanted.car.name if wanted.car else "", wanted.spot)
        source.finish(recorded.path, wanted.out, note, wanted.bits)
        recorded.path.unlink(missing_ok=True)
        typer.echo(f"Recording: {wanted.out}")
        self._say_next(self._keep() if wanted.keep else [(str(wanted.out), wanted.spot)])
        return 0 if self._ask or recorded.ending != "stopped" else STOPPED

    def _keep(self) -> list[tuple[str, str]]:
        """Keep a copy in the garage; return the files and spots of its bench check."""
        from vibecheck.cli.garage_source import open_garage, take_in

        wanted = self._wanted
        with open_garage(wanted.data, make=True) as garage:
            car = take_in(garage, str(wanted.car_named))
            sitting = garage.open_sitting(car.id) or garage.start_sitting(car.id)
            garage.add_take(sitting.id, wanted.out, sensor=wanted.sensor, spot=wanted.spot)
            sitting = garage.sitting(sitting.id)
            n = len(sitting.takes)
            typer.echo(
                f"Kept: bench check {sitting.number} of {sitting.car}, "
                f"{n} recording{'s' * (n != 1)} so far"
            )
        takes = [take for take in sitting.takes if not take.after_hand_check] or sitting.takes
        return [(self._own_copy(take), take.spot) for take in takes]

    def _own_copy(self, take: StoredTake) -> str:
        """Return the owner's own file of a take, where it still is; else the garage's."""
        own = self._wanted.out.parent / take.file_name
        same = own.is_file() and file_hash(own) == take.sha256
        return str(own if same else take.path)

    def _say_next(self, takes: Sequence[tuple[str, str]]) -> None:
        """Say the command that judges what was recorded, and the one for the next spot."""
        wanted = self._wanted
        if self._spins:
            for words in prepare.cautions_after():
                _hang(words, "! ")
        options = ["--car", wanted.car_named] if wanted.car_named else []
        data = ["--data", str(wanted.data)] if wanted.data is not None else []
        keep = ["--keep"] if wanted.keep else []
        spots = [word for _, spot in takes for word in ("--spot", spot)]
        files = [file for file, _ in takes]
        command = prepare.command_words(
            "vibecheck", "check", *files, *options, *spots, *keep, *data
        )
        typer.echo(f"Next: {command}")
        if self._plan is None:
            return
        done = {wanted.spot, *(spot for _, spot in takes)}
        later = [spot.name for spot in self._plan.spots if spot.name not in done]
        if later:
            again = prepare.command_words(
                "vibecheck", "record", *options, *wanted.again, "--spot", later[0], *keep, *data
            )
            typer.echo(f"Or the next spot: {again}")


def show_quality(recorded: Recorded, looked: Looked, name: str) -> None:
    """Say on standard output what a recording is worth, in plain words."""
    from vibecheck.report import words
    from vibecheck.result import CheckedTake
    from vibecheck.result_json import all_findings

    if looked.quality is None or looked.take is None:
        typer.echo(f"{name}: could not be used")
        _hang(looked.refused, "  - ")
    else:
        checked = CheckedTake(looked.take, looked.quality, looked.speed, None)
        typer.echo(f"{name}: {words.QUALITY_WORDS[looked.quality.verdict]}")
        _hang(f"{words.take_words(checked)}. {words.speed_words(checked)}", "  ")
        for finding in all_findings(looked.take, looked.quality):
            _hang(f"{finding.message} {words.as_options(finding.advice)}", "  - ")
    for said in trouble(recorded):
        _hang(said, "  - ")


def trouble(recorded: Recorded) -> list[str]:
    """Return what went wrong between the sensor and the file."""
    found = []
    if recorded.gaps:
        places = "one place" if recorded.gaps == 1 else f"{recorded.gaps} places"
        lost = f"{recorded.dropped} samples" if recorded.dropped else "Samples"
        found.append(
            f"{lost} were lost in {places}. Such edges sound like impacts: close other programs "
            "and record again."
        )
    if recorded.garbage:
        lines = "One line" if recorded.garbage == 1 else f"{recorded.garbage} lines"
        found.append(
            f'{lines} of the board could not be read. The last one: "{recorded.last_garbage}".'
        )
    return found


def _hang(text: str, lead: str) -> None:
    for row in terminal.hang(text, lead, terminal.console().width):
        typer.echo(row)
