"""The store of records, on SQLite and on PostgreSQL: the same tests on both."""

import contextlib
import hashlib
import itertools
import json
import sqlite3
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import numpy as np
import psycopg
import pytest
import skrf
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import select, text

from postgres_server import running_server, start, stop
from whichcore import load_library
from whichcore.analysis.types import Capture
from whichcore.errors import InputError, RecordError
from whichcore.files import load_sweep
from whichcore.records import (
    Kind,
    NewRecord,
    Question,
    begin_sweep,
    compare_sweeps,
    export_records,
    finish_sweep,
    import_records,
    keep_capture,
    keep_core,
    keep_sweep,
    keep_verdict,
    open_store,
    store_address,
    unfinished_sweeps,
)
from whichcore.records.database import _steps, bring_up_to_date, engine_of, transaction
from whichcore.records.explanation import KEY, explanation_of
from whichcore.records.keep import Origin
from whichcore.records.query import after
from whichcore.records.schema import METADATA, RECORD
from whichcore.workflow import demo_bins, demo_library, identify_files

BINS = {one.id: one.request for one in demo_bins()}
NUMBERS = itertools.count()


@pytest.fixture(scope="session")
def server():
    with running_server() as (url, _):
        yield url


@pytest.fixture(scope="module")
def case_a():
    """The core of bin A judged once; what is kept of it does not change it."""
    return identify_files(BINS["a"], load_library("shipped", demo_library()))


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request, tmp_path):
    if request.param == "sqlite":
        return str(tmp_path / "records" / "store.sqlite")
    return new_database(request.getfixturevalue("server"))


def new_database(url):
    name = f"shop{next(NUMBERS)}"
    with psycopg.connect(f"{url}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return f"{url}/{name}"


@pytest.fixture
def store(address):
    with open_store(address) as opened:
        yield opened


def note(title="a core", **more):
    columns = {"shape": "ring", "turns": 6}
    return NewRecord(Kind.CORE, title, more.pop("payload", title.encode()), ".toml", columns, **more)


# --- in and out --------------------------------------------------------------------------------------------


def test_a_file_comes_back_byte_for_byte(store):
    path = BINS["a"].specimen
    kept = keep_core(store, path)
    assert store.payload(kept) == path.read_bytes()
    record = store.find(kept[:7])
    assert (record.id, record.kind, record.title) == (kept, Kind.CORE, "bin-a")
    # independent code: the checksum by hashlib; the rest as the file says
    assert record.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (record.columns["shape"], record.columns["turns"]) == ("ring", 6)
    assert record.program == version("whichcore")
    assert keep_core(store, path) == kept
    assert store.count() == 1


def test_a_core_with_sweep_and_verdict_is_found_by_all_it_is(store, case_a):
    request = BINS["a"]
    core = keep_core(store, request.specimen)
    sweep = keep_sweep(store, request.sweep, core_id=core)
    case = case_a
    verdict = keep_verdict(store, case, core, sweep, Origin(settings={"libraries": ["shipped", "own"]}))
    keep_core(store, BINS["b"].specimen)

    said = case.verdict
    assert json.loads(store.payload(verdict)) == said.to_dict() | {KEY: explanation_of(said, case.names)}
    row = store.find(verdict)
    assert row.columns["initial_permeability"] == said.initial_permeability.value
    assert row.settings == {"libraries": ["shipped", "own"]}
    materials = store.materials_of(verdict)
    assert said.materials  # the workshop knows this core
    assert [m.material for m in materials if m.named] == list(said.materials)
    assert sum(m.probability for m in materials) == pytest.approx(1 - said.unlisted_probability, abs=0.01)
    kept = json.loads(store.payload(materials[0].record_id))
    assert set(kept) == {"toml", "csv"}

    def found(**asked):
        return {record.id for record in store.search(Question(**asked))}

    assert found(about=core) == {core, sweep, verdict}
    assert found(kind=Kind.VERDICT) == {verdict}
    assert found(text="BIN-A") >= {core, verdict}
    assert found(text=core[:10]) == {core}
    mu = said.initial_permeability.value
    assert found(permeability=(0.99 * mu, 1.01 * mu)) == {verdict}
    assert found(permeability=(1.01 * mu, 2 * mu)) == set()
    if said.material_class is not None:
        assert verdict in found(material_class=said.material_class)
    for material in said.materials:
        assert found(material=material) == {verdict}
    assert found(material="no-such-material") == set()


def test_times_bound_a_search_and_a_day_means_all_of_it(store):
    kept = store.add(note())
    day = store.find(kept).created_at[:10]
    assert store.count(Question(since=day, until=day)) == 1
    assert store.count(Question(until="2020-12-31")) == 0
    assert store.count(Question(since="2999-01-01")) == 0


def test_pages_of_a_search_hold_everything_once_newest_first(store):
    kept = [store.add(note(f"core {n}")) for n in range(7)]
    pages, before = [], ""
    while page := store.search(Question(most=3, before=before)):
        pages.append(page)
        before = page[-1].id
    assert [len(page) for page in pages] == [3, 3, 1]
    assert [record.id for page in pages for record in page] == kept[::-1]
    assert store.count() == 7
    assert store.count(most=5) == 5


def test_a_page_far_down_takes_no_more_steps_of_the_database_than_the_first(tmp_path):
    with open_store(str(tmp_path / "records.sqlite")) as store:
        kept = [store.add(note(f"core {n}")) for n in range(60)]
        first = instructions_for(store, Question(before=kept[-1]))
        assert instructions_for(store, Question(before=kept[5])) <= 1.1 * first


def instructions_for(store, question):
    """Return how many instructions the database takes for a page of three."""
    order = (RECORD.c.created_at.desc(), RECORD.c.id)
    steps = itertools.count()
    with store.transaction() as connection:
        connection.connection.driver_connection.set_progress_handler(lambda: next(steps) < 0, 1)
        connection.execute(select(RECORD.c.id).where(after(question)).order_by(*order).limit(3)).all()
        connection.connection.driver_connection.set_progress_handler(None, 1)
    return next(steps)


@pytest.mark.parametrize("rare", [500, 2])
def test_a_text_is_found_in_titles_whether_rare_or_frequent(store, monkeypatch, rare):
    monkeypatch.setattr("whichcore.records.query.RARE", rare)
    for n in range(9):
        store.add(note(f'Schütte "{n}", Ähre {n % 2}'))
    for asked, there in (("schütte", 9), ("ÄHRE 1", 4), ('"7"', 1), ("Ä", 9), ("ähre 2", 0), ("tte OR x", 0)):
        assert store.count(Question(text=asked)) == there, asked
        assert len(store.search(Question(text=asked))) == there


def test_wild_cards_in_a_search_are_letters(store):
    store.add(note("100 % tin"))
    store.add(note("bin_7"))
    assert [r.title for r in store.search(Question(text="%"))] == ["100 % tin"]
    assert [r.title for r in store.search(Question(text="_"))] == ["bin_7"]
    assert store.search(Question(text="' OR 1=1 --")) == ()


def test_a_correction_takes_the_place_and_the_old_one_stays(store):
    old = store.add(note("six turns"))
    new = store.add(note("seven turns", corrects=old, reason="counted again"))
    assert [r.id for r in store.search()] == [new]
    assert {r.id for r in store.search(Question(corrected=True))} == {old, new}
    assert store.find(old).corrected_by == (new,)
    assert (store.find(new).corrects, store.find(new).reason) == (old, "counted again")


@pytest.mark.parametrize(
    ("corrects", "reason", "what"),
    [("f" * 32, "typing error", "of its own kind"), (None, " ", "says why")],
)
def test_a_correction_without_object_or_reason_is_refused(store, corrects, reason, what):
    old = store.add(note())
    with pytest.raises(RecordError, match=what):
        store.add(note("new", corrects=corrects or old, reason=reason))
    assert store.count(Question(corrected=True)) == 1


def test_tags_go_on_and_off_and_on(store):
    kept, other = store.add(note("one")), store.add(note("two"))
    for off, there in ((False, True), (True, False), (False, True)):
        store.tag(kept, "drawer  3", off=off)
        assert (store.find(kept).tags == ("drawer 3",)) is there
        assert (store.count(Question(tag="drawer 3")) == 1) is there
    assert store.find(other).tags == ()
    for name in ("", "  ", "x" * 65, "bell\a"):
        with pytest.raises(RecordError, match="no tag"):
            store.tag(kept, name)


@pytest.mark.parametrize(
    ("asked", "what"), [("", "no id"), ("xyz", "no id"), ("0" * 32, "no such record"), ("%", "no id")]
)
def test_an_id_that_names_nothing_is_one_line(store, asked, what):
    store.add(note())
    with pytest.raises(RecordError, match=what) as caught:
        store.find(asked)
    assert "records list" in caught.value.next_step


def test_an_id_must_name_one(store):
    kept = [store.add(note(f"{n}")) for n in range(17)]  # of 17 ids two begin alike
    begin = [one[0] for one in kept]
    twice = next(digit for digit in begin if begin.count(digit) > 1)
    with pytest.raises(RecordError, match="more than one"):
        store.find(twice)


def test_rows_cannot_be_changed_not_even_behind_the_program(store, address):
    kept = store.add(note())
    with engine(address) as opened:
        for change in ("UPDATE record SET title = 'x'", "DELETE FROM core", "DELETE FROM record"):
            with pytest.raises(RecordError, match="only added to"), transaction(opened, writes=True) as c:
                c.execute(text(change))
    assert store.find(kept).title == "a core"


def test_a_damaged_record_is_told_and_not_given(store, address):
    kept, sound = store.add(note("one")), store.add(note("two"))
    with engine(address) as opened, transaction(opened, writes=True) as connection:
        if connection.dialect.name == "sqlite":
            connection.execute(text("DROP TRIGGER record_no_update"))
        else:
            connection.execute(text("ALTER TABLE record DISABLE TRIGGER USER"))
        connection.execute(text("UPDATE record SET payload = :p WHERE id = :i"), {"p": b"on?", "i": kept})
    with pytest.raises(RecordError, match="damaged"):
        store.payload(kept)
    assert [record.id for record in store.damaged()] == [kept]
    assert store.payload(sound) == b"two"


def test_raw_voltages_come_back_without_pickles(store, tmp_path):
    rng = np.random.default_rng(4)
    capture = Capture(
        rng.integers(-100, 100, (2, 500), dtype=np.int8), 1e-7, (0.01, 0.02), (0.0, 0.1),
        range_labels=("1V", "0.2V"), frequency_hz=1e4,
    )  # fmt: skip
    kept = keep_capture(store, capture)
    path = tmp_path / "raw.npz"
    path.write_bytes(store.payload(kept))
    with np.load(path, allow_pickle=False) as arrays:
        np.testing.assert_array_equal(arrays["samples"], capture.samples)
        assert float(arrays["frequency_hz"]) == 1e4
        assert list(arrays["range_labels"]) == ["1V", "0.2V"]


# --- running sweeps ----------------------------------------------------------------------------------------


def test_a_running_sweep_is_a_row_until_its_journal_is_taken_in(store, tmp_path):
    core = keep_core(store, BINS["a"].specimen)
    journal = tmp_path / "a.csv"
    begun = begin_sweep(store, journal, core, {"drive": "1 V"})
    assert begin_sweep(store, journal, core) == begun  # taken up again
    assert [record.id for record in unfinished_sweeps(store)] == [begun]
    journal.write_bytes(BINS["a"].sweep.read_bytes())
    sweep = finish_sweep(store, begun)
    record = store.find(sweep)
    assert (record.columns["begun_id"], record.columns["core_id"]) == (begun, core)
    assert record.settings == {"drive": "1 V"}
    assert unfinished_sweeps(store) == ()
    # another sweep under the old name is another one
    later = begin_sweep(store, journal, core)
    assert later != begun
    assert [record.id for record in unfinished_sweeps(store)] == [later]


def test_a_journal_that_is_gone_is_one_line_and_the_row_stays(store, tmp_path):
    begun = begin_sweep(store, tmp_path / "gone.csv")
    with pytest.raises(InputError, match="no such file"):
        finish_sweep(store, begun)
    assert [record.id for record in unfinished_sweeps(store)] == [begun]


# --- comparing ---------------------------------------------------------------------------------------------


def test_a_sweep_compared_with_itself_and_another(store):
    one, two = (keep_sweep(store, BINS[name].sweep) for name in ("a", "b"))
    same = compare_sweeps(store, one, one).difference
    np.testing.assert_allclose(same.ratio, 1, atol=1e-15)
    assert same.share.max() < 1e-12
    other = compare_sweeps(store, one[:12], two[:12])
    first, second = load_sweep(BINS["a"].sweep), load_sweep(BINS["b"].sweep)
    common, here, there = np.intersect1d(first.frequency_hz, second.frequency_hz, return_indices=True)
    # analytic: the ratio of the files themselves
    np.testing.assert_array_equal(other.difference.frequency_hz, common)
    np.testing.assert_allclose(
        other.difference.ratio, first.impedance_ohm[here] / second.impedance_ohm[there], rtol=1e-12
    )
    assert other.difference.share.max() > 1
    with pytest.raises(RecordError, match="no sweep"):
        compare_sweeps(store, one, keep_core(store, BINS["a"].specimen))


# --- carrying ----------------------------------------------------------------------------------------------


def everything(store):
    records = store.search(Question(most=1000, corrected=True))
    verdicts = [record.id for record in records if record.kind is Kind.VERDICT]
    return (
        sorted(records, key=lambda record: record.id),
        {record.id: store.payload(record.id) for record in records},
        {verdict: store.materials_of(verdict) for verdict in verdicts},
    )


@pytest.fixture
def full(store, case_a):
    request = BINS["a"]
    core = keep_core(store, request.specimen)
    sweep = finish_sweep(store, begin_sweep(store, request.sweep, core))
    verdict = keep_verdict(store, case_a, core, sweep)
    again = keep_verdict(store, case_a, core, sweep, Origin(verdict, "other library", {"n": 1}))
    store.tag(sweep, "μ und Ω")
    return store, again


def test_carried_to_another_store_nothing_is_lost_and_nothing_is_new(full, tmp_path):
    store, verdict = full
    folder = tmp_path / "carried"
    told = export_records(store, [verdict], folder)
    assert told.records == store.count(Question(corrected=True))
    with open_store(str(tmp_path / "second.sqlite")) as second:
        assert import_records(second, folder).records == told.records
        assert everything(second) == everything(store)
        again = import_records(second, folder)
        assert (again.records, again.known) == (0, told.records)
        # and from there back again
        export_records(second, [verdict], tmp_path / "back")
    back = tmp_path / "back" / "records.json"
    assert json.loads(back.read_bytes()) == json.loads((folder / "records.json").read_bytes())


def test_a_carried_sweep_is_read_by_other_programs(full, tmp_path):
    store, verdict = full
    export_records(store, [verdict], tmp_path / "carried")
    (path,) = (tmp_path / "carried").glob("sweep-*.s1p")
    sweep = load_sweep(BINS["a"].sweep)
    # independent code: scikit-rf reads the Touchstone file
    network = skrf.Network(str(path))
    np.testing.assert_allclose(network.z[:, 0, 0], sweep.impedance_ohm, rtol=1e-9)
    np.testing.assert_allclose(network.f, sweep.frequency_hz, rtol=1e-12)


def test_a_folder_that_holds_something_is_not_written_to(store, tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(RecordError, match="not empty"):
        export_records(store, [], tmp_path)
    assert [path.name for path in tmp_path.glob("*.*")] == ["mine.txt"]


@pytest.mark.parametrize(
    ("spoil", "error", "what"),
    [
        (lambda f: next(f.glob("core-*.toml")).write_text("other"), RecordError, "checksum"),
        (lambda f: next(f.glob("core-*.toml")).unlink(), InputError, "no such file"),
        (lambda f: (f / "records.json").write_text("{"), RecordError, "no index"),
        (lambda f: (f / "records.json").write_text("[]"), RecordError, "no index"),
        (
            lambda f: edit(f, lambda index: index.update(format="whichcore-records 9")),
            RecordError,
            "not known",
        ),
        (lambda f: edit(f, lambda index: index["record"][0].update(file="../x")), RecordError, "beside"),
        (lambda f: edit(f, lambda index: index["record"][0].pop("title")), RecordError, "does not fit"),
        (lambda f: edit(f, lambda index: index["record"][0].update(more=1)), RecordError, "does not fit"),
        (
            lambda f: edit(f, lambda index: index["record"][0].update(corrects="0" * 32)),
            RecordError,
            "not there",
        ),
    ],
)
def test_a_spoilt_folder_is_refused_whole(tmp_path, spoil, error, what):
    with open_store(str(tmp_path / "one.sqlite")) as store:
        kept = keep_core(store, BINS["a"].specimen)
        export_records(store, [kept, store.add(note())], tmp_path / "carried")
    spoil(tmp_path / "carried")
    with open_store(str(tmp_path / "two.sqlite")) as second:
        with pytest.raises(error, match=what):
            import_records(second, tmp_path / "carried")
        assert second.count(Question(corrected=True)) == 0


def edit(folder, change):
    path = folder / "records.json"
    index = json.loads(path.read_bytes())
    change(index)
    path.write_text(json.dumps(index))


def test_an_id_taken_by_something_else_is_refused(tmp_path):
    with open_store(str(tmp_path / "one.sqlite")) as store:
        export_records(store, [store.add(note())], tmp_path / "carried")
    edited = b"another core"
    (path,) = (tmp_path / "carried").glob("core-*.toml")
    with open_store(str(tmp_path / "two.sqlite")) as second:
        import_records(second, tmp_path / "carried")
        path.write_bytes(edited)
        edit(tmp_path / "carried", lambda i: i["record"][0].update(sha256=hashlib.sha256(edited).hexdigest()))
        with pytest.raises(RecordError, match="two different records"):
            import_records(second, tmp_path / "carried")


# --- the database ------------------------------------------------------------------------------------------


@contextlib.contextmanager
def engine(address):
    url = store_address(address)
    if url.drivername == "sqlite":
        Path(url.database).parent.mkdir(exist_ok=True)
    opened = engine_of(url)
    try:
        yield opened
    finally:
        opened.dispose()


def test_the_steps_make_the_tables_that_the_program_speaks_of(store, address):
    with engine(address) as opened, transaction(opened) as connection:
        found = compare_metadata(MigrationContext.configure(connection), METADATA)
    # the index of titles is the database's own affair
    assert [
        change for change in found if not str(change[1].name).startswith(("record_title", "ix_record_t"))
    ] == []


def test_a_store_of_every_older_schema_opens(address):
    with _steps() as config:
        revisions = [step.revision for step in ScriptDirectory.from_config(config).walk_revisions()]
    assert revisions[-1] == "0001"
    for revision in revisions:
        with engine(address) as opened:
            bring_up_to_date(opened, revision)
        with open_store(address) as store:
            store.add(note(revision))
    with open_store(address) as store:
        assert store.count() == len(revisions)


def test_a_store_of_a_newer_program_is_left_alone(store, address):
    with engine(address) as opened, transaction(opened, writes=True) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RecordError, match=r"newer program.*9999.*update whichcore"):
        open_store(address)


def test_something_else_is_no_store(tmp_path):
    other = tmp_path / "other.sqlite"
    with contextlib.closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE drawers (n)")
        connection.commit()
    text_file = tmp_path / "text.sqlite"
    text_file.write_bytes(b"bin a\n" * 300)
    for path, what in ((other, "something else"), (text_file, "not a store"), (tmp_path, "cannot be opened")):
        before = path.read_bytes() if path.is_file() else b""
        with pytest.raises(RecordError, match=what):
            open_store(str(path))
        assert (path.read_bytes() if path.is_file() else b"") == before


@pytest.mark.parametrize(
    ("stated", "shown"),
    [
        ("http://x/y", "http://x/y"),
        ("mysql://u:secret@h/d", "mysql://u:***@h/d"),
        ("postgresql://u:secret@h", "postgresql://u:***@h"),
        ("postgresql://h:port/d", "postgresql://h:port/d"),
    ],
)
def test_a_wrong_address_is_one_line_without_its_password(stated, shown):
    with pytest.raises(RecordError) as caught:
        store_address(stated)
    assert caught.value.got == shown
    assert "secret" not in caught.value.one_line()


def test_the_address_is_the_stated_one_the_variable_or_the_user_s(monkeypatch, tmp_path):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    monkeypatch.delenv("WHICHCORE_RECORDS", raising=False)
    assert store_address().database == str(tmp_path / "records.sqlite")
    monkeypatch.setenv("WHICHCORE_RECORDS", "postgresql://shop/cores")
    assert store_address().drivername == "postgresql+psycopg"
    assert store_address("x.sqlite").database == "x.sqlite"


def test_a_database_that_is_not_there_is_one_line():
    with pytest.raises(RecordError, match="cannot be reached"):
        open_store("postgresql://keeper@127.0.0.1:9/shop")


@pytest.mark.soak
def test_a_database_that_goes_away_is_one_line_and_comes_back_whole():
    with running_server() as (url, control):
        address = new_database(url)
        with open_store(address) as store:
            kept = store.add(note())
            stop(control)
            with pytest.raises(RecordError, match="cannot be reached") as caught:
                store.add(note("lost"))
            assert caught.value.exit_code == 6
            start(control)
            assert store.payload(kept) == b"a core"
            again = store.add(note("found"))
            assert {record.id for record in store.search()} == {kept, again}


def test_a_database_without_that_name_is_one_line(server):
    with pytest.raises(RecordError, match="no such database"):
        open_store(f"{server}/nowhere")


def test_a_locked_store_is_one_line_and_whole(tmp_path, monkeypatch):
    monkeypatch.setattr("whichcore.records.database.BUSY_S", 0.05)
    place = tmp_path / "store.sqlite"
    with open_store(str(place)) as store, contextlib.closing(sqlite3.connect(place)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecordError, match="another program holds"):
            store.add(note())
        other.rollback()
        store.add(note())
        assert store.count() == 1


def test_a_full_disk_is_one_line_and_loses_nothing(tmp_path):
    with open_store(str(tmp_path / "store.sqlite")) as store:
        kept = store.add(note())
        with store.transaction() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
        with pytest.raises(RecordError, match="disk is full"):
            store.add(note("large", payload=bytes(2_000_000)))
        assert store.payload(kept) == b"a core"


# imports once and forks for each writer, so that both come upon the empty place at once
WRITERS = """
import os, sys
from whichcore.records import Kind, NewRecord, open_store

def write(name):
    with open_store(sys.argv[1]) as store:
        for n in range(25):
            payload = f"{name} {n}".encode() * 50
            columns = {"shape": "ring", "turns": n}
            kept = store.add(NewRecord(Kind.CORE, name, payload, ".toml", columns))
            os.write(1, f"{kept}\\n".encode())  # in one piece: the two share the pipe

for name in ("left", "right"):
    if os.fork() == 0:
        code = 1
        try:
            write(name)
            code = 0
        finally:
            os._exit(code)
print(*(os.waitstatus_to_exitcode(os.wait()[1]) for _ in range(2)), file=sys.stderr)
"""


def test_two_writers_at_once_make_one_store(address):
    """Both find no store, both make it, both write."""
    words = [sys.executable, "-c", WRITERS, address]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True)
    assert done.stderr.split() == ["0", "0"]
    told = done.stdout.split()
    assert len(told) == 50
    with open_store(address) as store:
        assert {record.id for record in store.search(Question(most=1000))} == set(told)
        assert store.count() == 50
        assert list(store.damaged()) == []
