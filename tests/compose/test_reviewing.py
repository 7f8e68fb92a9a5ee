"""A stored session under review: what raters say is in the journal, the tables and the report, and nothing is altered."""

import hashlib
import math
import shutil
import sqlite3
import threading
from contextlib import closing

import numpy as np
import pandas as pd
import pytest

from decussa.command.cli import main
from decussa.compose.reviewed_trials import agreement, agreement_words, choose_layer, layer_words, reviewed_trials
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.stored import stored_trials
from decussa.model.errors import UsageError
from decussa.session.live_view import view_of
from decussa.session.review import SEEN, VERDICT
from decussa.store import private
from decussa.store.check import check_study
from decussa.store.operators import add_operator
from decussa.store.people import withdraw
from decussa.store.study import open_study
from tests.session.stage import SESSION, go, make_study

MUSCLE = "FDI right"


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A study with one short session that was run to its end."""
    folder = tmp_path_factory.mktemp("review") / "study"
    make_study(folder)
    go(folder)
    return folder


@pytest.fixture
def folder(finished, tmp_path):
    """A copy of it to review."""
    return shutil.copytree(finished, tmp_path / "study")


@pytest.fixture
def room(folder):
    """Its review, begun by a first rater."""
    room = ReviewRoom(folder, SESSION)
    room.begin("R-1", blind=False)
    return room


def run(arguments):
    """Run the command line and return its exit code."""
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    return ended.value.code


def fingerprint_of_sweeps(folder):
    with closing(sqlite3.connect(folder / "study.db")) as connection:
        rows = connection.execute("SELECT entry, samples FROM sweep ORDER BY entry").fetchall()
    return hashlib.sha256(b"".join(str(entry).encode() + samples for entry, samples in rows)).hexdigest()


def test_what_was_said_is_there_after_reopening_and_the_raw_sweeps_are_untouched(folder, room):
    before = fingerprint_of_sweeps(folder)
    trace = room.of_muscle(MUSCLE)[3]
    room.say("R-1", trace, VERDICT, "reject", reason="moved before the pulse")
    room.say("R-1", trace, "onset_ms", 21.3)
    again = ReviewRoom(folder, SESSION)
    shown = again.shown(again.of_muscle(MUSCLE)[3], again.layers["R-1"])
    assert (shown.verdict, shown.reason, shown.marks["onset_ms"]) == ("reject", "moved before the pulse", 21.3)
    assert fingerprint_of_sweeps(folder) == before
    assert not [finding for finding in check_study(folder) if finding.broken]


def test_each_change_names_the_value_it_replaced(room):
    trace = room.of_muscle(MUSCLE)[2]
    automatic = room.shown(trace, None).marks["onset_ms"]
    room.say("R-1", trace, "onset_ms", 19.0)
    room.say("R-1", trace, "onset_ms", 20.0)
    first, second = [change for _, _, change in room.layers["R-1"].written]
    assert first.old == pytest.approx(automatic, nan_ok=True)
    assert (second.old, second.new) == (19.0, 20.0)


def test_saying_the_same_again_writes_nothing_more(room):
    trace = room.of_muscle(MUSCLE)[2]
    room.say("R-1", trace, VERDICT, "reject")
    count = len(room.entries)
    room.say("R-1", trace, VERDICT, "reject")
    room.say("R-1", trace, SEEN, "")
    assert len(room.entries) == count


def test_the_table_without_a_layer_is_the_one_that_was_measured(room):
    measured = stored_trials(room.entries, SESSION, room.protocol)
    pd.testing.assert_frame_equal(reviewed_trials(room, None), measured)
    assert (measured["reviewed_by"] == "").all()


def test_the_table_with_a_layer_says_whose_it_is_and_what_was_automatic(room):
    traces = room.of_muscle(MUSCLE)
    room.say("R-1", traces[0], SEEN, "")
    room.say("R-1", traces[1], VERDICT, "reject", reason="cough")
    room.say("R-1", traces[2], "onset_ms", 21.5)
    table = reviewed_trials(room, room.layers["R-1"])
    assert list(table["reviewed_by"][:4]) == ["R-1", "R-1", "R-1", ""]
    rejected = table.iloc[1]
    assert (rejected["verdict"], rejected["rule"]) == ("reject", "review")
    assert rejected["reason"].startswith("cough (automatic: ")
    assert table.iloc[2]["latency_ms"] == 21.5
    assert math.isnan(table.iloc[2]["latency_low_ms"])
    assert table.iloc[2]["method"].endswith("; onset by rater R-1")
    untouched = [name for name in table if name != "reviewed_by"]
    measured = reviewed_trials(room, None)
    pd.testing.assert_frame_equal(table[untouched].drop([1, 2]), measured[untouched].drop([1, 2]))


def test_a_moved_window_gives_the_peak_to_peak_that_the_raw_samples_have_there(room):
    trace = max(room.of_muscle(MUSCLE), key=lambda trace: trace.measured["amplitude_uv"])
    (sweep,) = room.sweeps([trace])
    start, end = trace.window_ms[0] + 1, trace.window_ms[0] + 9
    room.say("R-1", trace, "window_start_ms", start)
    room.say("R-1", trace, "window_end_ms", end)
    inside = (sweep.time_ms >= start - 1e-9) & (sweep.time_ms <= end + 1e-9)
    # numpy's own range of the raw samples, the definition of the quantity.
    expected = np.ptp(sweep.samples_uv[sweep.channels.index(MUSCLE)][inside])
    table = reviewed_trials(room, room.layers["R-1"])
    row = table[(table["sweep"] == trace.number) & (table["window_end_ms"] == end)].iloc[0]
    assert row["amplitude_uv"] == pytest.approx(expected, rel=1e-5)
    assert row["amplitude_uv"] < trace.measured["amplitude_uv"]


def test_undo_writes_an_entry_of_its_own_and_brings_the_automatic_value_back(room):
    trace = room.of_muscle(MUSCLE)[1]
    room.say("R-1", trace, VERDICT, "reject")
    back = room.undo("R-1", MUSCLE)
    assert back.undoes == room.entries[-2].number
    assert room.shown(trace, room.layers["R-1"]).verdict == trace.verdict.kind
    assert room.undo("R-1", MUSCLE) is None


def test_a_reason_may_follow_its_verdict_and_be_taken_back_alone(room):
    trace = room.of_muscle(MUSCLE)[1]
    room.say("R-1", trace, VERDICT, "reject")
    room.say("R-1", trace, VERDICT, "reject", reason="cough")
    shown = room.shown(trace, room.layers["R-1"])
    assert (shown.verdict, shown.reason) == ("reject", "cough")
    room.undo("R-1", MUSCLE)
    shown = room.shown(trace, room.layers["R-1"])
    assert (shown.verdict, shown.reason) == ("reject", "")
    room.undo("R-1", MUSCLE)
    assert room.shown(trace, room.layers["R-1"]).verdict == trace.verdict.kind


def test_an_automatic_verdict_can_be_given_a_reason(room):
    trace = room.of_muscle(MUSCLE)[1]
    room.say("R-1", trace, VERDICT, trace.verdict.kind, reason="quiet enough")
    assert room.shown(trace, room.layers["R-1"]).reason == "quiet enough"


def test_two_raters_at_once_lose_nothing(folder):
    rooms = [ReviewRoom(folder, SESSION) for _ in range(2)]
    for number, room in enumerate(rooms, 1):
        room.begin(f"R-{number}", blind=number == 2)
    errors = []

    def review(room, rater):
        try:
            for trace in room.of_muscle(MUSCLE):
                while True:
                    try:
                        room.say(rater, trace, VERDICT, "reject")
                        break
                    except Exception as error:
                        if "being written" not in str(error):
                            raise
        except Exception as error:  # noqa: BLE001 shown below
            errors.append(error)

    threads = [threading.Thread(target=review, args=(room, f"R-{n}")) for n, room in enumerate(rooms, 1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not errors
    room = ReviewRoom(folder, SESSION)
    assert [len(layer.seen) for layer in room.layers.values()] == [len(room.of_muscle(MUSCLE))] * 2
    assert not [finding for finding in check_study(folder) if finding.broken]


def test_the_agreement_of_two_raters_is_over_what_both_saw(room):
    room.begin("R-2", blind=True)
    traces = room.of_muscle(MUSCLE)
    for place, trace in enumerate(traces):
        room.say("R-1", trace, VERDICT, "reject" if place % 2 else "accept")
        room.say("R-1", trace, "onset_ms", 20.0 + place % 3)
        if place:
            room.say("R-2", trace, VERDICT, "reject" if place % 2 else "accept")
            room.say("R-2", trace, "onset_ms", 20.5 + place % 3)
    found = agreement(room, room.layers["R-1"], room.layers["R-2"], MUSCLE)
    assert found.n == len(traces) - 1
    assert found.kappa.value == 1
    onset = next(mark for mark in found.marks if mark.mark == "onset_ms")
    # The second rater marks half a millisecond later on every sweep.
    assert onset.limits.bias.value == pytest.approx(-0.5)
    assert onset.limits.sd == pytest.approx(0.0, abs=1e-9)
    assert "difference -0.50" in agreement_words(found)


def test_a_blind_rater_cannot_begin_blind_again_after_looking(room):
    room.begin("R-2", blind=True)
    room.unblind("R-2", "done")
    with pytest.raises(UsageError, match="not blind any more"):
        room.begin("R-2", blind=True)


def test_a_rater_with_a_pin_proves_it_and_nobody_else_goes_on_under_their_code(folder, room):
    assert not room.layers["R-1"].verified
    private.create_missing(folder)
    with private.open_private(folder, write=True) as database:
        add_operator(database, "R-2", "Some Body", "reviewer", pin="2468")
    with pytest.raises(UsageError, match="PIN"):
        room.begin("R-2", blind=False, pin="1357")
    assert room.begin("R-2", blind=False, pin="2468").verified
    with pytest.raises(UsageError, match="PIN"):
        room.begin("R-2", blind=False)
    assert "identity not verified" not in layer_words(room, room.layers["R-2"])
    assert "identity not verified" in layer_words(room, room.layers["R-1"])


def test_an_unknown_rater_is_named_with_those_there_are(room):
    with pytest.raises(UsageError, match="R-1, automatic"):
        choose_layer(room.layers, "R-9")


@pytest.mark.parametrize("code", ["", " ", "somebody@example.org", "x" * 21, "a\nb"])
def test_codes_that_say_nothing_or_too_much_are_refused(room, code):
    with pytest.raises(UsageError, match="code"):
        room.begin(code, blind=False)


def test_a_window_cannot_be_turned_round(room):
    trace = room.of_muscle(MUSCLE)[0]
    with pytest.raises(UsageError, match="Window is empty"):
        room.say("R-1", trace, "window_end_ms", trace.window_ms[0] - 5)


def test_a_review_does_not_change_how_the_session_went(room):
    before = view_of(room.entries)
    room.say("R-1", room.of_muscle(MUSCLE)[0], VERDICT, "reject")
    after = view_of(room.entries)
    assert after.entry > before.entry
    assert (after.minutes, after.state, after.counts, after.at) == (
        before.minutes,
        before.state,
        before.counts,
        before.at,
    )


def test_withdrawal_wipes_what_raters_said(folder, room):
    room.say("R-1", room.of_muscle(MUSCLE)[0], VERDICT, "reject", reason="told me a secret")
    with open_study(folder, write=True) as study:
        withdraw(study, SESSION.rpartition("-")[0], at="2026-05-12T09:00:00.000Z")
    assert b"told me a secret" not in (folder / "study.db").read_bytes()


def test_summary_and_report_take_the_review_and_say_so(folder, room, capsys):
    traces = [trace for trace in room.of_muscle(MUSCLE) if trace.request.condition == "SICI"]
    for trace in traces:
        room.say("R-1", trace, VERDICT, "reject", reason="coil slipped")
    out = folder / "summary.csv"
    assert run(["summarise", str(folder), "--out", str(out)]) == 0
    assert f"{len(traces)} of them reviewed" in capsys.readouterr().out
    summary = pd.read_csv(out)
    reviewed = summary[(summary["condition"] == "SICI") & (summary["quantity"] == "sici_ratio")]
    assert reviewed["value"].isna().all()
    assert (reviewed["review"] == "reviewed by R-1").all()
    assert run(["summarise", str(folder), "--out", str(out), "--rater", "automatic"]) == 0
    automatic = pd.read_csv(out)
    assert automatic[automatic["quantity"] == "sici_ratio"]["value"].notna().all()
    assert set(automatic["review"]) <= {"unreviewed", "as found in the session"}
    assert run(["report", str(folder), "--out", str(folder / "r.pdf")]) == 0
    pypdf = pytest.importorskip("pypdf")
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(folder / "r.pdf").pages)
    assert "reviewed by R-1" in " ".join(text.replace("\u200b", "").split())
