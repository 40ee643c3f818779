"""Train and evaluate from a manifest, in full, on a tiny set; what cannot be used is refused."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from tiny_set import tiny_set

from vibecheck.cli import main
from vibecheck.cli.stages import Stages
from vibecheck.cli.train import print_trained
from vibecheck.dataset.manifest import ManifestRow, read_manifest, write_manifest
from vibecheck.errors import InputError, MissingExtraError
from vibecheck.model.store import load_model, load_skops, save_model
from vibecheck.training import judging, output, workflow
from vibecheck.training.evaluate import MODES
from vibecheck.training.families import ridge
from vibecheck.training.judging import evaluate_model
from vibecheck.training.lineage import Lineage, car_key, lineage_of, pack_takes
from vibecheck.training.material import origin_of
from vibecheck.training.workflow import train

FILES = {"model.npz", "model.skops", "metrics.json", "model_card.html", "model_card.md"}


@pytest.fixture(scope="session")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_set(tmp_path_factory.mktemp("tiny") / "set")


@pytest.fixture(scope="session")
def other(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cars that are in no other set."""
    return tiny_set(tmp_path_factory.mktemp("other") / "set", n_cars=2, n_checks=6, first_car=5)


@pytest.fixture(scope="session", autouse=True)
def quick() -> object:
    """One quick family, two folds within, and two ways of use, instead of all."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workflow, "FAMILIES", (ridge(0.01),))
        patch.setattr(workflow, "N_INNER", 2)
        patch.setattr(judging, "MODES", (MODES[0], MODES[2]))
        yield


def call(*words: object) -> int:
    return main([str(word) for word in words])


@dataclass(frozen=True)
class Run:
    """A run of ``vibecheck train``: its folder and what it wrote to the two streams."""

    folder: Path
    out: str
    err: str


@pytest.fixture(scope="session")
def run(tiny: Path, tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("trained") / "vibecheck-model"
    cache = tiny.parent / "cache"
    words = ("--out", folder, "--cache", cache, "--workers", 1, "--folds", 2, "--name", "tiny")
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = call("train", tiny, *words)
    assert code == 0, err.getvalue()
    return Run(folder, out.getvalue(), err.getvalue())


@pytest.fixture(scope="session")
def model_folder(run: Run) -> Path:
    return run.folder


def test_train_writes_model_metrics_and_card(model_folder: Path, tiny: Path) -> None:
    assert {path.name for path in model_folder.iterdir() if path.is_file()} >= FILES
    assert not [path for path in model_folder.parent.iterdir() if path != model_folder]
    facts = json.loads((model_folder / "metrics.json").read_text(encoding="utf-8"))
    assert facts["name"] == "tiny"
    assert facts["trained_on"] == "simulated"
    assert facts["n_takes"] == len(read_manifest(tiny)) - 1, "the last take is no recording"
    assert facts["n_cars"] == 4
    model = load_model(model_folder / "model.npz")
    assert load_skops(model_folder / "model.skops").card == model.card
    assert model.card.name == "tiny"
    lineage = lineage_of(model.about, "x")
    assert lineage.cars == {f"car {k}" for k in range(4)}
    assert all(lineage.knows(row) for row in read_manifest(tiny))
    for page in ("model_card.html", "model_card.md"):
        assert "simulated" in (model_folder / page).read_text(encoding="utf-8").lower()


def test_train_shows_figures_files_and_what_to_do_next(run: Run) -> None:
    assert 'Model "tiny": trained on 88 takes (simulated) of 4 cars' in run.out
    assert "against baseline" in run.out
    assert "ROC area, anything loose" in run.out
    assert "95 %" in run.out
    model = run.folder / "model.npz"
    assert f"  {model}\n" in run.out
    assert f"Next: vibecheck check TAKE --car CAR.toml --model {model}" in run.out
    assert "The full hand check is always due" in run.out
    assert "Left out: text.wav" in run.err
    assert workflow.MEASURING in run.err
    assert workflow.JUDGING in run.err


def test_too_few_cars_teach_nothing_and_the_command_says_so(
    tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three cars: no head can be held against cars it never saw, so the model hears nothing."""
    few = tiny.parent.parent / "three.csv"
    write_manifest(few, [row for row in read_manifest(tiny) if row.car != "car 0"])
    trained = train(few, cache=tiny.parent / "cache")
    assert not trained.model.heads
    assert len(trained.left_out) == 1
    print_trained(trained, [], tmp_path / "out")
    assert "this model hears no zone" in capsys.readouterr().out


def test_limits_of_simulated_takes_are_not_those_of_own_takes() -> None:
    assert any("simulated" in limit for limit in workflow.limits_of("simulated"))
    assert workflow.limits_of("pooled") == workflow.limits_of("simulated")
    own = workflow.limits_of("own")
    assert own
    assert not any("simulat" in limit for limit in own)


def test_where_takes_come_from(tiny: Path) -> None:
    rows = read_manifest(tiny)
    assert origin_of(rows) == "simulated"
    own = [replace(row, origin="own") for row in rows]
    assert origin_of(own) == "own"
    assert origin_of([*rows, *own]) == "pooled"


def test_bars_show_at_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    shown = Terminal()
    monkeypatch.setattr(sys, "stderr", shown)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "120")
    with Stages() as report:
        report(workflow.MEASURING, 3, 7)
        report(workflow.FITTING, 0, None)
        report(workflow.FITTING, 2, 2, "wheels")
    text = shown.getvalue()
    assert workflow.MEASURING in text
    assert "3/7" in text
    assert workflow.FITTING in text


def test_evaluate_judges_cars_that_are_new_to_the_model(
    model_folder: Path, other: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "judged"
    words = ("--out", out, "--cache", other.parent / "cache", "--workers", 1)
    assert call("evaluate", model_folder / "model.npz", other, *words) == 0
    shown, err = capsys.readouterr()
    assert 'Model "tiny" (trained on simulated takes), judged on' in shown
    assert "ROC area, anything loose" in shown
    assert "Left out: text.wav" in err
    assert {path.name for path in out.iterdir() if path.is_file()} == FILES - {
        "model.npz",
        "model.skops",
    }
    facts = json.loads((out / "metrics.json").read_text(encoding="utf-8"))
    assert facts["evaluated_on"]["n_cars"] == 2
    assert facts["evaluated_on"]["cars_left_out_as_known"] == []
    page = (out / "model_card.md").read_text(encoding="utf-8")
    assert "The finished model file was used as it is" in page
    assert "Cars were split into" not in page
    assert "learnt from 88 takes of 44 bench checks of 4 cars (simulated)" in page
    assert "vibecheck evaluate model.npz set/manifest.csv" in page
    area = next(iter(facts["metrics"]["modes"].values()))["any_loose_auc"]
    assert area["low"] <= area["value"] <= area["high"]
    assert area["value"] > 0.8, "the effect in the made-up features is strong"


def joined(one: Path, two: Path, target: Path, change: Callable[..., ManifestRow]) -> Path:
    """Write a manifest of both; rows of the second are changed first."""
    rows = [*read_manifest(one), *(change(row) for row in read_manifest(two))]
    write_manifest(target, rows)
    return target


def test_evaluate_leaves_training_cars_out_and_says_so(
    model_folder: Path,
    tiny: Path,
    other: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    both = joined(tiny, other, tmp_path / "both.csv", lambda row: row)
    words = ("--out", tmp_path / "out", "--cache", other.parent / "cache", "--workers", 1)
    assert call("evaluate", model_folder / "model.skops", both, *words, "--json") == 0
    shown, err = capsys.readouterr()
    facts = json.loads(shown)
    assert facts["evaluated_on"]["n_cars"] == 2
    assert facts["evaluated_on"]["cars_left_out_as_known"] == [f"car {k}" for k in range(4)]
    assert "the model was trained on them: 89 takes of car 0, car 1" in err


def test_evaluate_refuses_a_manifest_of_training_cars_only(
    model_folder: Path, tiny: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=r"trained on every car of the manifest.*no evidence"):
        evaluate_model(model_folder / "model.npz", tiny)
    # Under other names the takes still tell, and with them the cars.
    rows = [replace(row, car=f"Renamed {row.car}") for row in read_manifest(tiny)]
    write_manifest(tmp_path / "renamed.csv", rows)
    with pytest.raises(InputError, match="trained on every car of the manifest"):
        evaluate_model(model_folder / "model.npz", tmp_path / "renamed.csv")


def test_evaluate_needs_two_new_cars_and_both_classes(
    model_folder: Path, other: Path, tmp_path: Path
) -> None:
    rows = read_manifest(other)
    write_manifest(tmp_path / "one.csv", [row for row in rows if row.car == "car 5"])
    with pytest.raises(InputError, match="Only one car of the manifest is new"):
        evaluate_model(model_folder / "model.npz", tmp_path / "one.csv")
    write_manifest(tmp_path / "loose.csv", [row for row in rows if row.loose_zones])
    with pytest.raises(InputError, match="Something is loose in every take"):
        evaluate_model(model_folder / "model.npz", tmp_path / "loose.csv")


def test_a_model_that_does_not_say_what_it_learned_from_is_not_judged(
    model_folder: Path, other: Path, tmp_path: Path
) -> None:
    model = load_model(model_folder / "model.npz")
    about = {key: value for key, value in model.about.items() if key != "takes"}
    save_model(replace(model, about=about), tmp_path / "m.npz")
    with pytest.raises(InputError, match="does not say what it was trained on"):
        evaluate_model(tmp_path / "m.npz", other)
    save_model(replace(model, about={**model.about, "takes": "?"}), tmp_path / "m.npz")
    with pytest.raises(InputError, match="training takes cannot be read"):
        evaluate_model(tmp_path / "m.npz", other)


def test_lineage_survives_packing() -> None:
    hashes = [f"{k:064x}" for k in (3, 1 << 250, 7 << 200)]
    lineage = lineage_of(
        {"cars": ["Salt  Flat"], "takes": pack_takes(hashes), "base_rates": {}}, ""
    )
    assert lineage == Lineage(frozenset({"salt flat"}), lineage.takes, {})
    assert len(lineage.takes) == 3
    assert car_key(" SALT flat ") in lineage.cars


# ---- manifests that cannot be used -----------------------------------------------------------


def changed(tiny: Path, target: Path, change: Callable[[list[ManifestRow]], list[ManifestRow]]):
    write_manifest(target, change(read_manifest(tiny)))
    return target


def swapped(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda rows: [r for r in rows if r.loose_zones], "Something is loose in every take"),
        (lambda rows: [r for r in rows if not r.loose_zones], "Nothing is loose in every take"),
        (lambda rows: [r for r in rows if r.car == "car 0"], "All takes are of one car"),
        (lambda rows: rows[:8] + rows[-8:], "Training needs at least 40 takes by one kind"),
        (
            lambda rows: (
                [r for r in rows if r.loose_zones] + [r for r in rows if not r.loose_zones][:2]
            ),
            "at least 4 takes with nothing loose",
        ),
        (
            lambda rows: [replace(rows[0], file=rows[0].file.with_name("gone.wav")), *rows[1:]],
            'There is no take "set/takes/gone.wav"',
        ),
        (lambda rows: [replace(rows[0], sha256="0" * 64), *rows[1:]], "its hash differs"),
        (
            lambda rows: [*rows, replace(rows[0], file=rows[0].file.with_name("copy.wav"))],
            "one take under two names",
        ),
        (
            lambda rows: [replace(r, state={**r.state, "gear_box": (1.0, 0.0)}) for r in rows],
            'No car has a zone "gear_box"',
        ),
    ],
)
def test_manifests_that_cannot_teach_are_refused(
    tiny: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: Callable[[list[ManifestRow]], list[ManifestRow]],
    words: str,
) -> None:
    """Refused before anything is measured; what lies in the folder stays as it is."""
    copy = tiny.parent / "takes" / "copy.wav"
    copy.write_bytes((tiny.parent / "takes" / "0-0.wav").read_bytes())
    bad = changed(tiny, tiny.parent.parent / "bad.csv", change)
    out = tmp_path / "out"
    out.mkdir()
    (out / "model.npz").write_text("an earlier model", encoding="utf-8")
    code = call("train", bad, "--out", out, "--cache", tmp_path / "c", "--workers", 1, "--force")
    shown, err = capsys.readouterr()
    assert code == 1
    assert shown == ""
    assert words in err
    assert "Where:" in err
    assert "What to do:" in err
    assert "Traceback" not in err
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert (out / "model.npz").read_text(encoding="utf-8") == "an earlier model"


def test_a_missing_manifest_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("train", tmp_path / "absent.csv", "--out", tmp_path / "out") == 1
    assert "The manifest cannot be read" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_too_little_left_after_holding_cars_out_is_refused(tiny: Path) -> None:
    bad = tiny.parent.parent / "few.csv"
    write_manifest(bad, [row for row in read_manifest(tiny) if row.car in ("car 1", "car 2")])
    with pytest.raises(InputError, match="taken out for judging, too little is left"):
        train(bad, cache=tiny.parent / "cache")


# ---- folders ---------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["train", "evaluate"])
def test_a_folder_with_files_is_not_written_over(
    command: str, tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "note.txt").write_text("mine", encoding="utf-8")
    words = ["model.npz", tiny] if command == "evaluate" else [tiny]
    assert call(command, *words, "--out", tmp_path) == 1
    err = capsys.readouterr().err
    assert "holds files already" in err
    assert "--force" in err
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]


def test_force_replaces_files_of_the_same_names_only(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    (folder / "figures").mkdir(parents=True)
    for name in ("note.txt", "a.txt", "figures/b.txt"):
        (folder / name).write_text("old", encoding="utf-8")

    def write(target: Path) -> None:
        (target / "a.txt").write_text("new", encoding="utf-8")
        (target / "figures").mkdir()
        (target / "figures" / "c.txt").write_text("new", encoding="utf-8")

    with pytest.raises(InputError, match="holds files already"):
        output.write_folder(folder, write)
    files = output.write_folder(folder, write, force=True)
    assert files == [folder / "a.txt", folder / "figures" / "c.txt"]
    found = {p.name: p.read_text(encoding="utf-8") for p in folder.rglob("*.txt")}
    assert found == {"note.txt": "old", "a.txt": "new", "b.txt": "old", "c.txt": "new"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_what_fails_half_way_leaves_nothing(tmp_path: Path, error: BaseException) -> None:
    def write(target: Path) -> None:
        (target / "a.txt").write_text("half", encoding="utf-8")
        raise error

    wanted = InputError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(wanted, match="No space" if wanted is InputError else None):
        output.write_folder(tmp_path / "new" / "out", write)
    assert [path.name for path in tmp_path.rglob("*")] == ["new"]


def test_a_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputError, match="could not be made"):
        output.write_folder(tmp_path / "file" / "out", lambda target: None)


def test_without_the_training_extra_it_says_what_to_install(
    tiny: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "skops", None)
    for words in (["train", tiny], ["evaluate", "model.npz", tiny]):
        assert call(*words, "--out", tmp_path / "out") == 2
        assert 'pip install "vibecheck[training]"' in capsys.readouterr().err
    with pytest.raises(MissingExtraError, match="not installed"):
        workflow.require_training()


@pytest.mark.parametrize("name", ["changed.npz", "text.npz", "absent.npz", "pickle.npz"])
def test_bad_model_files_give_one_clear_error(
    model_folder: Path,
    other: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
) -> None:
    whole = bytearray((model_folder / "model.npz").read_bytes())
    whole[len(whole) // 2] ^= 1
    bad = tmp_path / name
    content = {"changed.npz": bytes(whole), "text.npz": b"hello", "pickle.npz": b"\x80\x04N."}
    if name in content:
        bad.write_bytes(content[name])
    out = tmp_path / "out"
    assert call("evaluate", bad, other, "--out", out) == 1
    first = capsys.readouterr().err
    take = other.parent / "takes" / "5-60.wav"
    assert call("check", take, "--car", other.parent / "car-5.toml", "--model", bad) == 1
    second = capsys.readouterr().err
    for err in (first, second):
        assert "model file" in err
        assert str(bad) in err
        assert "What to do:" in err
        assert "fault of the program" not in err
    assert not out.exists()
