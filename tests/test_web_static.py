"""The page's own files: whole, from nowhere else, and what is brought along is what it says it is."""

import hashlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
STATIC = ROOT / "src" / "whichcore" / "web" / "static"
MODULES = sorted(STATIC.glob("*.js"))
IMPORT = re.compile(r'^import \{([^}]*)\} from "\./([\w.]+)";$', re.M)
EXPORT = re.compile(r"^export (?:async )?(?:function|class|const) (\w+)", re.M)
CALL = re.compile(r'\bask\("([\w.]+)"')


def text(name):
    return (STATIC / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_every_module_and_name_that_is_imported_is_there(path):
    source = path.read_text(encoding="utf-8")
    statements = re.findall(r"^import\b.*$", source, re.M)
    assert len(statements) == len(IMPORT.findall(source))  # every import is of the one form that is looked at
    for names, module in IMPORT.findall(source):
        assert set(EXPORT.findall(text(module))) >= {name.strip() for name in names.split(",")}, module


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_every_name_that_is_imported_is_used(path):
    source = path.read_text(encoding="utf-8")
    body = IMPORT.sub("", source)
    for names, _ in IMPORT.findall(source):
        for name in names.split(","):
            assert re.search(rf"\b{name.strip()}\b", body), name


def test_every_module_is_reached_from_the_page():
    wanted, seen = [re.search(r'src="/static/(main\.js)"', text("index.html"))[1]], set()
    while wanted:
        name = wanted.pop()
        if name not in seen:
            seen.add(name)
            wanted += [module for _, module in IMPORT.findall(text(name))]
    assert {path.name for path in MODULES} == seen | {"theme.js"}  # that one is a script of its own


def test_every_question_the_page_asks_has_an_answer():
    asked = {name for path in MODULES for name in CALL.findall(path.read_text(encoding="utf-8"))}
    answered = set()
    for child in ("desk", "judge", "bench"):
        source = (STATIC.parent / f"{child}.py").read_text(encoding="utf-8")
        answered |= set(re.findall(r'"([\w.]+)": [\w.]+[,}\n]', source))
    assert len(asked) > 15
    assert asked <= answered, asked - answered


def test_nothing_is_inline_and_nothing_comes_from_elsewhere():
    page = text("index.html")
    assert not re.search(r"<style|\sstyle=|\son\w+=|<script>|javascript:", page)
    banned = re.compile(r"https?://|//cdn|@import|\beval\(|new Function|innerHTML|insertAdjacentHTML")
    for path in [*MODULES, STATIC / "index.html", STATIC / "page.css"]:
        source = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not banned.search(source), path
    for found in re.findall(r'(?:src|href)="([^"]+)"', page):
        assert found.startswith("#") or (STATIC / found.removeprefix("/static/")).is_file(), found


@pytest.mark.parametrize("folder", [STATIC / "vendor", ROOT / "tests" / "vendor"])
def test_what_is_brought_along_is_what_it_says_with_its_licence(folder):
    told = (folder / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([\w.-]+)` \|.*\| ([0-9a-f]{64}) \|$", told, re.M)
    assert {name for name, _ in rows} == {path.name for path in folder.glob("*.js")}
    for name, digest in rows:
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
    licences = re.findall(r"`([\w.-]+\.txt)`", told)
    assert licences
    assert {path.name for path in folder.glob("*.txt")} == set(licences)


def test_the_curves_have_the_colours_of_the_figures():
    style = (ROOT / "src" / "whichcore" / "figures" / "style.py").read_text(encoding="utf-8")
    names = re.search(r"^BLUE.*?= (.*)$", style, re.M)[1]
    assert set(re.findall(r"#[0-9A-F]{6}", text("palette.js"))) == set(re.findall(r"#[0-9A-F]{6}", names))
    patterns = re.findall(r"pattern: (.*?), symbol: \"(\w+)\"", text("palette.js"))
    # told apart without any colour, too
    assert len(set(patterns)) == len(patterns) == 4


@pytest.mark.parametrize("shape", ["ring", "sleeve", "two-hole", "pair", "effective", "rod"])
def test_the_form_has_fields_that_the_file_format_knows(shape):
    from whichcore.files.specimen_tables import SHAPES, WindingTable  # noqa: PLC0415 - pydantic loads slowly

    source = text("fields.js")
    known = set(SHAPES[shape].table.model_fields) | set(WindingTable.model_fields)
    listed = {"ring": "RING", "sleeve": "RING", "pair": "CONSTANTS", "effective": "CONSTANTS"}.get(shape)
    begin, end = (
        (f"const {listed} = [", "];")
        if listed
        else (f'{shape}"' if "-" in shape else f"{shape}: {{", "\n  },")
    )
    start = source.index(begin)
    end = source.index(end, start)
    keys = re.findall(r'L\("(\w+)"', source[start:end])
    assert len(keys) >= 3
    assert set(keys) <= known
    required = {name for name, field in SHAPES[shape].table.model_fields.items() if field.is_required()}
    assert required - {"shape"} <= set(keys)


def test_every_length_of_a_shape_is_in_its_drawing():
    from whichcore.files.specimen_tables import SHAPES  # noqa: PLC0415 - pydantic loads slowly

    drawn = set(re.findall(r'(?:measure|part)\("(\w+)"', text("shapes.js")))
    lengths = {key for shape in SHAPES.values() for key in shape.lengths}
    assert lengths <= drawn
