"""The report as a file and as pages."""

import dataclasses
import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pypdf
import pytest

from decussa.batch.summary import summarise
from decussa.model.errors import MachineError
from decussa.model.stimulus import Stimulus
from decussa.model.table import SUMMARY_NAMES, TRIAL_NAMES
from decussa.report import words
from decussa.report.session_report import Reported, write_session_report
from tests.report.invented import SHA256, Given, hand_session, make_recording, measured

SINGLE = Given("single", Stimulus.single(60), 900)


def _write(path, recordings, trials, summary, debrief=None):
    made = write_session_report(path, Reported(recordings=recordings, trials=trials, summary=summary, debrief=debrief))
    return pypdf.PdfReader(made)


def _text(reader) -> str:
    """The words of all pages; line ends, break marks and special spaces count as plain spaces or nothing."""
    text = " ".join(page.extract_text() for page in reader.pages)
    return re.sub(r"\s+", " ", text.replace("\u200b", "").replace("\u202f", " ").replace("\xa0", " "))


@pytest.fixture(scope="module")
def session():
    hand = make_recording(hand_session())
    back = make_recording(
        [dataclasses.replace(SINGLE, contraction_pct=12.0)], ("LES right", "LES left"), seed=1, name="sub-Q07_back.bdf"
    )
    return [hand, back], *measured(hand, back)


@pytest.fixture(scope="module")
def report(session, tmp_path_factory):
    return _write(tmp_path_factory.mktemp("report") / "Q07.pdf", *session)


def test_a_session_takes_two_to_four_pages(report):
    assert 2 <= len(report.pages) <= 4


def test_it_declares_itself_pdf_a_2b(report):
    # ISO 19005-2:2011, 6.6.4: part and conformance level are stated in the metadata.
    described = report.xmp_metadata.rdf_root.toxml()
    assert "<pdfaid:part>2</pdfaid:part>" in described
    assert "<pdfaid:conformance>B</pdfaid:conformance>" in described


def test_every_font_is_embedded(report):
    # ISO 19005-2:2011, 6.2.11.4.1.
    def embedded(font):
        descendants = font.get("/DescendantFonts", [font])
        return all(
            {"/FontFile", "/FontFile2", "/FontFile3"} & set(one.get_object()["/FontDescriptor"].get_object())
            for one in descendants
        )

    fonts = [font.get_object() for page in report.pages for font in page["/Resources"].get("/Font", {}).values()]
    assert fonts
    assert all(embedded(font) for font in fonts)


def test_every_figure_says_in_words_what_it_shows(report):
    shown = " ".join(_alternatives(report.trailer["/Root"]["/StructTreeRoot"]))
    for part in ("Sweeps overlaid", "stacked by rising intensity", "sigmoid", "Ratios to the test", "Rectified mean"):
        assert part in shown


def _alternatives(node):
    """The texts in place of pictures, from the tree of marked content (ISO 32000-1:2008, 14.7 and 14.9.3)."""
    node = node.get_object()
    if isinstance(node, list):
        return [text for one in node for text in _alternatives(one)]
    if not isinstance(node, dict):
        return []
    own = [str(node["/Alt"])] if "/Alt" in node else []
    return own + (_alternatives(node["/K"]) if "/K" in node else [])


def test_it_says_who_and_when(report):
    text = _text(report)
    assert "Q07, session 2" in text
    assert "11 May 2026, 14:04" in text
    assert "age 31" in text


def test_counts_stand_in_it(session, report):
    _, trials, _ = session
    text = _text(report)
    assert f"gave {len(trials)} trials" in text
    for muscle, side in (("FDI", "right"), ("LES", "right"), ("LES", "left")):
        own = trials[(trials["muscle"] == muscle) & (trials["side"] == side)]
        counted = [len(own), *((own["verdict"] == kind).sum() for kind in ("accept", "doubtful", "reject"))]
        assert f"{muscle} {side} {' '.join(map(str, counted))}" in text


def test_every_quantity_of_the_summary_stands_in_it(session, report):
    _, _, summary = session
    text = _text(report).lower()
    columns = {"mep_amplitude": "size", "mep_amplitude_arithmetic": "mean size", "isi_measured": "interval measured"}
    for quantity in summary["quantity"].unique():
        if str(quantity).startswith(("trials_", "rejected")):
            continue
        name = columns.get(quantity) or words.QUANTITIES[quantity].partition(",")[0].lower()
        assert {"mep_status": "response at rest"}.get(quantity, name) in text, quantity


def test_values_stand_in_it_with_their_interval(session, report):
    _, _, summary = session
    row = summary[(summary["quantity"] == "sici_ratio")].iloc[0]
    assert f"SICI, 3 ms {row['value']:.2f} [{row['low']:.2f}, {row['high']:.2f}] ratio" in _text(report)


def test_every_caution_stands_in_it(report):
    text = _text(report)
    for caution in (*words.ABOUT_THE_REPORT, *words.BEFORE_THE_NEXT_PULSE):
        assert " ".join(caution.split()) in text
    assert "unreviewed" in text


def test_files_are_named_with_their_fingerprint_and_the_version(report):
    text = _text(report)
    assert "sub-Q07_emg.bdf" in text
    assert SHA256 in text
    assert "Decussa 0." in text


def test_two_reports_of_the_same_input_are_the_same_bytes(session, tmp_path):
    recordings, trials, summary = session
    for name in ("one.pdf", "two.pdf"):
        write_session_report(tmp_path / name, Reported(recordings=recordings, trials=trials, summary=summary))
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_parts_that_were_not_done_are_said(tmp_path):
    recording = make_recording([SINGLE])
    text = _text(_write(tmp_path / "r.pdf", [recording], *measured(recording)))
    assert "Paired pulses: none were given." in text
    assert "Silent period: no pulses were given during contraction." in text
    assert "Rising intensity: single pulses were given at one intensity only." in text


def test_a_table_without_its_recordings_still_makes_a_report(session, tmp_path):
    _, trials, summary = session
    text = _text(_write(tmp_path / "r.pdf", [], trials, summary))
    assert "no samples at hand" in text
    assert "SICI" in text


def _nothing_measured():
    recording = make_recording(hand_session())
    trials, summary = measured(recording)
    numbers = trials.select_dtypes("number").columns.difference(["sweep", "onset_s", "isi_ms", "intensity_mso"])
    trials[numbers] = trials[numbers].astype(float) * np.nan
    return [recording], trials, summary.assign(value=math.nan, low=math.nan, high=math.nan)


def _huge():
    recording = make_recording(hand_session())
    trials, _ = measured(recording)
    sizes = [name for name in trials.columns if name.endswith("_uv")]
    trials[sizes] *= 1e9
    return [recording], trials, summarise(trials)


def _long_names():
    name = "a/very/long/path/" + "without_any_place_to_break" * 12 + ".bdf"
    recording = make_recording([dataclasses.replace(SINGLE, condition="c" * 300)], ("E" * 200,), name=name)
    recording = dataclasses.replace(recording, participant="P" * 150, facts={"Ground": "word " * 2000})
    return [recording], *measured(recording)


def _markup():
    recording = make_recording([dataclasses.replace(SINGLE, condition='#panic() *$x_1$ <b> & \\ "q" $\\frac$')])
    return [dataclasses.replace(recording, notes=('#eval("1") [x',))], *measured(recording)


def _of(given, *labels):
    recording = make_recording(given, labels or ("FDI right",))
    return [recording], *measured(recording)


AWKWARD = {
    "one trial": lambda: _of([dataclasses.replace(SINGLE, times=1)]),
    "five hundred trials": lambda: _of([dataclasses.replace(SINGLE, times=500)]),
    "huge responses": _huge,
    "no response at all": lambda: _of([dataclasses.replace(one, size_uv=0.0) for one in hand_session()]),
    "nothing measured": _nothing_measured,
    "long names": _long_names,
    "names that look like commands": _markup,
    "a muscle that is not known": lambda: _of(hand_session(2), "Ch 7"),
    "thirty intensities": lambda: _of([Given("io", Stimulus.single(40 + n), 30.0 * n, 2) for n in range(30)]),
    "thirty conditions": lambda: _of([Given(f"c{n}", Stimulus.single(60), 500, 2) for n in range(30)]),
    "unequal pairs": lambda: _of(
        [Given(f"p{n}", Stimulus.paired(40, 60, isi), 500, 3) for n, isi in enumerate((0.5, 40, 480))]
    ),
}


@pytest.mark.parametrize("case", AWKWARD)
def test_awkward_input_still_makes_a_report(case, tmp_path):
    reader = _write(tmp_path / "r.pdf", *AWKWARD[case]())
    assert 2 <= len(reader.pages) <= 4
    assert "Cautions" in _text(reader)


def test_nothing_on_a_page_lies_outside_its_edges(tmp_path):
    reader = _write(tmp_path / "r.pdf", *_long_names())
    places = []
    for page in reader.pages:
        page.extract_text(
            visitor_text=lambda text, _cm, tm, _font, _size: places.append(tm[4]) if text.strip() else None
        )
    assert min(places) >= 0
    assert max(places) <= float(reader.pages[0].mediabox.width)


def test_six_muscles_each_have_their_section(tmp_path):
    labels = ("FDI right", "FCR right", "BB right", "LES right", "LES left", "TA left")
    reader = _write(tmp_path / "r.pdf", *_of([SINGLE], *labels))
    text = _text(reader)
    for name in ("First dorsal interosseous", "Flexor carpi radialis", "Biceps brachii", "Tibialis anterior"):
        assert name in text
    assert "LES right and left" in text


def test_a_table_as_it_comes_from_a_file_gives_the_same_report(session, tmp_path):
    recordings, trials, summary = session
    trials.to_csv(tmp_path / "t.csv", index=False)
    summary.to_csv(tmp_path / "s.csv", index=False)
    read = [pd.read_csv(tmp_path / name) for name in ("t.csv", "s.csv")]
    first = _text(_write(tmp_path / "a.pdf", recordings, trials, summary))
    assert _text(_write(tmp_path / "b.pdf", recordings, *read)) == first


def test_a_place_that_cannot_be_written_is_said_in_a_sentence(session, tmp_path):
    recordings, trials, summary = session
    with pytest.raises(MachineError, match="folder does not exist"):
        write_session_report(tmp_path / "no" / "r.pdf", Reported(recordings=recordings, trials=trials, summary=summary))
    assert not list(Path(tmp_path).iterdir())


def test_nothing_that_was_handed_in_is_changed(session, tmp_path):
    recordings, trials, summary = session
    before = trials.copy(), summary.copy()
    write_session_report(tmp_path / "r.pdf", Reported(recordings=recordings, trials=trials, summary=summary))
    pd.testing.assert_frame_equal(trials, before[0])
    pd.testing.assert_frame_equal(summary, before[1])
    assert tuple(trials.columns) == TRIAL_NAMES
    assert tuple(summary.columns) == SUMMARY_NAMES
