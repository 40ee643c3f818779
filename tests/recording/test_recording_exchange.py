"""Parquet, npz, npy, MATLAB and universal files: signal, rate, unit and sensor by name or asked."""

from __future__ import annotations

import builtins
import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io
from recording_files import codes

import vibecheck as vc
from vibecheck.errors import CallError, InputError, MissingExtraError

G = 9.80665  # standard gravity, 3rd CGPM 1901 (ISO 80000-3)
RNG = np.random.default_rng(11)
A = np.stack([RNG.standard_normal(3000), RNG.standard_normal(3000), 1 + RNG.standard_normal(3000)])
T = np.arange(3000) / 1000.0


def without(monkeypatch: pytest.MonkeyPatch, package: str) -> None:
    """Make a package look as if it were not installed."""
    real = builtins.__import__

    def fails(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.split(".")[0] == package:
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", fails)


class TestParquet:
    def write(self, path: Path, columns: dict[str, Any], metadata: dict[str, str] | None = None):
        pyarrow = pytest.importorskip("pyarrow")
        parquet = pytest.importorskip("pyarrow.parquet")
        table = pyarrow.table(columns)
        if metadata:
            table = table.replace_schema_metadata(metadata)
        parquet.write_table(table, path)
        return path

    def test_columns_by_name(self, tmp_path: Path) -> None:
        columns = {"time (s)": T, "x (g)": A[0], "y (g)": A[1], "z (g)": A[2], "note": ["-"] * 3000}
        take = vc.read_take(self.write(tmp_path / "a.parquet", columns))
        assert take.sample_rate_hz == 1000.0
        assert (take.channel_names, take.unit) == (("x", "y", "z"), "m/s^2")
        np.testing.assert_allclose(take.samples, A * G, rtol=1e-6)

    def test_time_stamps_with_a_zone(self, tmp_path: Path) -> None:
        pyarrow = pytest.importorskip("pyarrow")
        stamps = np.datetime64("2026-05-01T10:00:00", "ns") + (T * 1e9).astype("timedelta64[ns]")
        zoned = pyarrow.array(stamps).cast(pyarrow.timestamp("ns", tz="UTC"))
        path = self.write(tmp_path / "a.parquet", {"timestamp": zoned, "acc_x": A[0]})
        take = vc.read_take(path, unit="m/s^2")
        assert take.start == datetime.datetime(2026, 5, 1, 10, tzinfo=datetime.UTC)
        assert take.sample_rate_hz == 1000.0
        naive = self.write(tmp_path / "b.parquet", {"timestamp": stamps, "acc_x": A[0]})
        assert vc.read_take(naive, unit="g").start == datetime.datetime(2026, 5, 1, 10)

    def test_the_rate_may_be_in_the_metadata(self, tmp_path: Path) -> None:
        path = tmp_path / "a.parquet"
        self.write(path, {"x": A[0], "y": A[1]}, {"sample_rate_hz": "1000"})
        assert vc.read_take(path, unit="g").sample_rate_hz == 1000.0
        self.write(path, {"x": A[0], "y": A[1]}, {"sample_rate_hz": "fast"})
        with pytest.raises(InputError, match="There is no time column"):
            vc.read_take(path, unit="g")

    def test_missing_values_are_bridged(self, tmp_path: Path) -> None:
        x: list[float | None] = list(A[0])
        x[77] = None
        path = self.write(tmp_path / "a.parquet", {"t": T, "x (g)": x})
        assert "nan_samples_filled" in codes(vc.read_take(path, time_unit="s"))

    def test_a_damaged_file(self, tmp_path: Path) -> None:
        path = self.write(tmp_path / "a.parquet", {"t": T, "x (g)": A[0]})
        path.write_bytes(path.read_bytes()[:-20])
        with pytest.raises(InputError, match="Parquet file cannot be read"):
            vc.read_take(path)
        content = bytearray(self.write(path, {"t": T, "x (g)": A[0]}).read_bytes())
        content[8:4000] = b"\xff" * 3992
        path.write_bytes(content)
        with pytest.raises(InputError, match="Parquet file cannot be read"):
            vc.read_take(path, time_unit="s")

    def test_without_its_library(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = self.write(tmp_path / "a.parquet", {"t": T, "x (g)": A[0]})
        without(monkeypatch, "pyarrow")
        with pytest.raises(MissingExtraError, match=r"A Parquet file needs") as caught:
            vc.read_take(path)
        assert "vibecheck[formats]" in str(caught.value)


class TestNumpy:
    def test_axes_and_rate(self, tmp_path: Path) -> None:
        np.savez(tmp_path / "a.npz", ax_g=A[0], ay_g=A[1], az_g=A[2], fs=1000)
        take = vc.read_take(tmp_path / "a.npz")
        assert take.channel_names == ("x", "y", "z")
        assert (take.sample_rate_hz, take.sensor, take.findings) == (1000.0, "accelerometer", ())
        np.testing.assert_allclose(take.samples, A * G, rtol=1e-6)

    @pytest.mark.parametrize("transposed", [False, True])
    def test_one_array_of_axes(self, tmp_path: Path, transposed: bool) -> None:
        np.savez(tmp_path / "a.npz", acceleration=A.T if transposed else A, dt=0.001)
        take = vc.read_take(tmp_path / "a.npz", unit="g")
        assert take.channel_names == ("x", "y", "z")
        assert take.sample_rate_hz == pytest.approx(1000.0)
        np.testing.assert_allclose(take.samples, A * G, rtol=1e-6)

    def test_a_time_array(self, tmp_path: Path) -> None:
        np.savez(tmp_path / "a.npz", time_ms=T * 1000, acc_x=A[0])
        assert vc.read_take(tmp_path / "a.npz", unit="g").sample_rate_hz == 1000.0
        np.savez(tmp_path / "b.npz", clk=T, acc_x=A[0])
        take = vc.read_take(
            tmp_path / "b.npz", unit="g", columns={"time": "clk", "signal": "acc_x"}, time_unit="s"
        )
        assert take.sample_rate_hz == 1000.0
        np.savez(tmp_path / "c.npz", t=T[::-1], acc_x=A[0])
        with pytest.raises(InputError, match="Time runs backwards 2999 times, first at sample 1"):
            vc.read_take(tmp_path / "c.npz", unit="g", time_unit="s")

    def test_sound_by_name_or_by_its_digits(self, tmp_path: Path) -> None:
        sound = RNG.integers(-9000, 9000, 5000).astype(np.int16)
        np.savez(tmp_path / "a.npz", audio=sound, sr=8000)
        take = vc.read_take(tmp_path / "a.npz")
        assert (take.sensor, take.unit, take.findings) == ("microphone", "full_scale", ())
        assert np.array_equal(take.samples[0] * 32768, sound.astype(np.float32))
        np.savez(tmp_path / "b.npz", y=sound / 32768, Fs=8000)
        take = vc.read_take(tmp_path / "b.npz")
        assert (take.sensor, codes(take)) == ("microphone", ["sensor_guessed"])
        np.savez(tmp_path / "c.npz", y=A[0], Fs=8000)
        with pytest.raises(InputError, match='whether "y" is sound or acceleration'):
            vc.read_take(tmp_path / "c.npz")
        assert vc.read_take(tmp_path / "c.npz", unit="g").sensor == "accelerometer"
        assert vc.read_take(tmp_path / "c.npz", sensor="microphone").unit == "full_scale"

    def test_raw_counts_become_fractions_of_full_scale(self, tmp_path: Path) -> None:
        counts = RNG.integers(-9000, 9000, 5000).astype(np.int16)
        np.savez(tmp_path / "a.npz", accel=counts, fs=952)
        take = vc.read_take(tmp_path / "a.npz")
        assert (take.unit, codes(take)) == ("full_scale", ["raw_counts"])
        assert np.array_equal(take.samples[0] * 32768, counts.astype(np.float32))

    def test_many_records_must_be_chosen(self, tmp_path: Path) -> None:
        records = RNG.standard_normal((20, 400))
        path = tmp_path / "a.npz"
        np.savez(path, accel_g=records, fs=952)
        with pytest.raises(InputError, match=r"20 records of 400 samples\..*a\.npz#0.*a\.npz#19"):
            vc.read_take(path)
        first, last = vc.read_take(f"{path}#0"), vc.read_take(f"{path}#19")
        np.testing.assert_allclose(last.samples[0], records[19] * G, rtol=1e-6)
        assert last.file == "a.npz#19"
        assert first.sha256 != last.sha256
        for wrong in ("20", "-1", "x", ""):
            with pytest.raises(CallError, match=r"must be a number from 0 to 19"):
                vc.read_take(f"{path}#{wrong}")

    def test_a_bare_array(self, tmp_path: Path) -> None:
        np.save(tmp_path / "a.npy", A[0])
        with pytest.raises(InputError, match="does not say its sample rate"):
            vc.read_take(tmp_path / "a.npy", unit="g")
        take = vc.read_take(tmp_path / "a.npy", unit="g", sample_rate_hz=1000)
        np.testing.assert_allclose(take.samples[0], A[0] * G, rtol=1e-6)

    def test_what_cannot_be_told_is_asked_for(self, tmp_path: Path) -> None:
        path = tmp_path / "a.npz"
        np.savez(path, front=A[0], rear=A[1], fs=1000)
        with pytest.raises(InputError, match="Several arrays could be the signal: front"):
            vc.read_take(path)
        take = vc.read_take(path, columns={"signal": "rear"}, unit="g")
        np.testing.assert_allclose(take.samples[0], A[1] * G, rtol=1e-6)
        both = vc.read_take(path, columns={"x": "front", "y": "rear"}, unit="g")
        assert both.channel_names == ("x", "y")
        with pytest.raises(CallError, match=r'no variable "reer".*Did you mean "rear"'):
            vc.read_take(path, columns={"signal": "reer"})
        with pytest.raises(InputError, match='"fs" is not a recording'):
            vc.read_take(path, columns={"signal": "fs"})
        np.savez(path, label=np.array("x"), fs=1000)
        with pytest.raises(InputError, match="There is no array of samples"):
            vc.read_take(path)
        np.savez(path, x=A[0], y=A[1, :500], z=A[2], fs=1000)
        with pytest.raises(InputError, match="differ in length"):
            vc.read_take(path, columns={"x": "x", "y": "y"})

    def test_sample_rates_that_cannot_be_used(self, tmp_path: Path) -> None:
        path = tmp_path / "a.npz"
        np.savez(path, accel_g=A[0], fs=1000, sample_rate=2000)
        with pytest.raises(InputError, match="several sample rates: fs = 1000, sample_rate = 2000"):
            vc.read_take(path)
        assert vc.read_take(path, columns={"rate": "fs"}).sample_rate_hz == 1000
        assert vc.read_take(path, sample_rate_hz=500).sample_rate_hz == 500
        np.savez(path, accel_g=A[0], fs=0)
        with pytest.raises(InputError, match='sample rate "fs" must be one positive number'):
            vc.read_take(path)
        # The shaft's rate is no sample rate.
        np.savez(path, accel_g=A[0], rate=25)
        with pytest.raises(InputError, match="does not say its sample rate"):
            vc.read_take(path)

    def test_pickles_are_never_loaded(self, tmp_path: Path) -> None:
        class Trap:
            def __reduce__(self) -> tuple[Any, ...]:
                return (pytest.fail, ("a pickle was loaded",))

        np.savez(tmp_path / "a.npz", accel=np.array([Trap()] * 20, dtype=object), fs=1)
        with pytest.raises(InputError, match="There is no array of samples"):
            vc.read_take(tmp_path / "a.npz")
        np.save(tmp_path / "a.npy", np.array([Trap()] * 20, dtype=object))
        with pytest.raises(InputError, match="NumPy file cannot be read"):
            vc.read_take(tmp_path / "a.npy")

    def test_a_damaged_file(self, tmp_path: Path) -> None:
        np.savez(tmp_path / "a.npz", accel_g=A[0], fs=1000)
        content = bytearray((tmp_path / "a.npz").read_bytes())
        content[300:9000] = bytes(8700)
        (tmp_path / "a.npz").write_bytes(content)
        with pytest.raises(InputError, match="NumPy file cannot be read"):
            vc.read_take(tmp_path / "a.npz")


class TestMatlab:
    def test_a_struct(self, tmp_path: Path) -> None:
        content = {"rig": {"gs": A[0][:, None], "sr": 1000, "rate": 25, "note": "x"}, "BPFO": 81.1}
        scipy.io.savemat(tmp_path / "a.mat", content)
        take = vc.read_take(tmp_path / "a.mat")
        assert (take.sample_rate_hz, take.sensor, take.unit) == (1000.0, "accelerometer", "m/s^2")
        np.testing.assert_allclose(take.samples[0], A[0] * G, rtol=1e-6)
        by_name = vc.read_take(tmp_path / "a.mat", columns={"signal": "rig.gs", "rate": "sr"})
        assert np.array_equal(by_name.samples, take.samples)

    def test_nested_structs_and_the_old_format(self, tmp_path: Path) -> None:
        scipy.io.savemat(tmp_path / "a.mat", {"run": {"imu": {"acc_g": A}, "info": {"fs": 1000}}})
        take = vc.read_take(tmp_path / "a.mat")
        assert take.channel_names == ("x", "y", "z")
        scipy.io.savemat(tmp_path / "b.mat", {"acc_g": A[0], "fs": 1000.0}, format="4")
        np.testing.assert_allclose(vc.read_take(tmp_path / "b.mat").samples[0], A[0] * G, rtol=1e-6)

    def test_an_array_of_structs_must_be_chosen_from(self, tmp_path: Path) -> None:
        runs = np.array([(A[0],), (A[1],)], dtype=[("acc_g", object)])
        scipy.io.savemat(tmp_path / "a.mat", {"run": runs, "fs": 1000})
        with pytest.raises(InputError, match=r"Several arrays could be the signal: run\(1\)"):
            vc.read_take(tmp_path / "a.mat")
        take = vc.read_take(tmp_path / "a.mat", columns={"signal": "run(2).acc_g"})
        np.testing.assert_allclose(take.samples[0], A[1] * G, rtol=1e-6)

    def test_version_7_3_is_refused_with_what_to_do(self, tmp_path: Path) -> None:
        for head in (b"MATLAB 7.3 MAT-file, Platform: GLNXA64" + bytes(500), b"\x89HDF\r\n\x1a\n"):
            (tmp_path / "a.mat").write_bytes(head)
            with pytest.raises(InputError, match=r"version 7\.3.*-v7"):
                vc.read_take(tmp_path / "a.mat")

    def test_a_damaged_file(self, tmp_path: Path) -> None:
        scipy.io.savemat(tmp_path / "a.mat", {"acc": A[0], "fs": 1000})
        content = (tmp_path / "a.mat").read_bytes()
        (tmp_path / "a.mat").write_bytes(content[: len(content) // 2])
        with pytest.raises(InputError, match="MATLAB file cannot be read"):
            vc.read_take(tmp_path / "a.mat")
        (tmp_path / "b.mat").write_bytes(RNG.bytes(500))
        with pytest.raises(InputError, match="MATLAB file cannot be read"):
            vc.read_take(tmp_path / "b.mat")


class TestUniversalFile:
    def record(self, samples: np.ndarray, **fields: Any) -> dict[str, Any]:
        base = {
            "type": 58,
            "binary": 0,
            "func_type": 1,
            "rsp_node": 1,
            "rsp_dir": 3,
            "ref_node": 0,
            "ref_dir": 0,
            "data": samples,
            "x": np.arange(samples.size) / 1000.0,
            "id1": "spin-up",
            "id2": "NONE",
            "id3": "01-May-26 10:00:00",
            "id4": "NONE",
            "id5": "NONE",
            "rsp_ent_name": "CAR",
            "ref_ent_name": "NONE",
            "abscissa_spacing": 1,
            "abscissa_spec_data_type": 17,
            "ordinate_spec_data_type": 12,
            "ordinate_axis_units_lab": "g",
            "orddenom_spec_data_type": 0,
        }
        return {**base, **fields}

    def write(self, path: Path, *records: dict[str, Any], units: dict[str, Any] | None = None):
        pyuff = pytest.importorskip("pyuff")
        handle = pyuff.UFF(str(path))
        if units is not None:
            handle.write_sets(units, "add")
        for record in records:
            handle.write_sets(record, "add")
        return path

    # pyuff leaves the binary file that it writes to the garbage collector.
    @pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
    @pytest.mark.filterwarnings("ignore::ResourceWarning")
    @pytest.mark.parametrize("binary", [0, 1])
    def test_three_directions_of_one_point(self, tmp_path: Path, binary: int) -> None:
        path = tmp_path / "a.uff"
        records = [self.record(A[i], rsp_dir=i + 1, binary=binary) for i in range(3)]
        take = vc.read_take(self.write(path, *records))
        assert (take.channel_names, take.sample_rate_hz) == (("x", "y", "z"), 1000.0)
        assert take.unit == "m/s^2"
        np.testing.assert_allclose(take.samples, A * G, rtol=1e-5, atol=1e-5)
        assert take.start == datetime.datetime(2026, 5, 1, 10)

    def test_units(self, tmp_path: Path) -> None:
        metres = self.record(A[0], ordinate_axis_units_lab="m/s^2")
        take = vc.read_take(self.write(tmp_path / "a.uff", metres))
        np.testing.assert_allclose(take.samples[0], A[0], rtol=1e-5, atol=1e-6)
        bare = self.record(A[0] - A[0].mean(), ordinate_axis_units_lab="NONE")
        path = self.write(tmp_path / "b.uff", bare)
        with pytest.raises(InputError, match="unit of the acceleration is not named"):
            vc.read_take(path)
        assert vc.read_take(path, unit="g").unit == "m/s^2"
        si = {
            "type": 164,
            "units_code": 1,
            "units_description": "SI units",
            "temp_mode": 1,
            "length": 1.0,
            "force": 1.0,
            "temp": 1.0,
            "temp_offset": 273.15,
        }
        take = vc.read_take(self.write(tmp_path / "c.uff", bare, units=si))
        np.testing.assert_allclose(take.samples[0], bare["data"], rtol=1e-5, atol=1e-6)

    def test_sound_pressure_is_a_microphone(self, tmp_path: Path) -> None:
        path = tmp_path / "a.uff"
        self.write(path, self.record(A[0], ordinate_spec_data_type=15))
        take = vc.read_take(path)
        assert (take.sensor, take.unit) == ("microphone", "full_scale")

    def test_what_is_not_acceleration_over_time_is_refused(self, tmp_path: Path) -> None:
        spectrum = self.record(A[0] + 0j, func_type=4, abscissa_spec_data_type=18)
        with pytest.raises(InputError, match="spectra but no time records"):
            vc.read_take(self.write(tmp_path / "a.uff", spectrum))
        velocity = self.record(A[0], ordinate_spec_data_type=11)
        with pytest.raises(InputError, match="neither acceleration nor sound"):
            vc.read_take(self.write(tmp_path / "b.uff", velocity))
        geometry = {"type": 15, "node_nums": [1], "x": [0.0], "y": [0.0], "z": [0.0]}
        with pytest.raises(InputError, match=r"no functions \(data set 58\)"):
            vc.read_take(self.write(tmp_path / "c.uff", geometry))

    def test_several_points_must_be_chosen_from(self, tmp_path: Path) -> None:
        records = [self.record(A[i], rsp_node=i + 1) for i in range(3)]
        path = self.write(tmp_path / "a.uff", *records)
        with pytest.raises(InputError, match=r"3 time records of several points.*a\.uff#2"):
            vc.read_take(path)
        take = vc.read_take(f"{path}#1")
        np.testing.assert_allclose(take.samples[0], A[1] * G, rtol=1e-5, atol=1e-5)
        assert take.channel_names == ("z",)

    def test_an_uneven_abscissa_is_put_on_an_even_clock(self, tmp_path: Path) -> None:
        t = T + 0.0001 * RNG.uniform(-1, 1, T.size)
        tone = np.sin(2 * np.pi * 30 * t)
        path = self.write(tmp_path / "a.uff", self.record(tone, x=t, abscissa_spacing=0))
        take = vc.read_take(path)
        assert codes(take) == ["clock_jitter"]
        grid = t[0] + np.arange(take.n_samples) / take.sample_rate_hz
        np.testing.assert_allclose(take.samples[0], np.sin(2 * np.pi * 30 * grid) * G, atol=0.02)

    def test_a_damaged_file(self, tmp_path: Path) -> None:
        path = self.write(tmp_path / "a.uff", self.record(A[0]))
        lines = path.read_text().splitlines()
        path.write_text("\n".join([*lines[:20], "garbage" * 9, *lines[21:]]))
        with pytest.raises(InputError, match="universal file cannot be read"):
            vc.read_take(path)

    def test_without_its_library(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = self.write(tmp_path / "a.uff", self.record(A[0]))
        without(monkeypatch, "pyuff")
        with pytest.raises(MissingExtraError, match="A universal file needs"):
            vc.read_take(path)


@pytest.mark.outside_data
class TestOutsideRecordings:
    """Open recordings kept outside the repository; figures from their own descriptions."""

    @pytest.mark.parametrize("kind", ["InnerRaceFault", "OuterRaceFault"])
    @pytest.mark.parametrize("number", [1, 4, 7])
    def test_bearing_structs(self, outside_data: Path, kind: str, number: int) -> None:
        path = outside_data / "mfpt_bearing" / f"{kind}_vload_{number}.mat"
        take = vc.read_take(path)
        # 146484 samples of acceleration in g at 48828 Hz (the data set's description).
        assert (take.n_samples, take.sample_rate_hz) == (146_484, 48_828.0)
        assert (take.sensor, take.unit, take.findings) == ("accelerometer", "m/s^2", ())
        raw = scipy.io.loadmat(path, squeeze_me=True, struct_as_record=False)["bearing"].gs
        np.testing.assert_allclose(take.samples[0], raw * G, rtol=1e-6)

    def test_motor_sound_without_a_rate(self, outside_data: Path) -> None:
        path = outside_data / "uav_motor_spinup_audio" / "sonido_motor_1.mat"
        with pytest.raises(InputError, match="does not say its sample rate"):
            vc.read_take(path)
        take = vc.read_take(path, sample_rate_hz=44_100)
        # 20 s of 16-bit sound (the data set's description).
        assert (take.n_samples, take.sensor) == (882_000, "microphone")
        assert codes(take) == ["sensor_guessed"]
        raw = scipy.io.loadmat(path)["x"].ravel()
        assert np.array_equal(take.samples[0], raw.astype(np.float32))

    def test_rotor_records(self, outside_data: Path) -> None:
        path = outside_data / "rotor_coastdown" / "rotor.npz"
        with pytest.raises(InputError, match=r"140 records of 952 samples"):
            vc.read_take(path)
        with np.load(path) as content:
            raw = content["accel"]
        for record in (0, 109, 139):
            take = vc.read_take(f"{path}#{record}")
            assert (take.sample_rate_hz, take.unit) == (952.0, "full_scale")
            assert np.array_equal(take.samples[0] * 32768, raw[record].astype(np.float32))
