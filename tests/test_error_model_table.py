"""The tables of error-models.md: made by their script, and what the text says of them."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from whichcore.analysis.types import Wiring

SCRIPT = Path(__file__).resolve().parents[1] / "docs" / "make_error_model_table.py"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_error_model_table", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


WIRINGS = pytest.mark.parametrize("wiring", [Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND])


def test_the_page_holds_the_tables_as_the_script_makes_them(script):
    assert script.kept() == script.text(), "run python docs/make_error_model_table.py"


@WIRINGS
def test_solved_models_are_right_within_twice_what_they_state(script, wiring):
    """Computed on the nodal solution of the circuit, which knows nothing of the models."""
    for name in list(script.MODELS)[1:]:
        for size_ohm in script.SIZES_OHM:
            off, stated = script.errors(wiring, name, size_ohm)
            assert np.all(off < 2 * stated)


@WIRINGS
def test_the_ratio_model_misses_the_leads(script, wiring):
    """Analytic: two leads of 38 nH are 1.43 ohm at 3 MHz, 11 mohm each 2.2 % of one ohm anywhere."""
    off, stated = script.errors(wiring, "`ratio`", 1.0)
    # beside a coil at 84 degrees the leads add almost in full; the input and the shunt do the rest
    assert off[-1] == pytest.approx(2 * np.pi * 3e6 * 76e-9, rel=0.03)
    assert off[0] == pytest.approx(np.hypot(0.022, 2 * np.pi * 1e4 * 76e-9), rel=0.05)
    assert stated[-1] < 0.01


def test_percent_has_two_digits_and_no_exponent(script):
    assert [script.percent(x) for x in (0.0123456, 1.4, 0.00057, 0.0999, 0.0)] == [
        "1.2",
        "140",
        "0.057",
        "10",
        "0",
    ]
