"""What the page offers with a sweep is what the command offers: the same refusals, the same file."""

import json

import pytest
from click.testing import CliRunner

from page_server import Page, page_server
from test_web_server import RING, live, told_until
from whichcore.cli.root import root
from whichcore.errors import Cancelled, InputError, UsageError, WhichcoreError
from whichcore.web import bench as at_bench
from whichcore.web.judge import named

SWEEP = {"bench": "virtual", "specimen": RING, "name": "ring", "core": "bin-h"}


class Told:
    """In place of the line to the server: keeps what is told."""

    def __init__(self, _calls):
        self.events = []

    def tell(self, event):
        self.events.append(event)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(at_bench, "Answering", Told)
    return at_bench.AtBench()


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"rest": "1 min"}, ("--rest", "1 min")),
        ({"take": "1 s"}, ("--take", "1 s")),
        ({"demagnetise": "wood"}, ("--demagnetise", "wood")),
        ({"demagnetise": "15 mT"}, ("--demagnetise", "15 mT")),
        ({"demagnetise": "MnZn", "rest": "1"}, ("--demagnetise", "MnZn", "--rest", "1")),
        ({"tones": True, "take": "long"}, ("--multitone", "--take", "long")),
    ],
)
def test_what_cannot_be_is_refused_as_the_command_refuses_it(bench, tmp_path, asked, words):
    with pytest.raises(WhichcoreError) as caught:
        bench.sweep(**SWEEP, **asked)
    (tmp_path / "ring.toml").write_text(RING)
    place = ("--specimen", str(tmp_path / "ring.toml"), "--out", str(tmp_path / "ring.csv"))
    done = CliRunner().invoke(root, ["sweep", "--bench", "virtual", *place, *words, "--json"])
    said, told = json.loads(done.stdout)["error"], caught.value.to_dict()
    assert [told[key] for key in ("code", "what", "got", "allowed")] == [
        said[key] for key in ("code", "what", "got", "allowed")
    ]
    assert not told["where"].startswith("--")  # the page has fields, no options
    assert "--" not in told["next"]
    assert not bench._running()
    assert bench.answering.events == []


@pytest.mark.parametrize(
    ("asked", "where"),
    [
        ({"order": "interleaved"}, "Order of the points"),
        ({"zero_field": 3}, "Extrapolate to zero field"),
        ({"demagnetise": "MnZn", "rest": "2 min"}, "Demagnetise first, Rest after it"),
    ],
)
def test_all_tones_at_once_stand_alone(bench, asked, where):
    with pytest.raises(UsageError, match="all tones at once have no order") as caught:
        bench.sweep(**SWEEP, **asked, tones=True)
    assert caught.value.to_dict()["where"] == where


@pytest.mark.parametrize(
    ("asked", "where", "allowed"),
    [
        ({"order": "falling"}, "Order of the points", "rising, interleaved"),
        ({"zero_field": 4}, "Extrapolate to zero field", "none, 2, 3"),
        ({"tilt": "up"}, "Equal for all tones", "even, flux, matched"),
    ],
)
def test_a_choice_that_is_none_is_refused(bench, asked, where, allowed):
    with pytest.raises(InputError) as caught:
        bench.sweep(**SWEEP, **asked)
    told = caught.value.to_dict()
    assert told["where"] == where
    assert set(told["allowed"].split(", ")) == set(allowed.split(", "))


def header_of(path):
    """Return what a sweep file says of how it was made, and its columns; times and names are its own."""
    lines = path.read_text(encoding="utf-8").splitlines()
    head = dict(line[2:].split(": ", 1) for line in lines if line.startswith("#"))
    columns = next(line for line in lines if not line.startswith("#"))
    own = ("started", "specimen", "drift_relative", "u_drift_relative")
    return {key: value for key, value in head.items() if key not in own}, columns


def test_sentences_on_the_page_call_materials_by_their_names():
    names = {"mnzn-2300-derived": "MnZn 2300", "mnzn-2300": "another"}
    said = "The curve tells mnzn-2300-derived from mnzn-2300: 1.2 MHz, not mnzn-2300-derived."
    assert named(said, names) == "The curve tells MnZn 2300 from another: 1.2 MHz, not MnZn 2300."


def test_a_core_of_the_same_name_does_not_take_the_place_of_one_that_is_swept(bench, monkeypatch):
    begun = []
    monkeypatch.setattr(bench, "_begin", begun.append)
    monkeypatch.setattr(bench, "_sweep", lambda _settings, wound, _out: wound.place.read_text())
    bench.sweep(**SWEEP)
    other = RING.replace("25", "26")
    bench.sweep(**{**SWEEP, "specimen": other})
    assert other != RING
    assert [work() for work in begun] == [RING, other]


class Patience:
    """In place of the wish to stop: it comes after so many looks."""

    def __init__(self, looks):
        self.looks = looks

    def is_set(self):
        self.looks -= 1
        return self.looks < 0


def test_hands_that_answer_twice_do_not_answer_for_the_next_part():
    told = []

    def tell(event):
        told.append(event)
        if event["fixture"] == "open":
            for _ in range(2):  # pressed twice, or sent again over a line that broke
                hands.fitted(event["number"])

    hands = at_bench.PageOperator(tell, Patience(4))
    hands.fit("open")
    with pytest.raises(Cancelled, match="while a part was to be fitted"):
        hands.fit("short")
    assert [event["fixture"] for event in told] == ["open", "short"]


@pytest.mark.soak
def test_a_sweep_with_all_of_it_ends_in_the_file_of_the_command_and_is_gone_on_with(tmp_path, monkeypatch):
    ways = {"order": "interleaved", "zero_field": 2, "demagnetise": "2 A/m", "rest": "1 s"}
    words = ("--order", "interleaved", "--zero-field", "2", "--demagnetise", "2 A/m", "--rest", "1 s")
    with page_server(tmp_path) as (address, _), live(address, "first") as line:
        page = Page(address)
        page.ask("calibrate", bench="virtual", from_hz=1e3, to_hz=1e5, points_per_decade=3)
        assert told_until(line, "finished", "failed")[-1]["type"] == "finished"
        # this bench makes no more than some 40 A/m with ten turns, see tests/test_demagnetise.py
        refused = page.ask("sweep", **SWEEP, demagnetise="MnZn", rest="1 s")["journal"]
        assert "cannot be demagnetised" in told_until(line, "failed")[-1]["error"]["what"]
        journal = page.ask("sweep", **SWEEP, **ways)["journal"]
        events = told_until(line, "demagnetised", "failed", "finished")
        assert [e["type"] for e in events][-1] == "demagnetised", events[-1]
        told_until(line, "point")
        page.ask("stop")
        assert told_until(line, "stopped", "finished")[-1]["type"] == "stopped"
        waiting = next(one for one in page.ask("state")["unfinished"] if one["journal"] == journal)
        again = waiting["settings"]["asked"]
        assert {key: again[key] for key in ways} == ways
        page.ask("sweep", **SWEEP, **again, journal=journal)
        ended = told_until(line, "finished", "failed")[-1]
        assert ended["type"] == "finished", ended
        assert any(note.startswith("Noise and converter leave") for note in ended["notes"])
    assert refused != journal
    (tmp_path / "ring.toml").write_text(RING)
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    out = tmp_path / "command.csv"
    place = ("--specimen", str(tmp_path / "ring.toml"), "--out", str(out))
    done = CliRunner().invoke(root, ["sweep", "--bench", "virtual", "--core", "bin-h", *place, *words])
    assert done.exit_code == 0, done.output
    (page_head, page_columns), (head, columns) = (
        header_of(tmp_path / "page" / "sweeps" / journal),
        header_of(out),
    )
    # the field that was reached is measured, and no two measurements are equal
    assert page_head.pop("demagnetised").split()[0] == head.pop("demagnetised").split()[0] == "from"
    assert dict(page_head.items() ^ head.items()) == {}
    assert page_columns == columns
    assert "zero_field" in head
