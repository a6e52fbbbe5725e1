"""Waveform files of many layouts read alike, and refused with the reason where they cannot be."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from whichcore.analysis.recovered_step import recovered_step
from whichcore.errors import InputError
from whichcore.files.waveform_cells import meaning_of, read_cells
from whichcore.files.waveform_csv import read_waveform_csv
from whichcore.files.waveform_wav import read_waveform_wav

COUNT, INTERVAL_S, STEP_A, STEP_B = 600, 2e-7, 0.04, 0.008
TIME = np.arange(COUNT) * INTERVAL_S - 1e-4
A = np.round(np.sin(2 * np.pi * 1e5 * TIME) / STEP_A) * STEP_A
B = np.round(0.3 * np.sin(2 * np.pi * 1e5 * TIME - 1) / STEP_B) * STEP_B


def rows(template="{t:.7e},{a:.4f},{b:.4f}", count=COUNT):
    return [
        template.format(i=i, t=t, ms=1e3 * t, a=a, b=b, ca=round(a / STEP_A), cb=round(b / STEP_B))
        for i, (t, a, b) in enumerate(zip(TIME[:count], A, B, strict=False))
    ]


def written(tmp_path, lines, *, name="w.csv", line_end="\n", encoding="utf-8", ended=True):
    path = tmp_path / name
    path.write_bytes((line_end.join(lines) + (line_end if ended else "")).encode(encoding))
    return path


def beside_the_data():
    told = {
        0: f"Record length,{COUNT},",
        1: "Sample interval,2.0e-07,",
        2: "Vertical units,V,V",
        3: "Vertical scale,0.5,0.1",
    }
    return [f"{told.get(i, ',,')},,{row}," for i, row in enumerate(rows())]


LAYOUTS = {
    "names and units over the columns": ["Time,CH1,CH2", "s,V,V", *rows()],
    "words and values above": [
        f"Record length,{COUNT}", "Sample interval,2e-7,s", "Vertical scale,0.5,0.1", "", "Time (s),CH1,CH2",
        *rows(),
    ],
    "words and values beside the data": beside_the_data(),
    "start and step beside the names": [
        "X,CH1,CH2,Start,Increment", "Sequence,Volt,Volt,-1.0e-4,2.0e-7", *rows("{i},{a:.4e},{b:.4e},,"),
    ],
    "milliseconds and semicolons": ["Time (ms);CH1 (V);CH2 (V)", *rows("{ms:.4f};{a:.4f};{b:.4f}")],
    "no time column, a rate, tabs": [
        "sample rate: 5 MSa/s", "", "CH1 [V]\tCH2 [V]", *rows("{a:.4f}\t{b:.4f}"),
    ],
    "codes with a scale": [
        "Sampling interval;200 ns", "Volts per code;0.04;0.008", "CH1;CH2", *rows("{ca};{cb}"),
    ],
    "marked lines and a number for each sample": [
        "# sample rate = 5e6", "# units in volts", "index,CH1,CH2", "#,V,V", *rows("{i},{a:.4f},{b:.4f}"),
    ],
    "nothing but numbers": rows(),
    "time rounded to more than a sample": ["Time,CH1,CH2", "s,V,V", *rows("{t:.2e},{a:.3f},{b:.3f}")],
}  # fmt: skip


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_gives_the_same_record(tmp_path, layout):
    wave = read_waveform_csv(written(tmp_path, LAYOUTS[layout]))
    assert wave.interval_s == pytest.approx(INTERVAL_S, rel=1e-6)  # analytic: as written
    volts = wave.samples * np.array(wave.volts_per_code)[:, None]
    np.testing.assert_allclose(volts, [A, B], atol=1e-9)
    # analytic: the steps the channels were rounded to
    assert np.array(wave.step_codes) * wave.volts_per_code == pytest.approx([STEP_A, STEP_B], rel=1e-6)


@pytest.mark.parametrize(
    ("line_end", "encoding"), [("\r\n", "utf-8-sig"), ("\r", "utf-8"), ("\n", "utf-16"), ("\r\n", "latin-1")]
)
def test_line_ends_marks_and_encodings(tmp_path, line_end, encoding):
    lines = ["Zeit – µs" if encoding != "latin-1" else "Länge in µs", "Time,CH1,CH2", "s,V,V", *rows()]
    wave = read_waveform_csv(written(tmp_path, lines, line_end=line_end, encoding=encoding))
    np.testing.assert_allclose(wave.samples, [A, B], atol=1e-9)


def test_what_was_taken_for_granted_is_said(tmp_path):
    notes = read_waveform_csv(written(tmp_path, rows(), ended=False)).notes
    assert notes == (
        "column 1 has no name; it rises evenly and is taken as the time in s",
        "no unit of the channels is stated; they are taken as volts",
        "the last line has no line end and is left out",
    )


def test_settings_of_the_channels_are_kept(tmp_path):
    assert read_waveform_csv(written(tmp_path, LAYOUTS["words and values above"])).ranges == ("0.5", "0.1")
    assert read_waveform_csv(written(tmp_path, LAYOUTS["nothing but numbers"])).ranges == ("", "")


def gap():
    lines = ["Time,CH1,CH2", "s,V,V", *rows()]
    return [*lines[:200], *lines[210:]]


def replaced(number, row):
    lines = ["Time,CH1,CH2", "s,V,V", *rows()]
    lines[number - 1] = row
    return lines


HEAD = ["Time,CH1,CH2", "s,V,V"]
LINES = [*HEAD, *rows()]
REFUSED = {
    "semicolons and decimal commas": (
        [r.replace(",", ";").replace(".", ",") for r in ["t,a,b", *rows()]], "commas as decimal.*English"),
    "a gap": (gap(), "line 201: the samples are not evenly spaced.*2.2e-06 s where 2e-07 s"),
    "one sample missing": ([*LINES[:300], *LINES[301:]], "line 301: the samples are not evenly spaced"),
    "two intervals": (["Sample interval,4e-7", *HEAD, *rows()], "differ; got 4e-07 s and 2e-07 s"),
    "no time base": (["CH1,CH2", *rows("{a:.4f},{b:.4f}")], "states no sample interval"),
    "half written, length stated": (
        ["Record length,600", *HEAD, *rows(count=400)], "not written to its end; got 400 of 600 samples"),
    "cut in the last line": ([*HEAD, *rows(), "2.0e-5,0.0"], "line 603: the last line is cut"),
    "an empty channel": ([*HEAD, *rows("{t:.7e},{a:.4f},0")], "CH2: a channel is empty"),
    "channels of different length": (
        [*HEAD, *rows(count=300), *rows("{t:.7e},{a:.4f},")[300:]], "line 303: the channels are of diff"),
    "not a number": (replaced(100, "-8e-5,nan,0.1"), "line 100: a finite number was expected; got nan"),
    "a remark in the midst": (replaced(100, "here the trigger, was, lost"), "line 100: a row in the midst"),
    "one cell empty": (replaced(100, "-8e-5,,0.1"), "line 100: the cell is empty"),
    "codes without a scale": (["Time,CH1,CH2", *rows("{t:.7e},{ca},{cb}")], "whole numbers.*volts_per_code"),
    "amperes": (["Time,CH1,CH2", "s,V,A", *rows()], "CH2: a channel is not in volts; got A"),
    "too short": ([*HEAD, *rows(count=10)], "too short; got 10 samples"),
    "two lengths": (["points,600", "samples,500", *HEAD, *rows()], "states its length twice"),
    "an interval of words": (["sample interval,fast", *HEAD, *rows()], "line 1: the sample interval cannot"),
    "text": (["This is", "a letter", "to a friend", "about cores"], "no columns of numbers"),
    "settings only": (["Time,5", "Volts,2", "Probe,10"], "too short|no columns|no record"),
    "time alone": (["Time,", "s,", *rows("{t:.7e},")], "a time column and no channel"),
}  # fmt: skip


@pytest.mark.parametrize("fault", REFUSED)
def test_what_is_wrong_is_named(tmp_path, fault):
    lines, said = REFUSED[fault]
    path = written(tmp_path, lines, ended=not fault.startswith("cut"))
    with pytest.raises(InputError, match=said) as caught:
        read_waveform_csv(path)
    assert "w.csv" in caught.value.where
    assert caught.value.next_step or caught.value.allowed


def test_sticks_pulled_too_early(tmp_path):
    whole = written(tmp_path, [*HEAD, *rows()]).read_bytes()
    for content, said in (
        (b"", "the file is empty"),
        (b"\0" * 512, "nothing but null bytes"),
        (whole[:9000] + b"\0" * 1024, "goes over into null bytes"),
    ):
        path = tmp_path / "torn.csv"
        path.write_bytes(content)
        with pytest.raises(InputError, match=said) as caught:
            read_waveform_csv(path)
        assert "save it again" in caught.value.next_step


@given(cut=st.integers(min_value=1, max_value=20_000))
@settings(max_examples=60, deadline=None)
def test_a_file_cut_anywhere_never_gives_other_numbers(tmp_path_factory, cut):
    folder = tmp_path_factory.mktemp("cut")
    whole = written(folder, [*HEAD, *rows()]).read_bytes()
    path = folder / "cut.csv"
    path.write_bytes(whole[: min(cut, len(whole))])
    try:
        wave = read_waveform_csv(path)
    except InputError:
        return
    count = wave.samples.shape[1]
    np.testing.assert_array_equal(np.round(wave.samples / 1e-4), np.round(np.array([A, B])[:, :count] / 1e-4))


SIGNS = ["1", "-3", "e9", "1e400", " ", ",", ";", "\t", "\n", "#", ":", "=", '"', "é"]
WORDS = ["V", "s", "nan", "Time", "(ms)", "sample interval", "record length", "volts per code"]
PIECES = st.sampled_from([*SIGNS, *WORDS])


@given(above=st.lists(PIECES, max_size=12), below=st.lists(PIECES, max_size=6), at=st.integers(0, 700))
@settings(max_examples=80, deadline=None)
def test_no_text_makes_anything_but_an_input_error(tmp_path_factory, above, below, at):
    body = "\n".join(rows(count=40))
    text = "".join(above) + "\n" + body[:at] + "".join(below) + body[at:]
    path = tmp_path_factory.mktemp("any") / "w.csv"
    path.write_text(text, encoding="utf-8")
    try:
        wave = read_waveform_csv(path)
    except InputError:
        return
    assert np.isfinite(wave.samples).all()
    assert wave.interval_s > 0


def test_words_have_one_meaning_each():
    cells = {"Sample Interval (s)": "interval", "SAMPLE_RATE": "rate", "Volts/div": "range", "Firmware": ""}
    assert {word: meaning_of(word) for word in cells} == cells


def test_channels_are_found_by_number_and_name(tmp_path):
    wave = read_waveform_csv(written(tmp_path, LAYOUTS["milliseconds and semicolons"]))
    assert (wave.place(1), wave.place("ch2")) == (0, 1)
    with pytest.raises(InputError, match=r"no such channel; got 3; allowed: 1 \(CH1\), 2 \(CH2\)"):
        wave.place(3)


def test_a_long_preamble_is_no_obstacle(tmp_path):
    lines = [*(f"Setting {k},{k}" for k in range(350)), *HEAD, *rows()]
    assert read_cells(written(tmp_path, lines)).numbers.shape == (COUNT, 3)


# ------------------------------------------------------------------------------------------------- steps


@pytest.mark.parametrize(("step", "digits"), [(0.04, 4), (1 / 256, 4), (3.90625e-3, 5), (0.1 / 25.6, 6)])
def test_the_step_is_recovered_from_printed_values(step, digits):
    rng = np.random.default_rng(2)
    values = np.round(np.round(rng.normal(0, 30, 3000)) * step, digits)
    assert recovered_step(values) == pytest.approx(step, rel=2e-3)  # analytic, but for the digits printed


def test_values_without_steps_have_none():
    assert recovered_step(np.random.default_rng(3).normal(0, 1, 5000)) == 0.0
    assert recovered_step(np.ones(10)) == 0.0


# --------------------------------------------------------------------------------------------------- WAV


def pcm(bits):
    top = 2 ** (bits - 1)
    return [np.clip(np.round(0.5 * v / 1.0 * top), -top, top - 1).astype(int) for v in (A, B)]


@pytest.mark.parametrize("bits", [16, 24, 32, "float32"])
def test_recordings(tmp_path, bits):
    path = tmp_path / "r.wav"
    if bits == 24:
        _write_24(path, np.array(pcm(24)).T)
    elif bits == "float32":
        wavfile.write(path, 48000, (0.5 * np.array([A, B]).T).astype(np.float32))
    else:
        wavfile.write(path, 48000, np.array(pcm(bits)).T.astype(f"int{bits}"))
    wave = read_waveform_wav(path, (2.0,))
    volts = wave.samples * np.array(wave.volts_per_code)[:, None]
    # analytic: half of full scale at 2 V peak is A itself; off by half a step of 16 bits of 2 V at the most
    np.testing.assert_allclose(volts, [A, B], atol=0.51 * 2.0 / 2**15)
    assert wave.interval_s == pytest.approx(1 / 48000)
    step = {16: 2.0 / 2**15, 24: 2.0 / 2**23, 32: 2.0 / 2**31, "float32": 0.0}[bits]
    assert wave.step_codes[0] * wave.volts_per_code[0] == pytest.approx(step)


def _write_24(path, codes):
    """A header written by hand (RIFF, from memory): two channels, 48 kHz, three bytes a sample."""
    data = b"".join(int(c).to_bytes(3, "little", signed=True) for c in codes.ravel())
    head = b"RIFF" + (36 + len(data)).to_bytes(4, "little") + b"WAVEfmt " + (16).to_bytes(4, "little")
    head += (1).to_bytes(2, "little") + (2).to_bytes(2, "little") + (48000).to_bytes(4, "little")
    head += (48000 * 6).to_bytes(4, "little") + (6).to_bytes(2, "little") + (24).to_bytes(2, "little")
    path.write_bytes(head + b"data" + len(data).to_bytes(4, "little") + data)


def test_rails_of_recordings_are_known(tmp_path):
    path = tmp_path / "r.wav"
    _write_24(path, np.clip(np.array(pcm(24)).T * 3, -(2**23), 2**23 - 1))
    wave = read_waveform_wav(path, (1.0,))
    low, high = wave.clip_codes[0]
    assert (wave.samples[0].min(), wave.samples[0].max()) == (low, high)


def test_faulty_recordings(tmp_path):
    path = tmp_path / "r.wav"
    wavfile.write(path, 48000, np.array(pcm(16)).T.astype(np.int16))
    with pytest.raises(InputError, match=r"full scale.*not stated"):
        read_waveform_wav(path, None)
    whole = path.read_bytes()
    for content in (whole[:1000], whole[:20], b"", b"no recording at all"):
        path.write_bytes(content)
        with (
            warnings.catch_warnings(),
            pytest.raises(InputError, match=r"not written to its end|no recording"),
        ):
            read_waveform_wav(path, (1.0,))
    wavfile.write(path, 48000, np.zeros((100, 2), dtype=np.int16))
    with pytest.raises(InputError, match=r"channel is empty.*exact zeros"):
        read_waveform_wav(path, (1.0,))
