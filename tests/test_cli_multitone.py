"""``calibrate``, ``verify`` and ``sweep`` with ``--multitone``, on a card with a solved circuit behind it."""

import json
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from test_multitone_sweep import cards, new_card
from test_web_ways import Told, header_of
from whichcore.bench import OpenBench
from whichcore.cli.root import root
from whichcore.files import load_sweep
from whichcore.measure import load_calibration
from whichcore.rig.instruments import Bench
from whichcore.rig.virtual import impedance_of
from whichcore.web import bench as at_bench

BAND = ("--from", "1k", "--points-per-decade", "8", "--take", "0.25 s")


class Room:
    """A card, hands, and a specimen file."""

    def __init__(self, folder):
        self.folder, self.card = folder, new_card()
        self.hands = cards.CardHands(self.card)
        self.item = self.hands.wind("bin-h", 20)
        self.specimen = folder / "core.toml"
        self.specimen.write_text(self.item.specimen_toml())
        self.bench = cards.bench_of(self.card)

    def run(self, *words):
        return CliRunner().invoke(root, [str(word) for word in words])

    def sweep(self, name, *more):
        self.hands.wind("bin-h", 20)
        out = self.folder / name
        return out, self.run(
            "sweep", "--bench", "virtual", "--specimen", self.specimen, "--out", out, "--multitone", *more
        )


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    folder = tmp_path_factory.mktemp("card")
    made = Room(folder)

    @contextmanager
    def opened(settings):
        yield OpenBench(made.bench, made.hands)

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("WHICHCORE_HOME", str(folder / "home"))
        patch.setattr("whichcore.cli.at_bench.open_bench", opened)
        done = made.run("calibrate", "--bench", "virtual", "--multitone", *BAND, "--json")
        assert done.exit_code == 0, done.output
        made.calibrated = json.loads(done.stdout)
        yield made


def test_the_calibration_keeps_within_the_rate_of_the_card(room):
    report = room.calibrated
    assert report["error_model"] == "open-short-load"
    assert report["samples_of_a_take"] == 24_000
    assert 1000 <= report["from_hz"] < report["to_hz"] <= 0.42 * 96e3
    stored = load_calibration(Path(report["file"]))
    periods = stored.model.frequency_hz * 0.25
    np.testing.assert_allclose(periods, np.round(periods), atol=1e-9)


def test_a_sweep_takes_the_tones_of_the_calibration(room):
    out, done = room.sweep("core.csv")
    assert done.exit_code == 0, done.output
    sweep = load_sweep(out)
    assert len(sweep.frequency_hz) == room.calibrated["points"]
    truth = impedance_of(room.item, sweep.frequency_hz)
    assert abs(sweep.impedance_ohm / truth - 1).max() < 0.02
    said = " ".join(done.stdout.split())
    assert "tones at once" in said
    assert "No product of two or three tones falls on a tone." in said
    assert "if all peak at once" in said
    assert "the limit is the flux density" in said
    assert "times the noise of one tone after the other in the same time" in said
    before = room.card.takes
    again = room.sweep("core.csv")[1]
    assert room.card.takes == before
    assert again.exit_code == 0  # the same command, when all is done, changes nothing
    np.testing.assert_array_equal(load_sweep(out).impedance_ohm, sweep.impedance_ohm)


def test_the_page_makes_the_same_sweep(room, monkeypatch):
    out, done = room.sweep("again.csv", "--flux-density", "0.2 mT")
    assert done.exit_code == 0, done.output

    @contextmanager
    def opened(settings):
        yield OpenBench(room.bench, room.hands)

    monkeypatch.setattr(at_bench, "open_bench", opened)
    monkeypatch.setattr(at_bench, "Answering", Told)
    page = at_bench.AtBench()
    asked = {"bench": "virtual", "specimen": room.specimen.read_text(), "name": "core", "core": "bin-h"}
    journal = page.sweep(**asked, flux_density_t=0.2e-3, tones=True)["journal"]
    page._thread.join()
    ended = page.answering.events[-1]
    assert ended["type"] == "finished", ended
    assert any("tones at once" in note for note in ended["notes"])
    kinds = {event["type"] for event in page.answering.events}
    assert {"take", "point"} <= kinds
    first = next(event["said"] for event in page.answering.events if event["type"] == "take")
    assert first.startswith("take 1 of ")
    assert f" of {len(load_sweep(out).frequency_hz)} points good enough" in first
    assert header_of(room.folder / "home" / "page" / "sweeps" / journal) == header_of(out)


@pytest.mark.soak
def test_identify_reads_it_as_any_sweep(room):
    out, _ = room.sweep("known.csv")
    named = room.run("identify", "--specimen", room.specimen, "--sweep", out, "--json")
    assert named.exit_code == 0, named.output
    initial = json.loads(named.stdout)["initial_permeability"]
    sweep = load_sweep(out)
    # the circuit's own impedance over that of its winding without a core
    mu = impedance_of(room.item, sweep.frequency_hz[:1])[0] / (
        2j * np.pi * sweep.frequency_hz[0] * room.item.core.body.air_inductance(20)
    )
    assert initial["value"] == pytest.approx(mu.real, rel=0.03)
    assert initial["flux_density_t"] == pytest.approx(0.85 * 0.25e-3, rel=0.05)


def test_json_tells_each_tone_and_the_total(room):
    _, done = room.sweep("told.csv", "--json", "--tilt", "flux", "--flux-density", "0.2 mT")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)["tones"]
    flux = np.array(told["flux_density_t"])
    assert told["tones"] == flux.size == room.calibrated["points"]
    assert flux.sum() == pytest.approx(told["flux_density_all_t"])
    assert 0.6 * 0.2e-3 < flux.sum() < 0.2e-3
    assert told["products_on_tones"] == {"second_order": 0, "third_order": 0, "folded": 0}


def test_tones_between_those_of_the_calibration_are_read_between_them(room):
    out, done = room.sweep("other.csv", "--take", "0.5 s", "--points-per-decade", "7", "--from", "2k")
    assert done.exit_code == 0, done.output
    assert len(load_sweep(out).frequency_hz) >= 8


def test_a_part_is_verified(room):
    done = room.run("verify", "--bench", "virtual", "--part", "kilohm", "--multitone", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["passed"]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("calibrate", "--bench", "virtual", "--take", "1 s"), 2, "add --multitone"),
        (("calibrate", "--bench", "virtual", "--multitone", "--to", "3M"), 3, "up to 43200 Hz"),
        (("calibrate", "--bench", "virtual", "--multitone", "--take", "1 ms"), 3, "0.05 s to 60 s"),
        (
            ("calibrate", "--bench", "virtual", "--multitone", "--from", "20", "--take", "0.06 s"),
            3,
            "50 Hz or more",
        ),
    ],
)
def test_what_cannot_be_is_one_line(room, words, code, said):
    done = room.run(*words)
    assert done.exit_code == code
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_bench_of_generator_and_scope_is_refused(room, monkeypatch):
    scope = SimpleNamespace(identity="a scope", limits=room.bench.digitizer.limits)
    other = Bench(room.bench.source, scope, room.bench.wiring, 10.0)
    monkeypatch.setattr(room, "bench", other)
    done = room.run("calibrate", "--bench", "virtual", "--multitone")
    assert done.exit_code == 3
    assert "one tone at a time" in done.stderr
