"""The walked examples print what their pages say, and their pictures say what the program says."""

import importlib.util
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from test_documentation import _same

ROOT = Path(__file__).resolve().parents[1]


def _examples():
    spec = importlib.util.spec_from_file_location("make_examples", ROOT / "docs" / "make_examples.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_examples"] = module
    spec.loader.exec_module(module)
    return module


MAKE = _examples()
PAGES = [example.page for example in MAKE.EXAMPLES_SHOWN]


def test_there_are_six_and_each_is_listed():
    listed = (MAKE.EXAMPLES / "README.md").read_text(encoding="utf-8")
    assert len(PAGES) == 6
    assert {path.stem for path in MAKE.EXAMPLES.glob("*.md")} == {*PAGES, "README"}
    for page in PAGES:
        assert f"]({page}.md)" in listed
        text = (MAKE.EXAMPLES / f"{page}.md").read_text(encoding="utf-8")
        assert f'src="{page}.svg"' in text
        assert f'srcset="{page}-dark.svg"' in text


def test_the_cut_sweep_is_the_demonstrations():
    assert MAKE.SLOW_BENCH.read_text(encoding="utf-8") == MAKE.slow_bench_sweep()


@pytest.mark.soak
@pytest.mark.parametrize("example", MAKE.EXAMPLES_SHOWN, ids=PAGES)
def test_a_page_prints_what_it_says(example, monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    steps = list(MAKE.printed(example))
    assert len(steps) == (2 if example.page == "cracked" else 1)
    for step in steps:
        now = sys.modules["walk_tutorial"].without_place(step.printed)
        assert _same(step.body, now), f"run python docs/make_examples.py; now printed:\n{now}"


@pytest.mark.soak
@pytest.mark.parametrize("example", MAKE.EXAMPLES_SHOWN, ids=PAGES)
def test_a_picture_says_what_the_program_says(example, tmp_path):
    for path in MAKE.draw(example, tmp_path):
        kept = (MAKE.EXAMPLES / path.name).read_text(encoding="utf-8")
        assert _same(_words(kept), _words(path.read_text(encoding="utf-8"))), path.name
        assert kept.lower().count("#14181d" if "-dark" in path.name else "#ffffff") > 0


def _words(svg):
    """Texts with letters: the ends of a scale move with the last digit of a curve."""
    texts = ["".join(item.itertext()) for item in ET.fromstring(svg).iter() if item.tag.endswith("}text")]  # noqa: S314
    return "\n".join(text for text in texts if any(letter.isalpha() for letter in text))


@pytest.mark.soak
def test_the_cases_are_what_their_pages_are_about():
    kinds = {example.page: example.identify().verdict for example in MAKE.EXAMPLES_SHOWN}
    assert {page: verdict.kind.value for page, verdict in kinds.items()} == {
        "clear": "material",
        "equivalents": "group",
        "none-of-these": "unlisted",
        "cracked": "class",
        "resistance-against-curve": "material",
        "single-reading": "group",
    }
    cracked = kinds["cracked"]
    assert cracked.candidates[0].material == "shop-choke-a"
    # what is not this grade with a crack is a grade on no list: nothing else fits
    assert cracked.gapped_probability + cracked.unlisted_probability > 0.99
    assert cracked.next_steps[0].action == "look-for-crack"
    assert any("speaks against" in text for text in kinds["resistance-against-curve"].warnings)
    assert kinds["single-reading"].decided_by is None
