"""The child process at the bench: ``python -m whichcore.web.bench``.

It holds the instruments only while it measures. When its input closes, as when the server ends, it stops
what runs: the output goes off, the journal is whole.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.bench import BenchSettings, OpenBench, load_bench, open_bench
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.errors import CalibrationError, Cancelled, InputError, WhichcoreError
from whichcore.files import load_specimen, make_folder
from whichcore.measure import (
    CalibrationPlan,
    StoredCalibration,
    SweepRequest,
    calibrate,
    fingerprint_of,
    load_calibration,
    newest_calibration,
    run_sweep,
    save_calibration,
)
from whichcore.measure.hands import what_to_fit
from whichcore.measure.heard import Heard
from whichcore.measure.setting import bench_name
from whichcore.measure.tones_said import take_line, tones_report, tones_text
from whichcore.records import begin_sweep, finish_sweep, keep_calibration, keep_core, open_store
from whichcore.rig.events import (
    Demagnetised,
    Finished,
    LevelChanged,
    NotReachable,
    OutputFoundOn,
    PointDone,
    TakeDone,
    TonesPlayed,
)
from whichcore.rig.sweep.level import FluxRule
from whichcore.rig.sweep.plan import log_grid
from whichcore.rig.virtual.cores import core as core_on_the_bench
from whichcore.web.asked import CalibrationForm, SweepForm, Wound
from whichcore.web.calibrations import calibration_fields
from whichcore.web.folders import specimen_file, sweeps_folder
from whichcore.web.messages import Answering, as_error, collected
from whichcore.web.points import earlier_points, point_event

USUAL_FLUX_T = 0.25e-3
POLL_S = 0.1
Tell = Callable[[Mapping[str, Any]], None]


class PageOperator:
    """Hands that are told by the page what to fit, and say through it that they have."""

    def __init__(self, tell: Tell, cancel: threading.Event) -> None:
        self._tell, self._cancel = tell, cancel
        self._done: SimpleQueue[int] = SimpleQueue()
        self._number = 0

    def fit(self, name: str) -> None:
        """Return when the page says that it is fitted; raises Cancelled."""
        self._number += 1
        self._tell({"type": "fit", "number": self._number, "fixture": name, "what": what_to_fit(name)})
        while not self._cancel.is_set():
            with contextlib.suppress(Empty):
                if self._done.get(timeout=POLL_S) == self._number:
                    return
        raise Cancelled("stopped while a part was to be fitted", where=name)

    def fitted(self, number: int) -> None:
        """Say that what was asked for under this number is; said twice, it is not said of the next part."""
        self._done.put(number)


class AtBench:
    """What the page can have done at the bench, one thing at a time."""

    def __init__(self) -> None:
        self.answering = Answering(
            {
                "calibrate": self.calibrate,
                "sweep": self.sweep,
                "fitted": self.fitted,
                "stop": self.stop,
                "bench.state": self.state,
            }
        )
        self._cancel = threading.Event()
        self._thread: threading.Thread | None = None
        self._operator = PageOperator(self.answering.tell, self._cancel)

    # --- calls ----------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Tell whether something runs."""
        return {"running": self._running()}

    def fitted(self, number: int) -> None:
        """Say that the part asked for under this number is in place."""
        self._operator.fitted(number)

    def stop(self) -> dict[str, Any]:
        """Stop what runs; it tells when it has."""
        self._cancel.set()
        return {"running": self._running()}

    def calibrate(self, **asked: Any) -> dict[str, Any]:
        """Begin a calibration."""
        given = CalibrationForm(**asked)
        settings = _settings(given.bench)
        grid = log_grid(float(given.from_hz), float(given.to_hz), int(given.points_per_decade))
        plan = CalibrationPlan(grid, temperature_c=given.temperature_c)
        self._begin(lambda: self._calibrate(settings, plan))
        return {"points": len(plan.frequency_hz)}

    def sweep(self, **asked: Any) -> dict[str, Any]:
        """Begin a sweep, or take one up again by the name of its journal."""
        given = SweepForm(**asked)
        settings = _settings(given.bench)
        place = specimen_file(given.specimen, given.name)
        wound = load_specimen(place)
        ways = given.ways()
        ways.for_request(wound)  # what is wrong with it is said before anything is touched
        ways.refuse_beside_tones()
        out = _journal(given.journal, place)
        if settings.virtual and given.core is None:
            raise InputError("the virtual bench has to be told what to fit", where="core", got="none")
        self._begin(lambda: self._sweep(settings, Wound(place, wound, given), out))
        return {"journal": out.name}

    # --- work -----------------------------------------------------------------------------------------

    def _running(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def _begin(self, work: Callable[[], dict[str, Any]]) -> None:
        if self._running():
            raise InputError("something is running already", where="bench", next_step="wait, or stop it")
        self._cancel.clear()
        self._operator = PageOperator(self.answering.tell, self._cancel)
        self._thread = threading.Thread(target=self._work, args=(work,))
        self._thread.start()

    def _work(self, work: Callable[[], dict[str, Any]]) -> None:
        with collected() as said:
            try:
                event = {"type": "finished", **work()}
            except Cancelled as error:
                event = {"type": "stopped", "error": as_error(error)}
            except Exception as error:  # noqa: BLE001 - told to the page, whatever it is
                event = {"type": "failed", "error": as_error(error)}
        self.answering.tell({**event, "warnings": said})

    def _calibrate(self, settings: BenchSettings, plan: CalibrationPlan) -> dict[str, Any]:
        stored: StoredCalibration | None = None
        with open_bench(settings) as opened:
            operator = opened.operator or self._operator
            for told in calibrate(settings, opened.bench, operator, plan, self._cancel):
                if isinstance(told, StoredCalibration):
                    stored = told
                else:
                    self.answering.tell(
                        {"type": "step", "fixture": told.fixture, "share": told.share, "said": told.said}
                    )
        if stored is None:  # pragma: no cover - the generator ends with it
            raise WhichcoreError("the calibration did not end")
        path = save_calibration(stored, None)
        with open_store() as store:
            record = keep_calibration(store, path)
        return {"what": "calibrate", "record": record, "calibration": calibration_fields(stored)}

    def _sweep(self, settings: BenchSettings, what: Wound, out: Path) -> dict[str, Any]:
        asked, specimen = what.asked, what.specimen
        heard, played = Heard(), None
        with open_bench(settings) as opened:
            _fit(opened, specimen, asked.core)
            fingerprint = fingerprint_of(settings, opened.bench)
            stored = load_calibration(_calibrated(settings, fingerprint))
            request = _request(settings, opened, stored, what, out)
            grid = request.frequency_hz
            with open_store() as store:
                kept = keep_core(store, what.place)
                told_by = {"bench": bench_name(settings), "core": asked.core, "asked": asked.again()}
                begun = begin_sweep(store, out, kept, told_by)
            for point in earlier_points(out, specimen, grid):
                self.answering.tell(point)
            if request.demagnetise is not None:
                self.answering.tell({"type": "demagnetising", "rest_s": request.demagnetise.rest_s})
            for event in run_sweep(settings, opened.bench, stored, request, self._cancel):
                heard.hear(event)
                played = event if isinstance(event, TonesPlayed) else played
                told = _told(event, specimen, len(grid))
                if told is not None:
                    self.answering.tell(told)
        with open_store() as store:
            record = finish_sweep(store, begun)
        notes = [*tones_text(tones_report(played)), *heard.lines()]
        return {"what": "sweep", "record": record, "core": kept, "journal": out.name, "notes": notes}


def _settings(bench: str) -> BenchSettings:
    """Return a bench of the two that a page may name: the virtual one, and that of this place."""
    if bench not in {"virtual", "own"}:
        raise InputError("there is no such bench", where="bench", got=str(bench), allowed="virtual, own")
    return load_bench("virtual" if bench == "virtual" else None)


def _calibrated(settings: BenchSettings, fingerprint: Fingerprint) -> Path:
    """Return where the calibration of a set-up is kept; the page has a step for one that is missing."""
    try:
        return newest_calibration(bench_name(settings), fingerprint)
    except CalibrationError as error:
        step = "calibrate this bench as it is wired, one step before this one"
        raise CalibrationError(error.what, where=error.where, got=error.got, next_step=step) from None


def _fit(opened: OpenBench, specimen: Specimen, core: str | None) -> None:
    if opened.virtual is None:
        return
    core_on_the_bench(core or "")
    winding: dict[str, Any] = {"turns": specimen.winding.turns}
    if specimen.winding.secondary_turns is not None:
        winding["secondary_turns"] = specimen.winding.secondary_turns
    opened.virtual.fit("core", core=core, **winding)


def _request(
    settings: BenchSettings, opened: OpenBench, stored: StoredCalibration, what: Wound, out: Path
) -> SweepRequest:
    """Return the request of a sweep, as the command makes it of the same wishes."""
    asked, specimen, ways = what.asked, what.specimen, what.asked.ways()
    rule = FluxRule(asked.flux_density_t or settings.flux_density_t or USUAL_FLUX_T, specimen)
    band, density = (asked.from_hz, asked.to_hz), asked.points_per_decade
    played = ways.played(settings, opened.bench, stored, band, density)
    grid, tones = played or (stored.grid(*band, density), None)
    return SweepRequest(specimen, out, grid, rule, tones=tones, **ways.for_request(specimen))


def _journal(named: str | None, specimen: Path) -> Path:
    folder = sweeps_folder()
    make_folder(folder)
    if named is None:
        stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S-%f")[:-3]
        return folder / f"{specimen.stem}-{stamp}.csv"
    place = folder / Path(named).name
    if Path(named).name != named or not place.is_file():
        raise InputError("there is no such sweep to go on with", where="journal", got=named)
    return place


def _told(event: object, specimen: Specimen, count: int) -> dict[str, Any] | None:
    """Return what the page is told of an event; None for nothing."""
    told: dict[str, Any] | None = None
    match event:
        case PointDone(corrected=point) if point is not None and not event.revisit:
            told = point_event(point, permeability(point, specimen), 0, event.index, count)
            told["flux_density_t"] = event.flux_density_t
        case NotReachable():
            told = {"type": "not-reachable", "frequency_hz": event.frequency_hz, "reason": event.reason}
        case LevelChanged():
            told = {"type": "level", "frequency_hz": event.frequency_hz, "level_vpp": event.to_vpp}
        case Demagnetised():
            told = {"type": "demagnetised", "said": event.told()}
        case TakeDone():
            told = {"type": "take", "said": take_line(event)}
        case OutputFoundOn():
            told = {"type": "output-found-on"}
        case Finished():
            told = {"type": "ending", "drift": event.drift, "u_drift": event.u_drift}
    return told


def main() -> None:
    """Answer until the input closes, then stop what runs and wait for its end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    at_bench = AtBench()
    try:
        at_bench.answering.run()
    finally:
        at_bench.stop()
        if at_bench._thread is not None:  # noqa: SLF001 - our own
            at_bench._thread.join()  # noqa: SLF001


if __name__ == "__main__":
    main()
