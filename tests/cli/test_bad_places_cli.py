"""Places that a program does not choose: closed streams, full disks, Ctrl-C at any moment."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from vibecheck import whole_file as whole_file_module
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.cli import main
from vibecheck.cli.stopping import Stopping
from vibecheck.cli.train import cache_folder
from vibecheck.dataset import labelled_set
from vibecheck.dataset.labelled_set import NewTake, add_to_set, read_set
from vibecheck.dataset.own import labels_by_hand, own_row
from vibecheck.errors import InputError, MissingExtraError, VibecheckError
from vibecheck.garage import Garage
from vibecheck.plain_text import plain_text
from vibecheck.report.files import write_whole
from vibecheck.training.build import measure_take
from vibecheck.whole_file import remove_unfinished, scratch_folder, unfinished, whole_file

CAR = shipped_car_path("saltflat8")
PROGRAM = [sys.executable, "-m", "vibecheck"]
SHOW = [*PROGRAM, "car", "show", str(CAR)]
POSIX = pytest.mark.skipif(os.name != "posix", reason="streams and signals of POSIX systems")
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="a device that is always full")


def by_shell(words: str, *arguments: str, buffered: bool = True) -> tuple[int, str]:
    """Run a line of a shell; return the exit code of its first part and what reached a stream."""
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONUNBUFFERED"}
    if not buffered:
        environment["PYTHONUNBUFFERED"] = "1"
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("needs bash")
    done = subprocess.run(
        [bash, "-c", f'"$@" {words}; exit ${{PIPESTATUS[0]}}', "bash", *(arguments or SHOW)],
        capture_output=True,
        text=True,
        env=environment,
        timeout=60,
    )
    return done.returncode, done.stdout + done.stderr


@POSIX
class TestStreams:
    """Closed, full, or a pipe whose reader has gone."""

    @pytest.mark.parametrize(
        ("words", "code"),
        [
            (">&-", 0),
            ("2>&-", 0),
            ("<&- >&- 2>&-", 0),
            ("| true", 1),
            ("2>&1 | head -1", 1),
        ],
    )
    def test_nobody_reads(self, words: str, code: int) -> None:
        ended, said = by_shell(words)
        assert ended == code
        assert "Traceback" not in said
        assert "fault" not in said
        assert "Exception ignored" not in said

    @LINUX
    @pytest.mark.parametrize("buffered", [True, False])
    def test_a_result_that_cannot_be_written_is_said(self, buffered: bool) -> None:
        code, said = by_shell(">/dev/full", buffered=buffered)
        assert code == 1
        assert said.count("Cannot go on:") == 1
        assert "The result could not be written: No space left on device." in said

    @LINUX
    def test_messages_that_nobody_can_read_do_not_stop_the_work(self) -> None:
        code, said = by_shell("2>/dev/full")
        assert code == 0
        assert "Saltflat 8" in said

    def test_no_file_takes_the_number_of_a_closed_stream(self, tmp_path: Path) -> None:
        """Else what is written to standard output would end up in the file."""
        out = tmp_path / "geared.toml"
        geared = [*PROGRAM, "car", "gear", str(CAR), "--pinion", "16", "--write", str(out)]
        code, _said = by_shell("<&- >&- 2>&-", *geared)
        assert code == 0
        whole = tmp_path / "other.toml"
        assert subprocess.run([*geared[:-1], str(whole)], capture_output=True).returncode == 0
        assert out.read_bytes() == whole.read_bytes()

    def test_typed_bytes_of_another_encoding_are_no_fault(self, tmp_path: Path) -> None:
        done = subprocess.run(
            [*PROGRAM, "hand-check", "--car", str(CAR), "--data", str(tmp_path)],
            input=b"s\n" * 13 + b"n\nGr\xf6\xdfe\n",
            capture_output=True,
            env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        )
        assert done.returncode == 0, done.stderr
        assert b"Kept." in done.stderr


class TestStopping:
    """Ctrl-C, also where it comes in between."""

    @pytest.fixture(autouse=True)
    def handlers(self) -> Iterator[None]:
        before, hook = signal.getsignal(signal.SIGINT), sys.unraisablehook
        yield
        signal.signal(signal.SIGINT, before)
        sys.unraisablehook = hook

    def test_it_is_raised_and_remembered(self) -> None:
        before = signal.getsignal(signal.SIGINT)
        with Stopping(whole_process=False) as stopping:
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)
            assert stopping.came
            stopping.hold_off()
            signal.raise_signal(signal.SIGINT)  # the call is over
        assert signal.getsignal(signal.SIGINT) is before

    def test_after_the_call_a_process_may_be_ended_at_once(self) -> None:
        with Stopping(whole_process=True):
            pass
        assert signal.getsignal(signal.SIGINT) is signal.SIG_DFL

    def test_a_process_in_the_background_is_left_alone(self) -> None:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        with Stopping(whole_process=True) as stopping:
            signal.raise_signal(signal.SIGINT)
        assert not stopping.came
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN

    def test_another_thread_has_no_signals(self) -> None:
        before = signal.getsignal(signal.SIGINT)
        seen: list[object] = []

        def work() -> None:
            with Stopping(whole_process=True):
                seen.append(signal.getsignal(signal.SIGINT))

        thread = threading.Thread(target=work)
        thread.start()
        thread.join()
        assert seen == [before]

    def test_where_it_was_swallowed_it_comes_again(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        class Swallows:
            def __del__(self) -> None:
                signal.raise_signal(signal.SIGINT)

        def work() -> None:
            one = Swallows()
            del one
            time.sleep(20)

        with Stopping(whole_process=False), pytest.raises(KeyboardInterrupt):
            work()
        assert "Exception ignored" not in capsys.readouterr().err

    @pytest.mark.parametrize(
        "turned_into",
        [
            ImportError("numpy could not be imported"),
            MissingExtraError("Training", "training"),
            SystemError("returned NULL without setting an exception"),
            KeyboardInterrupt(),
        ],
    )
    def test_a_library_may_turn_it_into_any_fault(
        self,
        turned_into: BaseException,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        def read(*_arguments: object) -> None:
            try:
                signal.raise_signal(signal.SIGINT)
            except KeyboardInterrupt:
                raise turned_into from None

        monkeypatch.setattr("vibecheck.car.read.read_car", read)
        monkeypatch.setattr("vibecheck.cli.car.read_car", read, raising=False)
        assert main(["car", "show", str(CAR)]) == 130
        assert capsys.readouterr().err.split() == ["Stopped."]

    def test_a_fault_without_it_is_a_fault(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        def read(*_arguments: object) -> None:
            raise SystemError("of its own")

        monkeypatch.setattr("vibecheck.car.read.read_car", read)
        monkeypatch.setattr("vibecheck.cli.car.read_car", read, raising=False)
        assert main(["car", "show", str(CAR)]) == 1
        assert "fault of the program" in capsys.readouterr().err


def interrupt(*_arguments: object, **_words: object) -> None:
    raise KeyboardInterrupt


class TestUnfinished:
    """Nothing that is not whole stays, wherever the stop comes."""

    def test_a_stop_while_tidying_up(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def write() -> None:
            with whole_file(tmp_path / "out.html") as temporary:
                temporary.write_text("half")
                raise OSError

        with monkeypatch.context() as patch:
            patch.setattr(whole_file_module, "_remove", interrupt)
            with pytest.raises(KeyboardInterrupt):
                write()
        assert len(list(tmp_path.iterdir())) == 1
        remove_unfinished()
        assert list(tmp_path.iterdir()) == []

    def test_the_program_takes_it_away(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        held = unfinished(tmp_path / "folder")  # nothing lets go of it before the program ends

        def read(*_arguments: object) -> None:
            (held.__enter__() / "beneath").mkdir(parents=True)
            raise KeyboardInterrupt

        monkeypatch.setattr("vibecheck.car.read.read_car", read)
        monkeypatch.setattr("vibecheck.cli.car.read_car", read, raising=False)
        assert main(["car", "show", str(CAR)]) == 130
        assert list(tmp_path.iterdir()) == []

    def test_what_became_whole_stays(self, tmp_path: Path) -> None:
        with whole_file(tmp_path / "a.txt") as temporary:
            temporary.write_text("whole")
        with scratch_folder(tmp_path / "b") as folder:
            (folder / "x").write_text("scratch")
        remove_unfinished()
        assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]

    @pytest.mark.parametrize("name", ["a" * 250 + ".html", "🏎" * 62 + ".html", "b." + "c" * 250])
    def test_a_name_as_long_as_the_system_allows(self, tmp_path: Path, name: str) -> None:
        write_whole(tmp_path / name, "page")
        with whole_file(tmp_path / name) as temporary:
            temporary.write_text("again")
        assert (tmp_path / name).read_text() == "again"
        assert len(list(tmp_path.iterdir())) == 1

    @LINUX
    def test_a_full_device_is_said(self) -> None:
        with pytest.raises(InputError, match="No space left on device"):
            write_whole("/dev/full", "text")


def test_a_stop_as_the_manifest_is_in_place_takes_no_take_from_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The takes went in first and the manifest names them: none may be taken back."""
    from vibecheck.dataset.manifest import write_manifest

    car = read_car(CAR)
    take = tmp_path / "a.wav"
    shutil.copy(CAR.parents[1] / "demo" / "1-baseline-centre.flac", take.with_suffix(".flac"))
    labels = labels_by_hand(car, "baseline", [], [], rest_snug=False)
    row = own_row(take.with_suffix(".flac"), car, CAR, "one", labels, spot="centre", sensor=None)
    new = NewTake(row, CAR.read_text(encoding="utf-8"))

    def late(path: Path, rows: object) -> None:
        write_manifest(path, rows)  # type: ignore[arg-type]
        raise KeyboardInterrupt

    monkeypatch.setattr(labelled_set, "write_manifest", late)
    with pytest.raises(KeyboardInterrupt):
        add_to_set(tmp_path / "set", [new])
    (kept,) = read_set(tmp_path / "set")  # refuses a manifest whose files are not there
    assert kept.sha256 == row.sha256
    monkeypatch.setattr(labelled_set, "write_manifest", interrupt)
    with pytest.raises(KeyboardInterrupt):
        add_to_set(tmp_path / "other", [new])
    assert not list((tmp_path / "other").rglob("*.flac"))


@POSIX
@pytest.mark.parametrize("after_s", [0.15, 0.4, 0.8, 1.6])
def test_interrupted_at_any_moment(tmp_path: Path, after_s: float) -> None:
    """scripts/interrupt_check.py does this many times over, with every command."""
    take = CAR.parents[1] / "demo" / "1-baseline-centre.flac"
    process = subprocess.Popen(
        [*PROGRAM, "check", str(take), "--car", str(CAR), "--report", str(tmp_path / "out.html")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    time.sleep(after_s)
    process.send_signal(signal.SIGINT)
    _out, said = process.communicate(timeout=60)
    if "vibecheck/cli" in said or "Traceback" not in said:  # else in Python's own start
        assert process.returncode in (0, 130, -signal.SIGINT), said
        assert "Traceback" not in said
    assert {path.name for path in tmp_path.iterdir()} <= {"out.html"}


class TestHome:
    """No home folder, or one that cannot be written."""

    TAKE = str(CAR.parents[1] / "demo" / "1-baseline-centre.flac")

    def test_nobody_knows_where_it_is(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        def unknown(*_arguments: object, **_words: object) -> Path:
            raise RuntimeError("could not determine the home directory for '~'")

        monkeypatch.delenv("VIBECHECK_DATA", raising=False)
        monkeypatch.setattr("platformdirs.user_data_path", unknown)
        monkeypatch.setattr("platformdirs.user_cache_dir", unknown)
        for command in (
            ["check", self.TAKE, "--car", str(CAR), "--keep"],
            ["bench", "list"],
            ["car", "list"],
            ["bench", "list", "--data", "~nobody-of-this-name/garage"],
        ):
            assert main(command) == 2
            said = capsys.readouterr().err
            assert "home folder" in said
            assert "--data" in said
        with pytest.raises(VibecheckError, match="--cache"):
            cache_folder(None)

    def test_the_usual_place_cannot_be_written(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "file").write_text("in the way")
        monkeypatch.delenv("VIBECHECK_DATA", raising=False)
        monkeypatch.setattr(
            "platformdirs.user_data_path", lambda *_a, **_w: tmp_path / "file" / "vibecheck"
        )
        assert main(["check", self.TAKE, "--car", str(CAR), "--keep"]) == 2
        said = capsys.readouterr().err
        assert "usual place" in said
        assert "Name another folder with --data." in said


class TestLetters:
    """Bytes that are no text, in what is written down."""

    @pytest.mark.parametrize(
        ("text", "wanted"),
        [
            ("Größe 🏎", "Größe 🏎"),
            ("Größe 🏎".encode().decode("ascii", "surrogateescape"), "Größe 🏎"),
            ("a\udcffb", "a\ufffdb"),
            ("Gr\u00f6\udcc3\udcb6", "Gröö"),
            ("a\ud83db", "a?b"),
        ],
    )
    def test_text_is_made_fit(self, text: str, wanted: str) -> None:
        assert plain_text(text) == wanted

    def test_the_garage_and_pages_take_them(self, tmp_path: Path) -> None:
        take = tmp_path / os.fsdecode(b"\xff spin.flac")
        try:
            shutil.copy(TestHome.TAKE, take)
        except OSError:
            pytest.skip("names of files must be text here")
        with Garage.open(tmp_path / "garage") as garage:
            garage.add_car(CAR)
            sitting = garage.start_sitting("Saltflat 8").id
            garage.add_take(sitting, take)
            garage.note_decision(sitting, None, "Räder".encode().decode("ascii", "surrogateescape"))
        with Garage.open(tmp_path / "garage") as garage:
            assert garage.sitting("1").note == "Räder"
            assert garage.sitting("1").takes[0].file_name == "\ufffd spin.flac"
        write_whole(tmp_path / "page.html", f"<p>{take.name}</p>")
        assert (tmp_path / "page.html").read_text(encoding="utf-8") == "<p>\ufffd spin.flac</p>"

    def test_a_recording_whose_name_is_no_text(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        take = tmp_path / os.fsdecode(b"\xff spin.flac")
        try:
            shutil.copy(TestHome.TAKE, take)
        except OSError:
            pytest.skip("names of files must be text here")
        words = [str(tmp_path / os.fsdecode(b"\xff set")), str(take), "--car", str(CAR)]
        assert main(["dataset", "add", *words, "--kind", "baseline"]) == 0, capsys.readouterr().err
        assert main(["dataset", "pack", words[0], "--out", str(take.with_suffix(".zip"))]) == 0


def test_a_check_that_cannot_be_kept_is_told_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was heard in the recording is not lost with the room on the disk."""

    def full(*_arguments: object) -> None:
        raise InputError("The recording could not be kept: the disk is full.")

    monkeypatch.setattr("vibecheck.cli.keep.keep_check", full)
    page = tmp_path / "out.html"
    call = ["check", TestHome.TAKE, "--car", str(CAR), "--keep", "--data", str(tmp_path / "g")]
    assert main([*call, "--report", str(page)]) == 1
    shown = capsys.readouterr()
    assert page.is_file()
    assert "hand check" in shown.out
    assert "the disk is full" in shown.err
    assert "Kept" not in shown.err


@LINUX
@pytest.mark.parametrize("option", ["--report", "--json"])
def test_a_report_that_cannot_be_written_takes_nothing_else_with_it(
    tmp_path: Path, option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    other = {"--report": "--json", "--json": "--report"}[option]
    files = [option, "/dev/full", other, str(tmp_path / "out")]
    assert main(["check", TestHome.TAKE, "--car", str(CAR), *files]) == 1
    shown = capsys.readouterr()
    assert "Saltflat 8" in shown.out
    assert "No space left on device" in shown.err
    assert (tmp_path / "out").is_file()


def test_features_that_cannot_be_kept_are_measured_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_arguments: object, **_words: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("vibecheck.training.build.keep", full)
    car = read_car(CAR)
    labels = labels_by_hand(car, "baseline", [], [], rest_snug=False)
    row = own_row(Path(TestHome.TAKE), car, CAR, "one", labels, spot="centre", sensor=None)
    found, _limited = measure_take(row, tmp_path)
    assert found is not None
    assert list(tmp_path.iterdir()) == []
