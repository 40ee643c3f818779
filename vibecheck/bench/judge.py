"""At the bench: judge the takes of a bench check, one take after the other. `Judge`."""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from threading import Lock
from typing import TYPE_CHECKING, Any

from vibecheck.errors import CallError, VibecheckError

if TYPE_CHECKING:
    from vibecheck.bench.known import Say
    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, Sitting, StoredTake
    from vibecheck.model.looseness import LoosenessModel
    from vibecheck.recording.take import Take
    from vibecheck.result import CheckedTake, CheckResult

KEPT_MEASURED = 48
"""So many measured takes stay in memory: those of one bench check and its baseline."""
KEPT_SAMPLES = 48_000_000
"""At most so many samples stay in memory with them (4 bytes each)."""
MOTION_PREFIX = "motion-"
"""Names the phone's own motion, recorded beside its sound: 60 values a second at most."""


def is_motion(sensor: str, file_name: str) -> bool:
    """Whether a take is the phone's own motion, which says nothing about any zone.

    Sixty values a second show rest, knocks and sway, and no order of a car: judged with the sound
    they would make it look unlike anything known.
    """
    return sensor == "accelerometer" and file_name.startswith(MOTION_PREFIX)


class Judge:
    """Judges bench checks of a garage; may be called from several threads.

    The analysis is imported with the first take, so that a page comes up without waiting for it.

    A take is measured once and stays measured while it is among the newest in use, so that a
    further take of the same bench check costs its own time only.

    Parameters
    ----------
    garage : Garage
    model : LoosenessModel, optional
        The shipped model where absent.
    """

    def __init__(self, garage: Garage, *, model: LoosenessModel | None = None) -> None:
        self._garage = garage
        self._model = model
        self._measured: OrderedDict[tuple[str, ...], CheckedTake] = OrderedDict()
        self._lock = Lock()

    def check(
        self,
        sitting: Sitting,
        extra: Sequence[Take] = (),
        *,
        reading: Mapping[str, Any] | None = None,
        say: Say | None = None,
    ) -> CheckResult:
        """Judge the takes of a bench check, with the car's baseline and history.

        Takes recorded after the hand check belong to the baseline of later checks: they are
        judged only where there are no others. The phone's own motion is kept, and never judged.

        Parameters
        ----------
        sitting : Sitting
        extra : sequence of Take
            Takes that are not kept yet.
        reading : mapping, optional
            How their files were read, as it will be kept with them: the same bytes read another
            way are another take.
        say : callable, optional
            Called with a sentence for every take that had to be left out.

        Raises
        ------
        CallError
            If there is nothing to judge, or a spot is none of the car.
        """
        from vibecheck.bench.known import matching
        from vibecheck.bench.set_up import fitted_car
        from vibecheck.pipeline import conclude, refuse_unknown_spots

        garage = self._garage
        say = say or (lambda _sentence: None)
        car = fitted_car(garage.find_car(sitting.car_id).car, sitting.set_up)
        refuse_unknown_spots(extra, car)
        kept = [take for take in sitting.takes if not is_motion(take.sensor, take.file_name)]
        before = [take for take in kept if not take.after_hand_check]
        own = before if before or extra else kept
        held = {take.sha256 for take in own}
        checked = [
            *self._examine_each(own, car, "Left out", say),
            *(self._examine(take, reading or {}, car) for take in extra if take.sha256 not in held),
        ]
        if not checked:
            raise CallError(
                "There is no recording to judge.",
                where=f"bench check {sitting.number}",
                advice="Record one, or add a file.",
            )
        wanted = {(one.take.sensor, one.take.spot) for one in checked}
        judged = {one.take.sha256 for one in checked}
        known = garage.baseline_takes(sitting.car_id, sitting.set_up)
        known = tuple(take for take in known if not is_motion(take.sensor, take.file_name))
        snug = matching(known, wanted, judged)
        baseline = list(self._examine_each(snug, car, "Left out of the baseline", say))
        return conclude(
            checked,
            car,
            snug=baseline,
            history=garage.car_log(sitting.car_id),
            model=self._model,
        )

    def keep(self, sitting: Sitting, result: CheckResult) -> Sitting:
        """Keep a result in its bench check."""
        return self._garage.set_result(sitting.id, result.to_dict())

    def refuse_kept_elsewhere(self, sitting: Sitting, take: Take) -> None:
        """Refuse a take that another bench check holds already.

        Raises
        ------
        CallError
            If there is one.
        """
        from vibecheck.bench.known import refuse_kept_elsewhere

        refuse_kept_elsewhere(self._garage, [take], sitting)

    def _examine_each(
        self, kept: Sequence[StoredTake], car: Car, what: str, say: Say
    ) -> list[CheckedTake]:
        from vibecheck.bench.known import read_stored
        from vibecheck.pipeline import examine

        found = []
        for take in kept:
            key = _key(take.sha256, take.sensor, take.spot, take.reading, car)
            measured = self._look_up(key)
            if measured is None:
                try:
                    measured = examine(read_stored(take), car)
                except VibecheckError as error:
                    say(f"{what}: {take.file_name}. {error.what}")
                    continue
                self._remember(key, measured)
            found.append(measured)
        return found

    def _examine(self, take: Take, reading: Mapping[str, Any], car: Car) -> CheckedTake:
        from vibecheck.pipeline import examine

        key = _key(take.sha256, take.sensor, take.spot, reading, car)
        measured = self._look_up(key)
        if measured is None:
            measured = examine(take, car)
            self._remember(key, measured)
        return measured

    def _look_up(self, key: tuple[str, ...]) -> CheckedTake | None:
        with self._lock:
            found = self._measured.get(key)
            if found is not None:
                self._measured.move_to_end(key)
            return found

    def _remember(self, key: tuple[str, ...], measured: CheckedTake) -> None:
        with self._lock:
            self._measured[key] = measured
            while len(self._measured) > 1 and (
                len(self._measured) > KEPT_MEASURED or self._n_samples() > KEPT_SAMPLES
            ):
                self._measured.popitem(last=False)

    def _n_samples(self) -> int:
        return sum(one.take.samples.size for one in self._measured.values())


def _key(sha256: str, sensor: str, spot: str, reading: Any, car: Car) -> tuple[str, ...]:
    """What a measured take depends on: its content, how it is read, and the car's parts."""
    return (sha256, sensor, spot, json.dumps(dict(reading), sort_keys=True), repr(car))
