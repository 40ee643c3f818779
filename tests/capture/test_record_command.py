"""``vibecheck record`` from the first question to the next command, with a sound for microphone."""

from __future__ import annotations

import contextlib
import io
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from fake_sounddevice import RATE_HZ, FakeSoundDevice
from record_program import CAR_FILE, fake, spin_up

from vibecheck.capture import microphone
from vibecheck.capture.sound_writer import read_capture_note
from vibecheck.cli import main, record_take
from vibecheck.errors import InputError
from vibecheck.garage import Garage
from vibecheck.recording.read import read_take

CLEARS = re.compile(r"\b(OK|pass(ed)?|safe|healthy|good to go)\b", re.IGNORECASE)
CAR = ("--car", str(CAR_FILE))
SHORT = ("--seconds", "27", "--countdown", "2")


@pytest.fixture
def at_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Run a call in an empty folder, with a microphone, and with answers typed ahead."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("VIBECHECK_DATA", str(tmp_path / "garage"))
    monkeypatch.setattr(record_take, "pause", lambda _seconds: None)

    def call(*words: str, library: FakeSoundDevice | None = None, typed: str = "") -> int:
        made = library or fake()
        monkeypatch.setattr(microphone, "load_sounddevice", lambda: made)
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        return main(["record", *words])

    return call


def test_a_take_is_recorded_judged_and_kept(at_bench: Any, capsys: Any, tmp_path: Path) -> None:
    assert at_bench("spin.wav", *CAR, *SHORT, typed="\nk\n") == 0
    out, err = capsys.readouterr()

    # Cautions stand first, then what to do in its order, then what it is worth.
    told = out + err
    assert out.index("Before anything spins") < out.index("spin.wav: could be used")
    steps = ["listening to the room", "begins in 2 s", "begins in 1 s", "MOTOR OFF", "RUN UP"]
    steps += ["HOLD", "FASTER", "LET GO", "WAIT", "Recorded: 27."]
    assert [err.index(step) for step in steps] == sorted(err.index(step) for step in steps)
    assert "The room is quiet" in err
    assert "turns per minute" in out
    assert "Unplug the battery when the takes are done" in out
    assert "vibecheck check spin.wav" in out
    assert "--spot motor_mount" in out
    assert not CLEARS.search(told.replace("(EN 166 tests", ""))

    # The file is the sound, bit by bit, and says what it is.
    samples, rate_hz = soundfile.read(tmp_path / "spin.wav", dtype="float32")
    sound = spin_up()
    where = np.flatnonzero(sound == samples[20_000])
    first = next(int(k) - 20_000 for k in where if sound[k + 1] == samples[20_001])
    n = min(len(samples), len(sound) - first)
    np.testing.assert_array_equal(samples[:n], sound[first : first + n])
    assert n > 15 * rate_hz
    note = read_capture_note(tmp_path / "spin.wav")
    assert note is not None
    assert (note.car, note.spot, note.device) == ("Saltflat 8", "centre", "Bench microphone")
    assert (note.gaps, note.dropped_frames, note.automatic_gain) == (0, 0, None)
    assert [path.name for path in tmp_path.iterdir()] == ["spin.wav"]


def test_record_again_then_throw_away_leaves_nothing(
    at_bench: Any, capsys: Any, tmp_path: Path
) -> None:
    library = fake(speed=200.0)
    assert at_bench("spin.flac", *CAR, *SHORT, library=library, typed="\nr\nd\n") == 0
    out, err = capsys.readouterr()
    assert out.count("Before anything spins") == 1
    assert err.count("RUN UP") == 2
    assert "Thrown away." in err
    assert len(library.streams) == 2
    assert all(stream.closed for stream in library.streams)
    assert not list(tmp_path.iterdir())


def test_keep_puts_it_into_the_open_bench_check(at_bench: Any, capsys: Any, tmp_path: Path) -> None:
    at = ("--spot", "motor_mount", "--keep", "--yes", "--countdown", "0", "--seconds", "27")
    assert at_bench(*CAR, *at, "--format", "flac", library=fake(speed=200.0)) == 0
    out = capsys.readouterr().out
    made = [path for path in tmp_path.iterdir() if path.suffix == ".flac"]
    assert len(made) == 1
    assert re.fullmatch(r"saltflat-8-motor-mount-\d{8}-\d{6}\.flac", made[0].name)
    assert "Kept: bench check 1 of Saltflat 8, 1 recording so far" in out
    assert f"vibecheck check {made[0].name}" in out
    assert "--keep" in out
    with Garage.open(tmp_path / "garage") as garage:
        (take,) = garage.sitting("1").takes
        assert (take.spot, take.sensor, take.file_name) == (
            "motor_mount", "microphone", made[0].name,
        )  # fmt: skip
        assert take.path.read_bytes() == made[0].read_bytes()
        assert read_take(take.path).codec == "pcm"


def test_the_next_command_names_all_takes_of_the_bench_check(at_bench: Any, capsys: Any) -> None:
    for name, spot in (("a.wav", "centre"), ("b.wav", "motor_mount")):
        more = ("--spot", spot, "--keep", "--yes", "--countdown", "0", "--seconds", "27")
        library = fake(speed=200.0)
        library.sound = library.sound * np.float32(0.5 if spot == "centre" else 1.0)
        assert at_bench(name, *CAR, *more, library=library) == 0
    out = capsys.readouterr().out
    assert "Kept: bench check 1 of Saltflat 8, 2 recordings so far" in out
    words = f"check a.wav b.wav --car {CAR_FILE} --spot centre --spot motor_mount --keep"
    assert words in out
    assert "--spot wheel_front_left --keep" in out.splitlines()[-1]


def test_without_a_car_the_usual_script_is_called_out(at_bench: Any, capsys: Any) -> None:
    assert at_bench("a.wav", "--yes", "--bits", "24", library=fake(speed=200.0)) == 0
    out, err = capsys.readouterr()
    assert "Name one with --car" in err
    assert "RUN UP" in err
    assert "Feel the wheel nuts" in out
    assert soundfile.info("a.wav").subtype == "PCM_24"
    assert "Or the next spot" not in out


def test_answers_that_run_out_stop_before_anything_spins(at_bench: Any, capsys: Any) -> None:
    library = fake()
    assert at_bench("a.wav", *CAR, library=library) == 130
    assert "Nothing was recorded." in capsys.readouterr().err
    assert not library.streams


def test_a_loud_room_can_be_listened_to_again(at_bench: Any, capsys: Any) -> None:
    loud = np.random.default_rng(1).normal(0.0, 0.1, 48_000 * 5)
    library = FakeSoundDevice(loud, speed=200.0)
    assert at_bench("a.wav", *CAR, *SHORT, library=library, typed="\n\nq\n") == 130
    err = capsys.readouterr().err
    assert "It is loud here" in err


def test_a_muted_microphone_is_noticed_before_it_spins(at_bench: Any, capsys: Any) -> None:
    library = FakeSoundDevice(np.zeros(48_000 * 60), speed=200.0)
    assert at_bench("a.wav", *CAR, "--yes", library=library) == 1
    assert "muted" in capsys.readouterr().err


def test_an_unplugged_microphone_keeps_what_came(
    at_bench: Any, capsys: Any, tmp_path: Path
) -> None:
    library = fake(unplugged_at=900)  # 18 s of blocks of 20 ms
    assert at_bench("a.wav", *CAR, "--yes", "--countdown", "0", library=library) == 0
    out, err = capsys.readouterr()
    assert "Was it unplugged?" in err
    assert "Kept so far: 1" in err
    assert "a.wav: could be used" in out
    assert 10.0 < soundfile.info(tmp_path / "a.wav").duration < 18.0


def test_lost_samples_are_said_and_written_down(at_bench: Any, capsys: Any, tmp_path: Path) -> None:
    library = fake(overflow_at=800, lost=4_800)
    assert at_bench("a.wav", *CAR, "--yes", "--countdown", "0", library=library) == 0
    assert "4800 samples were lost in one place" in capsys.readouterr().out
    note = read_capture_note(tmp_path / "a.wav")
    assert note is not None
    assert (note.gaps, note.dropped_frames) == (1, 4_800)


def test_a_full_disk_says_where_the_sound_is(
    at_bench: Any, capsys: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise InputError("The recording could not be written (No space left on device).")

    monkeypatch.setattr(microphone.Microphone, "finish", full)
    assert at_bench("a.wav", *CAR, *SHORT, "--yes", library=fake(speed=200.0)) == 1
    err = capsys.readouterr().err
    assert "No space left" in err
    assert "What was recorded is in a.recording.wav" in err
    assert read_take(tmp_path / "a.recording.wav").duration_s == pytest.approx(27.0, abs=1.5)
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)


def test_what_an_earlier_call_left_behind_is_said(
    at_bench: Any, capsys: Any, tmp_path: Path
) -> None:
    (tmp_path / "old.recording.wav").write_bytes(b"RIFF")
    at_bench("a.wav", *CAR)
    assert "lies in old.recording.wav" in capsys.readouterr().err


def test_the_list_of_devices(at_bench: Any, capsys: Any) -> None:
    library = FakeSoundDevice(names=("Desk", "Headset"))
    assert at_bench("--list-devices", library=library) == 0
    out = capsys.readouterr().out
    assert "*  0  Desk  (Test host, 2 channels, 48000 samples per second)" in out
    assert "   1  Headset" in out
    assert "Serial ports:" in out
    assert at_bench("--list-devices", library=FakeSoundDevice(names=())) == 0
    assert "recorded by a phone works as well" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["a.mp3", *CAR], ".wav or .flac"),
        (["a.flac", *CAR, "--bits", "float"], "floating point"),
        (["a.flac", *CAR, "--format", "wav"], "written as .wav"),
        (["a.wav", *CAR, "--bits", "16"], "24 or float"),
        (["a.wav", *CAR, "--format", "mp3"], "wav or flac"),
        (["none/a.wav", *CAR], "no such folder"),
        (["a.wav", *CAR, "--spot", "wheel_rear_lfet"], "wheel_rear_left"),
        (["a.wav", *CAR, "--seconds", "5"], "--seconds must be from"),
        (["a.wav", *CAR, "--device", "nobody"], 'no microphone "nobody"'),
        (["a.wav", "--keep"], "--keep needs a car"),
        (["a.wav", "--car", "Nobody's"], "garage"),
        (["a.wav", *CAR, "--unit", "g"], "for --board"),
        (["a.csv", *CAR, "--board", "x", "--device", "y"], "two sources"),
        (["a.wav", *CAR, "--board", "x"], "written as .csv"),
        (["a.csv", *CAR, "--board", "x", "--format", "wav"], "for sound"),
        (["a.csv", *CAR, "--board", "x", "--unit", "lsb"], "--unit must be"),
        (["taken.wav", *CAR], "--force"),
    ],
)
def test_a_wrong_call_is_refused_before_anything_is_opened(
    at_bench: Any, capsys: Any, tmp_path: Path, words: list[str], said: str
) -> None:
    (tmp_path / "taken.wav").write_bytes(b"mine")
    library = fake()
    assert at_bench(*words, "--yes", library=library) == 2
    out, err = capsys.readouterr()
    assert said in err
    assert "Before anything spins" not in out
    assert not library.streams
    assert [path.name for path in tmp_path.iterdir()] == ["taken.wav"]


def test_force_replaces_a_file(at_bench: Any, tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"old")
    library = fake(speed=200.0)
    assert at_bench("a.wav", *CAR, *SHORT, "--yes", "--force", library=library) == 0
    assert read_capture_note(tmp_path / "a.wav") is not None


def test_two_channels_at_another_rate(at_bench: Any, capsys: Any, tmp_path: Path) -> None:
    library = fake(speed=200.0)
    more = ("--channels", "2", "--sample-rate", "44100")
    assert at_bench("a.wav", *CAR, *SHORT, *more, "--yes", library=library) == 0
    assert " --sample-rate 44100 --channels 2 --spot motor_mount" in capsys.readouterr().out
    made = soundfile.info(tmp_path / "a.wav")
    assert (made.channels, made.samplerate, made.subtype) == (2, 44_100, "FLOAT")


def board_lines(seconds: float, rate_hz: float = 1600.0) -> str:
    n = np.arange(round(seconds * rate_hz))
    # At rest, then turning at 50 turns a second, then at rest.
    turning = (n > n.size // 4) & (n < 3 * n.size // 4)
    shake = 0.002 * np.sin(0.3 * n) + turning * 0.3 * np.sin(2 * np.pi * 50.0 * n / rate_hz)
    rows = [
        f"{round(k * 1e6 / rate_hz)},{s:.4f},{s:.4f},{1 + s:.4f}"
        for k, s in zip(n.tolist(), shake.tolist(), strict=True)
    ]
    return "\n".join(["t_us,x_g,y_g,z_g", *rows[:50], "overrun!", *rows[50:]]) + "\n"


def test_lines_of_a_board_become_a_table(at_bench: Any, capsys: Any, tmp_path: Path) -> None:
    (tmp_path / "log.txt").write_text(board_lines(8.0))
    assert at_bench("a.csv", "--board", "log.txt", *CAR, "--spot", "motor_mount") == 0
    out, err = capsys.readouterr()
    assert "Before anything spins" not in out  # nothing spins for it
    assert "Recorded: 8.0 s" in err
    assert 'One line of the board could not be read. The last one: "overrun!"' in " ".join(
        out.split()
    )
    take = read_take(tmp_path / "a.csv")
    assert (take.n_samples, take.unit) == (12_800, "m/s^2")
    assert take.sample_rate_hz == pytest.approx(1600.0, rel=1e-4)
    assert not list(tmp_path.glob("*.recording.*"))


def test_lines_from_a_pipe(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "vibecheck", "record", "a.csv", "--board", "-"],
        input=board_lines(8.0),
        capture_output=True,
        text=True,
        cwd=tmp_path,
        timeout=60,
    )
    assert (done.returncode, done.stderr.count("Traceback")) == (0, 0)
    assert read_take(tmp_path / "a.csv").n_samples == 12_800


def test_a_missing_board_is_said_before_the_cautions(at_bench: Any, capsys: Any) -> None:
    assert at_bench("a.csv", *CAR, "--board", "/dev/none", "--yes") == 1
    assert "/dev/none" in capsys.readouterr().err


class AtTerminal:
    """The program in a terminal of its own."""

    def __init__(self, folder: Path, speed: str, *words: str, columns: int = 100) -> None:
        pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")
        import fcntl
        import struct
        import termios

        self.leader, follower = pty.openpty()
        fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
        program = Path(__file__).with_name("record_program.py")
        environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}

        def own() -> None:
            os.setsid()
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

        self.process = subprocess.Popen(
            [sys.executable, str(program), speed, "record", *words],
            stdin=follower, stdout=follower, stderr=follower, cwd=folder, preexec_fn=own,
            env=environment | {"TERM": "xterm-256color", "NO_COLOR": "1"},
        )  # fmt: skip
        os.close(follower)
        self.seen = ""
        self._from = 0

    def until(self, words: str, key: str = "") -> str:
        """Wait for words, then hit a key."""
        ends = time.monotonic() + 60.0
        while words not in self.seen[self._from :]:
            assert time.monotonic() < ends, self.seen[-2000:]
            if select.select([self.leader], [], [], 0.2)[0]:
                try:
                    self.seen += os.read(self.leader, 65_536).decode()
                except OSError:
                    raise AssertionError(f"ended: {self.seen[-2000:]}") from None
        part = self.seen[self._from :]
        self._from = len(self.seen)
        os.write(self.leader, key.encode())
        return part

    def rest(self) -> str:
        with contextlib.suppress(OSError):
            while data := os.read(self.leader, 65_536):
                self.seen += data.decode()
        os.close(self.leader)
        return self.seen[self._from :]


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Any]:
    made: list[AtTerminal] = []

    def start(*words: str, **options: Any) -> AtTerminal:
        made.append(AtTerminal(tmp_path, *words, **options))
        return made[-1]

    yield start
    for one in made:
        one.process.kill()
        one.process.wait(timeout=30)


def test_at_a_terminal_it_counts_down_rings_and_shows_big_words(terminal: Any) -> None:
    bench = terminal("16", "a.wav", *CAR, *SHORT)
    bench.until("go on", "\r")
    before = bench.until("Ctrl-C ends it early")
    assert before.count("\a") == 2  # once for each second of the countdown
    while_recording = bench.until("throw it away", "k")
    assert while_recording.count("\a") == 1  # once, when it is over
    assert while_recording.index("\a") > while_recording.rindex("Ctrl-C ends it early")
    assert "█████" in while_recording
    assert "Then HOLD." in while_recording
    assert "Cut off: 0   Lost: 0" in while_recording
    assert "vibecheck check a.wav" in bench.rest()
    assert bench.process.wait(timeout=30) == 0
    assert "\x1b[1;3" not in bench.seen  # NO_COLOR


def test_ctrl_c_ends_a_take_early_and_it_can_be_kept(terminal: Any, tmp_path: Path) -> None:
    bench = terminal("8", "a.wav", *CAR, *SHORT, columns=46)
    bench.until("go on", "\r")
    bench.until("Then FASTER", "\x03")
    said = bench.until("throw it aw", "k")
    assert "Stopped. Recorded:" in said
    bench.rest()
    assert bench.process.wait(timeout=30) == 0
    assert 8.0 < soundfile.info(tmp_path / "a.wav").duration < 20.0


def test_a_kill_loses_nothing_that_was_recorded(terminal: Any, tmp_path: Path) -> None:
    bench = terminal("8", "a.wav", *CAR, *SHORT)
    bench.until("go on", "\r")
    bench.until("Then FASTER")
    bench.process.send_signal(signal.SIGKILL)
    bench.process.wait(timeout=30)
    bench.rest()
    take = read_take(tmp_path / "a.recording.wav")
    assert take.duration_s > 8.0  # idle and run-up at least
    assert not [finding for finding in take.findings if finding.code != "unfinished"]
    assert take.sample_rate_hz == RATE_HZ


def test_a_disk_that_is_full_from_the_start_is_said_as_such(
    at_bench: Any, capsys: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_arguments: object) -> None:
        raise InputError(
            "The recording cannot be written any further (No space left on device).",
            advice="Free some space. What was recorded so far is in the file.",
        )

    monkeypatch.setattr("vibecheck.capture.growing.GrowingWav.write", full)
    assert at_bench("spin.wav", *CAR, *SHORT, "--yes", library=fake(speed=200.0)) == 1
    said = capsys.readouterr().err
    assert "No space left on device" in said
    assert "Nothing was recorded. Free some space, then record again." in said
    assert "plug" not in said
    assert "is in the file" not in said
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(os.name != "posix", reason="names are bytes there")
@pytest.mark.parametrize(
    "name",
    ["s" * 251 + ".wav", "ö" * 125 + ".wav", os.fsdecode(b"spin\xff.wav")],
    ids=["longest name", "longest name in two-byte letters", "name that is no text"],
)
def test_any_name_that_the_system_takes_can_be_recorded_into(
    at_bench: Any, tmp_path: Path, name: str
) -> None:
    try:
        (tmp_path / name).touch()
        (tmp_path / name).unlink()
    except OSError:
        pytest.skip("this system does not take the name")
    assert at_bench(name, *CAR, *SHORT, "--yes", library=fake(speed=200.0)) == 0
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert read_capture_note(tmp_path / name) is not None
