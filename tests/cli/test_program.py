"""The program as a process: codes, streams, terminals of all kinds, and what its start loads."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from vibecheck import __version__
from vibecheck.cli import main, streams, terminal, texts
from vibecheck.cli.app import app

COMMANDS = Path(__file__).resolve().parents[2] / "docs" / "commands.md"
PROGRAM = [sys.executable, "-m", "vibecheck"]
# What a plain `import vibecheck` may load beyond a bare interpreter: itself, and the standard
# library modules that its lazy door needs.
ALLOWED = {"vibecheck", "importlib", "typing", "__future__", "warnings", "collections"} | {
    *("functools", "operator", "keyword", "reprlib", "itertools", "re", "enum", "copyreg"),
    *("contextlib", "types", "abc", "_weakrefset", "weakref", "_typing", "_functools"),
    *("_operator", "_collections", "_sre", "_abc", "_collections_abc", "_warnings"),
}
HEAVY = {"numpy", "scipy", "soundfile", "soxr", "av", "jinja2", "PIL", "rich", "sklearn"}


def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PROGRAM, *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, "VIBECHECK_DEBUG": "", **environment},
        timeout=60,
    )


def modules_after(statement: str) -> set[str]:
    code = f"import sys\nbefore = set(sys.modules)\n{statement}\nprint(*set(sys.modules) - before)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_import_loads_only_the_allowed():
    tops = {name.split(".")[0] for name in modules_after("import vibecheck")}
    assert tops <= ALLOWED, sorted(tops - ALLOWED)


def test_import_of_the_program_stays_light():
    tops = {name.split(".")[0] for name in modules_after("import vibecheck.cli.app")}
    assert not tops & HEAVY
    assert "typer" in tops


def test_a_heavy_import_would_be_noticed():
    assert "numpy" in {name.split(".")[0] for name in modules_after("import vibecheck.units")}


def test_public_names_load_on_demand():
    code = "import vibecheck as vc; print(vc.VibecheckError.__name__, len(vc.__all__), dir(vc)[0])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("VibecheckError")


def test_version():
    done = run("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"vibecheck {__version__}\n", "")


def test_help_teaches_with_examples_and_lists_the_commands():
    done = CliRunner().invoke(app, ["--help"])
    assert done.exit_code == 0
    assert "vibecheck check spin.wav --car saltflat8.toml" in done.output
    listed = re.findall(r"^[│ ]+([a-z-]+)  +[A-Z]", done.output, re.MULTILINE)
    assert listed == list(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    assert {"check", "demo", "simulate", "train", "evaluate", "car"} <= set(listed)


@pytest.mark.parametrize("command", ["check", "demo", "simulate", "train", "evaluate"])
def test_each_command_has_examples(command):
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0
    assert "Examples:" in done.output
    assert f"vibecheck {command}" in done.output


@pytest.mark.parametrize("columns", ["60", "79", "80", "120"])
def test_help_fits_the_terminal(columns):
    done = run("check", "--help", COLUMNS=columns)
    assert done.returncode == 0
    assert max(map(len, done.stdout.splitlines())) <= int(columns)
    assert "\b" not in done.stdout


def test_no_command_shows_the_help_and_is_a_wrong_call():
    done = run()
    assert done.returncode == 2
    assert "Examples:" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (["chek"], "chek"),
        (["check"], "Missing argument"),
        (["check", "a.wav", "--nope"], "--nope"),
        (["check", "--car"], "--car"),
        (["demo", "extra"], "extra"),
    ],
)
def test_a_wrong_call_has_code_two(call, words):
    done = run(*call)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("Cannot go on: ")
    assert words in done.stderr
    assert "--help" in done.stderr
    assert "Traceback" not in done.stderr


def test_input_that_is_missing_has_code_one():
    done = run("check", "no-such-file.wav")
    assert done.returncode == 1
    assert "no-such-file.wav" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_pipe_gets_plain_text():
    done = run("check", "no-such-file.wav", TERM="xterm-256color")
    assert "\x1b" not in done.stderr + done.stdout


def in_terminal(*arguments: str, **environment: str) -> str:
    """Run the program at a pseudo-terminal and return what it wrote there."""
    master, slave = pty.openpty()
    env = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", **environment}
    if "NO_COLOR" not in environment:
        env.pop("NO_COLOR", None)
    with subprocess.Popen(
        [*PROGRAM, *arguments], stdin=slave, stdout=slave, stderr=slave, env=env
    ) as process:
        os.close(slave)
        seen = b""
        while True:
            try:
                block = os.read(master, 4096)
            except OSError:  # the other end has gone
                break
            if not block:
                break
            seen += block
        process.wait(timeout=60)
    os.close(master)
    return seen.decode()


def test_a_terminal_gets_colour_unless_told_not_to():
    assert "\x1b[1;31mCannot go on:" in in_terminal("check", "no-such-file.wav")
    assert "\x1b" not in in_terminal("check", "no-such-file.wav", NO_COLOR="1")


@pytest.mark.parametrize("call", [["--help"], ["check", "--help"], ["check", "Prüfstand→.wav"]])
def test_a_terminal_without_unicode_is_served(call):
    done = run(*call, PYTHONIOENCODING="ascii", PYTHONUTF8="0", LC_ALL="C")
    assert "Traceback" not in done.stderr
    assert "UnicodeEncodeError" not in done.stderr
    assert done.returncode == (0 if "--help" in call else 1)
    (done.stdout + done.stderr).encode("ascii")


def test_letters_without_a_plain_form_become_a_question_mark():
    error = UnicodeEncodeError("ascii", "a ≥ 走", 2, 3, "no")
    assert streams.plain_letters(error) == (">=", 3)
    assert streams.plain_letters(UnicodeEncodeError("ascii", "走", 0, 1, "no")) == ("?", 1)
    with pytest.raises(UnicodeDecodeError):
        streams.plain_letters(UnicodeDecodeError("ascii", b"\xff", 0, 1, "no"))


@pytest.mark.parametrize("call", [["--version"], ["check", "--help"]])
def test_a_reader_who_left_early_is_no_fault(call):
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run(
        [*PROGRAM, *call], stdout=write_end, stderr=subprocess.PIPE, text=True, timeout=60
    )
    os.close(write_end)
    assert done.stderr == ""


def test_completion_offers_commands_and_options():
    words = run(
        _VIBECHECK_COMPLETE="complete_bash", COMP_WORDS="vibecheck che", COMP_CWORD="1"
    ).stdout
    assert words.split() == ["check"]
    words = run(
        _VIBECHECK_COMPLETE="complete_bash", COMP_WORDS="vibecheck check --base", COMP_CWORD="2"
    ).stdout
    assert set(words.split()) == {"--baseline", "--baseline-spot"}


def test_main_takes_arguments_and_returns_the_code(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"vibecheck {__version__}\n"


def test_hanging_lines_keep_every_word():
    lines = terminal.hang("one two three four five six seven", "  - ", 20)
    assert lines == ["  - one two three", "    four five six", "    seven"]
    assert terminal.hang("", "x: ", 20) == ["x: "]


def test_help_text_keeps_examples_as_typed(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    assert texts.help_text("A.", examples=[("", "x"), ("", "y \\\n  z")], closing="B.") == (
        "A.\n\nExamples:\n\n\b\n  x\n  y \\\n    z\n\nB."
    )
    monkeypatch.setenv("COLUMNS", "100")
    assert texts.help_text("A.", examples=[("How:", "x")]) == "A.\n\nExamples:\n\nHow:\n  x"


def every_option() -> list[tuple[str, str]]:
    """Return (command, option) for all commands, with the parser's own help option left out."""
    found = []

    def walk(command: object, path: str) -> None:
        for parameter in command.params:  # type: ignore[attr-defined]
            names = [name for name in parameter.opts if name.startswith("--")]
            found.extend((path, name) for name in names if name != "--help")
        for name, child in getattr(command, "commands", {}).items():
            walk(child, f"{path} {name}")

    walk(typer.main.get_command(app), "vibecheck")
    return found


def test_every_option_is_documented():
    text = COMMANDS.read_text(encoding="utf-8")
    parts = dict(
        re.findall(r"^## `(vibecheck[^`]*)`\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    )
    options = every_option()
    assert len(options) > 20
    for command, option in options:
        assert command in parts, f"{command} has no part in docs/commands.md"
        assert f"`{option}" in parts[command], f"{command} {option} is not documented"


def test_no_option_is_documented_that_does_not_exist():
    text = COMMANDS.read_text(encoding="utf-8")
    known = {option for _, option in every_option()} | {"--help", "--no-open", "--no-go", "--"}
    assert set(re.findall(r"`(--[a-z-]*)", text)) <= known
