"""Specimen files."""

import warnings

import pytest

from whichcore.analysis.specimen import Crack, EffectiveCore, Pair, Ring, Rod, Sleeve, TwoHole, Winding
from whichcore.analysis.types import Resistance
from whichcore.errors import InputError, WhichcoreWarning
from whichcore.files import load_specimen

RING = """\
[core]
shape = "ring"
outer_diameter = "25.0 mm"
inner_diameter = "15.0 mm"
height = "10.0 mm"
dimension_uncertainty = "0.03 mm"
{core}
[winding]
turns = 10
{winding}
"""


@pytest.fixture
def load(tmp_path):
    def write_and_load(text):
        path = tmp_path / "piece.toml"
        path.write_text(text, encoding="utf-8")
        return load_specimen(path)

    return write_and_load


def ring(core="", winding=""):
    return RING.format(core=core, winding=winding)


def test_a_ring_with_everything_stated(load):
    specimen = load(
        'name = "bin 7, piece 1"\n'
        + ring(
            core="""
            mass = "14.2 g"
            surface_resistance = "> 20 Mohm"
            edge_radius = "0.5 mm"
            coating_thickness = "0.1 mm"
            stacking_factor = 0.9
            stack = 2
            gap = "5 um"
            case = false
            temperature = "23.5 degC"
            hours_since_heat_or_magnetisation = "2 d"
            u_height = "0.1 mm"
            u_outer_diameter = "1 %"
            u_stacking_factor = 0.02""",
            winding="""
            secondary_turns = 4
            wire_diameter = "0.4 mm"
            wire_length = "0.45 m"
            lead_length = "6 cm"
            dc_resistance = "62 mohm"
            capacitance = "5 pF" """,
        )
    )
    # analytic: definitions of the units
    assert specimen.core == Ring(0.025, 0.015, 0.010, 0.0005, 0.0, 0.0001, 0.9, 2)
    assert specimen.winding == Winding(10, 4, 0.0004, 0.45, 0.06, 0.062, 5e-12)
    assert specimen.mass_kg == 0.0142
    assert specimen.surface_resistance == Resistance(20e6, over_range=True)
    assert specimen.gap_m == 5e-6
    assert specimen.temperature_c == 23.5
    assert specimen.hours_since_heat_or_magnetisation == 48.0
    assert specimen.encased is False
    assert specimen.name == "bin 7, piece 1"
    assert specimen.dimension_uncertainties_m == pytest.approx(
        {
            "outer_diameter_m": 0.00025,
            "inner_diameter_m": 0.00003,
            "height_m": 0.0001,
            "edge_radius_m": 0.00003,
            "coating_thickness_m": 0.00003,
            "stacking_factor": 0.02,
        }
    )


@pytest.mark.parametrize("crack", Crack)
def test_what_a_look_for_a_crack_came_to(load, crack):
    assert load(ring(core=f'crack = "{crack}"')).crack is crack


def test_a_value_that_fills_pages_is_shown_by_its_beginning(load):
    """One line stays one line, in print and in JSON, and says how long the value was."""
    with pytest.raises(InputError) as caught:
        load(ring(core=f'crack = "{"x" * 5000}"'))
    got = caught.value.to_dict()["got"]
    assert got.endswith("x… (5000 characters)")
    assert len(got) < 250
    assert len(caught.value.one_line()) < 500


def test_nobody_looked_for_a_crack(load):
    assert load(ring()).crack is None


@pytest.mark.parametrize(
    ("core", "told"),
    [
        ('crack = "maybe"', ("a crack is seen or not seen", "maybe", '"seen", "not seen"')),
        ("crack = true", ("a crack is seen or not seen", "True", '"seen", "not seen"')),
        (
            'crack = "seen"\ngap = "20 um"',
            (
                "a crack counts only in a closed core in one piece without a stated gap",
                "seen",
                "no rod, no joints, no gap",
            ),
        ),
    ],
)
def test_a_crack_that_cannot_be_is_refused_at_its_line(load, core, told):
    with pytest.raises(InputError) as caught:
        load(ring(core=core))
    error = caught.value
    assert error.where.endswith("line 7, core.crack")
    assert (error.what, error.got, error.allowed) == told
    assert error.next_step


def test_a_crack_that_cannot_be_is_told_with_the_other_faults(load):
    with pytest.raises(InputError) as caught:
        load(ring(core='crack = "seen"\ngap = "20 um"\nmas = "2 g"'))
    assert "mas" in str(caught.value)
    assert "crack" in str(caught.value)


def test_the_hours_may_be_a_plain_number_because_the_key_names_the_unit(load):
    specimen = load(ring(core="hours_since_heat_or_magnetisation = 36"))
    assert specimen.hours_since_heat_or_magnetisation == 36.0  # analytic


def test_the_name_is_that_of_the_file_when_none_is_stated(load):
    assert load(ring()).name == "piece"


def test_a_sleeve_is_a_sleeve(load):
    assert type(load(ring().replace('"ring"', '"sleeve"')).core) is Sleeve


def test_a_two_hole_core(load):
    specimen = load(
        """
        [core]
        shape = "two-hole"
        width = "14 mm"
        thickness = "8 mm"
        length = "10 mm"
        hole_diameter = "3.5 mm"
        hole_spacing = "6 mm"
        wound_holes = 1
        dimension_uncertainty = "0.05 mm"
        [winding]
        turns = 3
        """
    )
    assert specimen.core == TwoHole(0.014, 0.008, 0.010, 0.0035, 0.006, 1)  # analytic
    assert specimen.dimension_uncertainties_m["hole_spacing_m"] == 0.00005  # analytic


def test_a_pair_by_its_core_constants(load):
    specimen = load(
        """
        [core]
        shape = "pair"
        c1 = "1.2300 1/mm"
        c2 = "0.025140 1/mm3"
        dimension_uncertainty = "1 %"
        u_c2 = "0.0001 1/mm3"
        gap = "20 um"
        [winding]
        turns = 10
        """
    )
    assert type(specimen.core) is Pair
    assert specimen.core == Pair(1230.0, 2.5140e7)  # analytic
    assert specimen.core.joints == 2
    assert specimen.dimension_uncertainties_m == pytest.approx(
        {"c1_per_m": 12.3, "c2_per_m3": 1e5}
    )  # analytic


def test_effective_length_and_area_give_the_core_constants(load):
    specimen = load(
        """
        [core]
        shape = "effective"
        effective_length = "60.180 mm"
        effective_area = "48.927 mm2"
        joints = 1
        u_effective_length = "3 %"
        u_effective_area = "4 %"
        [winding]
        turns = 10
        """
    )
    assert type(specimen.core) is EffectiveCore
    # computed: C1 and C2 of a ring 25/15/10 from the exact integral, to five figures
    assert specimen.core.c1_per_m == pytest.approx(1230.0, abs=0.05)
    assert specimen.core.c2_per_m3 == pytest.approx(2.5140e7, abs=0.0005e7)
    # analytic: 5 % = √(3² + 4²) %, and √(3² + 8²) % for C2
    uncertainties = specimen.dimension_uncertainties_m
    assert uncertainties["c1_per_m"] / specimen.core.c1_per_m == pytest.approx(0.05)
    assert uncertainties["c2_per_m3"] / specimen.core.c2_per_m3 == pytest.approx(0.73**0.5 / 10)


def test_a_rod(load):
    specimen = load(
        """
        [core]
        shape = "rod"
        diameter = "8 mm"
        length = "50 mm"
        empty_coil_inductance = "12 uH"
        coil_length = "30 mm"
        coil_diameter = "9 mm"
        dimension_uncertainty = "0.1 mm"
        u_empty_coil_inductance = "0.1 uH"
        [winding]
        turns = 40
        """
    )
    assert specimen.core == Rod(0.008, 0.05, 12e-6, 0.03, 0.009)  # analytic
    assert specimen.dimension_uncertainties_m["empty_coil_inductance_h"] == 1e-7  # analytic
    assert specimen.dimension_uncertainties_m["coil_length_m"] == 1e-4  # analytic


def test_without_a_stated_uncertainty_a_default_is_taken_and_told(load):
    text = ring().replace('dimension_uncertainty = "0.03 mm"', 'u_height = "0.01 mm"')
    with pytest.warns(WhichcoreWarning, match=r"0\.05 mm for outer_diameter, inner_diameter") as caught:
        specimen = load(text)
    assert len(caught) == 1
    # practice: what a workshop caliper does on a pressed part
    assert specimen.dimension_uncertainties_m["outer_diameter_m"] == 0.05e-3
    assert specimen.dimension_uncertainties_m["height_m"] == 0.01e-3  # analytic


def test_constants_off_a_sheet_have_a_default_of_two_per_cent(load):
    text = '[core]\nshape = "effective"\nc1 = "1 1/mm"\nc2 = "0.02 1/mm3"\n[winding]\nturns = 1\n'
    with pytest.warns(WhichcoreWarning, match="2 % for c1, c2"):
        specimen = load(text)
    assert specimen.dimension_uncertainties_m["c1_per_m"] == pytest.approx(20.0)  # practice: 2 %


def test_a_case_with_its_wall_counts_as_coating(load):
    specimen = load(ring(core='case = "0.5 mm"'))
    assert specimen.encased
    assert specimen.core.coating_thickness_m == 0.0005  # analytic
    assert specimen.dimension_uncertainties_m["coating_thickness_m"] == 0.00003  # analytic


def test_a_case_of_unknown_wall_is_warned_of(load):
    with pytest.warns(WhichcoreWarning, match="thickness of the case"):
        specimen = load(ring(core="case = true"))
    assert specimen.encased
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert load(ring(core='case = true\ncoating_thickness = "0.5 mm"')).encased


@pytest.mark.parametrize(
    ("old", "new", "where", "told"),
    [
        ("outer_diameter = ", "outer_diamter = ", "line 3, core.outer_diamter", "outer_diameter"),
        ('"15.0 mm"', "15.0", "line 4, core.inner_diameter", '"15.0 mm"'),
        ('"15.0 mm"', '"30 mm"', "line 4, core.inner_diameter", "smaller than the outer"),
        ('"15.0 mm"', '"25.0 mm"', "line 4, core.inner_diameter", "smaller than the outer"),
        ('"15.0 mm"', '"0 mm"', "line 4, core.inner_diameter", "positive"),
        ('"15.0 mm"', '"-1 mm"', "line 4, core.inner_diameter", "cannot be"),
        ('"10.0 mm"', '"10,0 mm"', "line 5, core.height", '"10.0 mm"'),
        ('"10.0 mm"', '"10.0 uH"', "line 5, core.height", "unit of inductance"),
        ('height = "10.0 mm"', "", "core.height", "missing"),
        ('"ring"', '"rimg"', "line 2, core.shape", "did you mean ring"),
        ('"ring"', "3", "line 2, core.shape", "unknown shape"),
        ('shape = "ring"', "", "core.shape", "missing"),
        ('"0.03 mm"', "0.03", "line 6, core.dimension_uncertainty", "bare number"),
        ('"0.03 mm"', '"13 mm"', "line 6, core.dimension_uncertainty", "well below"),
        ("turns = 10", "turns = 10.5", "winding.turns", "whole number"),
        ("turns = 10", "turns = 0", "winding.turns", "whole number"),
        ("turns = 10", "turns = nan", "winding.turns", "whole number"),
        ("turns = 10", "turns = inf", "winding.turns", "whole number"),
        ("turns = 10", 'turns = "10"', "winding.turns", "whole number"),
        ("turns = 10", "turns = true", "winding.turns", "whole number"),
        ("turns = 10", "turms = 10", "winding.turms", "did you mean turns"),
        ("[winding]", "[windng]", "windng", "did you mean winding"),
        ("[winding]", "[winding", "line 8", "not TOML"),
        ("turns = 10", "turns = 10\nturns = 11", "line 10", "not TOML"),
    ],
)
def test_a_fault_is_named_with_its_place(load, old, new, where, told):
    text = ring()
    assert old in text
    with pytest.raises(InputError) as caught:
        load(text.replace(old, new, 1))
    assert where in caught.value.where
    assert told in str(caught.value)
    assert "more fault" not in str(caught.value)


@pytest.mark.parametrize(
    ("extra", "told"),
    [
        ("stacking_factor = 1.2", "core.stacking_factor"),
        ('stacking_factor = "90 %"', "plain number"),
        ("stack = 1.5", "core.stack"),
        ('edge_radius = "3 mm"', "does not fit"),
        ('edge_radius = "3 mm"', "core.edge_radius"),
        ('coating_thickness = "3 mm"', "core.coating_thickness"),
        ('case = "3 mm"', "core.case"),
        ('case = "0.5 mm"\ncoating_thickness = "0.1 mm"', "one of them"),
        ("case = 1", "bare number"),
        ("joints = 2", "unknown key"),
        ('u_heigth = "0.1 mm"', "did you mean u_height"),
        ('u_height = "6 mm"', "well below"),
        ("u_height = 0.1", "bare number"),
        ('u_coating_thickness = "10 %"', "not stated"),
        ("u_stacking_factor = -1", "not negative"),
        ('mass = "0 g"', "positive"),
        ('surface_resistance = "-1 ohm"', "core.surface_resistance"),
        ('temperature = "25"', "unit is missing"),
        ("hours_since_heat_or_magnetisation = true", "core.hours"),
        ("hours_since_heat_or_magnetisation = -1", "cannot be"),
    ],
)
def test_a_wrong_optional_key_of_the_core_is_refused(load, extra, told):
    with pytest.raises(InputError) as caught:
        load(ring(core=extra))
    assert told in str(caught.value)


def test_a_wrong_winding_is_refused(load):
    for extra in ('wire_diameter = "0 mm"', "secondary_turns = 0", "capacitance = 5", 'dc_resistance = "62"'):
        with pytest.raises(InputError, match=rf"line 10, winding\.{extra.split(' ')[0]}"):
            load(ring(winding=extra))


def test_all_faults_are_told_at_once_the_first_by_line_in_front(load):
    text = (
        ring()
        .replace('"15.0 mm"', "15.0")
        .replace('"10.0 mm"', '"10,0 mm"')
        .replace("turns = 10", "turns = 0")
    )
    with pytest.raises(InputError) as caught:
        load(text)
    error = caught.value
    assert error.where.endswith("piece.toml, line 4, core.inner_diameter")
    assert error.got == "15.0"
    assert "2 more faults in this file" in error.next_step
    assert "line 5, core.height: the decimal sign is a point" in error.next_step
    assert "line 9, winding.turns: a whole number" in error.next_step
    assert "\n" not in str(error)


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ('c1 = "1 1/mm"', "not stated once and completely"),
        ('effective_length = "60 mm"', "not stated once and completely"),
        ("", "none of them"),
        ('c1 = "1 1/mm"\nc2 = "1 1/mm3"\neffective_length = "60 mm"\neffective_area = "49 mm2"', "once"),
        ('c1 = "1 1/m"\nc2 = "0.02 1/mm3"', "check the units"),
        ('c1 = "1 1/mm"\nc2 = "0.02 1/mm3"\ndimension_uncertainty = "0.1 mm"', "unit of length"),
        ('c1 = "1 1/mm"\nc2 = "0.02 1/mm3"\ncase = "1 mm"', "rings and sleeves only"),
        ('c1 = "1 1/mm"\nc2 = "0.02 1/mm3"\njoints = 0.5', "whole number"),
    ],
)
def test_core_constants_must_be_stated_once_and_completely(load, keys, told):
    with pytest.raises(InputError) as caught:
        load(f'[core]\nshape = "pair"\n{keys}\n[winding]\nturns = 10\n')
    assert told in str(caught.value)


def test_keys_are_found_in_any_way_toml_lets_them_be_written(load):
    text = 'core.shape = "ring"\n"core".outer_diameter = 25\ncore.inner_diameter = "15 mm"\n'
    text += 'core.height = "1 mm"\n'
    with pytest.raises(InputError, match=r"line 2, core\.outer_diameter"):
        load(text + "winding.turns = 10\n")


@pytest.mark.parametrize(
    "text", ["core = 3\nwinding = 4\n", "name = 3\n" + ring(), "[[core]]\n[winding]\nturns = 1\n"]
)
def test_tables_of_another_type_are_refused(load, text):
    with pytest.raises(InputError):
        load(text)


def test_deep_nesting_is_one_clear_line(load):
    with pytest.raises(InputError):
        load("x = " + "[" * 100_000)


@pytest.mark.parametrize(
    ("core", "place"),
    [
        ('edge_radius = "0.5 mm"\nedge_chamfer = "0.5 mm"', "line 8, core.edge_chamfer"),
        ('edge_radius = "2.3 mm"\ncoating_thickness = "1 mm"', "line 7, core.edge_radius"),
    ],
)
def test_edges_that_cannot_be_are_refused_in_their_line(load, core, place):
    with pytest.raises(InputError) as error:
        load(ring(core))
    assert place in error.value.where
    assert error.value.next_step


def test_metres_for_millimetres_are_refused(load):
    with pytest.raises(
        InputError, match=r"core.outer_diameter: no core .* got 25 m; allowed: up to 2 m; next: "
    ):
        load(ring().replace("25.0 mm", "25.0 m"))
