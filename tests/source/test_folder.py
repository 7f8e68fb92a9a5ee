"""A watched folder: the file of a stimulus is found in whatever way it appears, and no file is paired with another stimulus."""

import os

import numpy as np
import pytest
from scipy.io import savemat

from decussa.model.errors import MachineError, UsageError
from decussa.model.stimulus import Stimulus
from decussa.source.folder.matching import order_words, running_number
from decussa.source.folder.watch import FolderWatch
from tests.source.saving import Lab, request, write_csv


@pytest.fixture
def lab(tmp_path):
    return Lab(tmp_path / "saved")


def same(came, lab, number):
    """Whether what came back is the sweep of that stimulus, as far as a file keeps it."""
    made = lab.sweep(number)
    got = came.sweep.samples_uv[0]
    before = came.sweep.onset_sample
    wanted = made.samples_uv[0, made.onset_sample - before :][: got.size]
    return np.allclose(got[: wanted.size], wanted, atol=0.01)


def said(came):
    return " ".join(came.said)


@pytest.mark.parametrize("ending", ["bdf", "csv"])
def test_a_file_for_each_trial_is_paired_with_its_stimulus(lab, ending):
    with lab.source() as source:
        for number in (1, 2, 3):
            lab.give(f"trial_{number:03}.{ending}", number)
            came = source.deliver(request(), number)
            assert same(came, lab, number)
            assert came.said == ()


def test_a_mat_file_is_paired_too(lab):
    sweep = lab.sweep(1)

    def save():
        savemat(
            lab.folder / "trial_1.mat",
            {
                "FDI_right": sweep.samples_uv[0][None].astype(float),
                "time_ms": sweep.time_ms,
                "unit": "uV",
                "stim_type": "single",
            },
        )

    with lab.source() as source:
        lab.later(1.0, save)
        came = source.deliver(request(), 1)

    assert came.is_nothing or same(came, lab, 1)
    assert not came.is_nothing, came.said


def test_what_was_in_the_folder_before_is_never_paired(lab):
    lab.save("trial_001.bdf", 1)
    with lab.source() as source:
        came = source.deliver(request(), 2)

    assert came.is_nothing


def test_an_old_file_under_a_new_name_is_no_new_trial(lab):
    path = lab.save("trial_001.bdf", 1)
    with lab.source() as source:
        lab.later(1.0, lambda: path.rename(lab.folder / "patient_trial_001.bdf"))
        lab.later(2.0, lambda: write_csv(lab.folder / "copy.csv", [lab.sweep(1)], "FDI right"))
        assert source.deliver(request(), 2).is_nothing
        lab.give("trial_002.bdf", 3, after_s=1)
        lab.now += 60
        assert same(source.deliver(request(), 3), lab, 3)


def test_a_file_that_grows_by_one_trial_each_time_gives_the_new_one(lab):
    with lab.source() as source:
        for number in (1, 2, 3):
            lab.give("block.bdf", *range(1, number + 1))
            assert same(source.deliver(request(), number), lab, number)


def test_a_file_that_is_rewritten_in_place_gives_its_new_trial(lab):
    with lab.source() as source:
        for number in (1, 2, 3):
            lab.give("last.bdf", number)
            assert same(source.deliver(request(), number), lab, number)


@pytest.mark.parametrize("rows", [2, 400, 1500, 2900])
def test_a_half_written_file_is_waited_for(lab, rows):
    path = lab.folder / "trial_002.csv"
    with lab.source() as source:
        lab.give("trial_001.csv", 1)
        source.deliver(request(), 1)
        lab.later(1.0, lambda: write_csv(path, [lab.sweep(2)], "FDI right", rows=rows))
        lab.later(6.0, lambda: write_csv(path, [lab.sweep(2)], "FDI right"))
        came = source.deliver(request(), 2)

    assert same(came, lab, 2)
    assert came.sweep.samples_uv.shape[1] == 3000
    assert came.said == ()


def test_a_file_begun_before_the_stimulus_was_asked_for_is_not_paired_with_it(lab):
    path = lab.folder / "stray.csv"
    with lab.source() as source:
        write_csv(path, [lab.sweep(9)], "FDI right", rows=400)
        lab.later(8.0, lambda: write_csv(path, [lab.sweep(9)], "FDI right"))
        source._watch.look()
        lab.wait(2.0)
        came = source.deliver(request(), 1)

    assert came.is_nothing
    assert "stray.csv was set aside: it was being written before" in said(came)


def test_a_binary_file_cut_off_in_the_middle_is_waited_for(lab):
    whole = lab.save("trial_001.bdf", 1).read_bytes()
    path = lab.folder / "trial_001.bdf"
    path.unlink()
    with lab.source() as source:
        for share, at in ((0.01, 1.0), (0.3, 3.0), (0.8, 5.0), (1.0, 7.0)):
            lab.later(at, lambda share=share: path.write_bytes(whole[: round(share * len(whole))]))
        came = source.deliver(request(), 1)

    assert same(came, lab, 1)


def test_a_file_under_its_working_name_is_not_looked_at_before_it_is_renamed(lab):
    def finish():
        (lab.folder / "trial_001.bdf.part").rename(lab.folder / "trial_001.bdf")

    with lab.source() as source:
        lab.later(1.0, lambda: lab.save("x.bdf", 1).rename(lab.folder / "trial_001.bdf.part"))
        lab.later(9.0, finish)
        came = source.deliver(request(), 1)

    assert same(came, lab, 1)
    assert lab.now >= 9


def test_a_file_that_is_damaged_for_good_is_said_and_lost(lab):
    with lab.source() as source:
        lab.later(1.0, lambda: (lab.folder / "trial_001.bdf").write_bytes(b"\xffBIOSEMI" + bytes(300)))
        came = source.deliver(request(), 1)

    assert came.is_nothing
    assert "trial_001.bdf cannot be read" in said(came)


def test_two_new_trials_for_one_stimulus_are_both_set_aside(lab):
    with lab.source() as source:
        lab.give("block.bdf", 1, 2)
        came = source.deliver(request(), 1)

    assert came.is_nothing
    assert "2 new sweeps, one was asked for" in said(came)


def test_a_pulse_that_nobody_asked_for_is_set_aside_before_the_next_is_asked_for(lab):
    with lab.source() as source:
        lab.give("trial_001.bdf", 1)
        assert same(source.deliver(request(), 1), lab, 1)
        lab.give("trial_002.bdf", 2, after_s=0.5)
        lab.wait(0.4)
        source._watch.look()
        lab.wait(5.0)
        source._watch.look()
        lab.wait(5.0)
        lab.give("trial_003.bdf", 3)
        came = source.deliver(request(), 2)

    assert same(came, lab, 3)
    assert "trial_002.bdf came when nothing was asked for" in said(came)


def test_the_late_file_of_a_lost_stimulus_is_not_paired_with_the_next(lab):
    with lab.source() as source:
        for number in (1, 2):
            lab.give(f"trial_{number:03}.csv", number)
            source.deliver(request(), number)
        assert source.deliver(request(), 3).is_nothing
        lab.give("trial_003.csv", 3, after_s=1)  # late, after 4 was asked for; text keeps no time of day
        lab.give("trial_004.csv", 4, after_s=6)
        came = source.deliver(request(), 4)
        assert came.is_nothing  # nobody can tell which of the two is whose
        assert "trial_003.csv was set aside" in said(came)
        lab.give("trial_005.csv", 5)
        assert same(source.deliver(request(), 5), lab, 5)


def test_a_clock_in_the_file_tells_a_late_file_from_the_right_one(lab):
    with lab.source() as source:
        for number in (1, 2, 3):
            lab.give(f"trial_{number:03}.bdf", number)
            assert same(source.deliver(request(), number), lab, number)
        assert source.deliver(request(), 4).is_nothing
        lab.give("trial_004.bdf", 4, after_s=1, late_s=15)
        lab.give("trial_005.bdf", 5, after_s=4)
        late = source.deliver(request(), 5)
        assert same(late, lab, 5)
        assert "trial_004.bdf was set aside" in said(late)
        # One that is not late is taken at once, though a stimulus was lost before.
        assert source.deliver(request(), 6).is_nothing
        lab.give("trial_007.bdf", 7, after_s=2)
        assert same(source.deliver(request(), 7), lab, 7)


def test_a_stimulus_that_was_never_given_does_not_spoil_the_session(lab):
    with lab.source() as source:
        lab.give("a_1.csv", 1)
        source.deliver(request(), 1)
        assert source.deliver(request(), 2).is_nothing  # not given
        found = []
        for number in range(3, 9):
            lab.give(f"a_{number}.csv", number)
            came = source.deliver(request(), number)
            found.append(not came.is_nothing)
            assert came.is_nothing or same(came, lab, number)

    assert found[1:] == [True] * 5


@pytest.mark.parametrize(
    ("says", "asked"),
    [
        ("TMS 52% single", Stimulus.single(60)),
        ("paired 40/60 ISI 3ms", Stimulus.single(60)),
        ("TMS 60% single", Stimulus.paired(40, 60, 3)),
        ("paired 40/60 ISI 10ms", Stimulus.paired(40, 60, 3)),
        ("paired 50/60 ISI 3ms", Stimulus.paired(40, 60, 3)),
    ],
)
def test_a_file_that_says_something_else_is_set_aside(lab, says, asked):
    with lab.source() as source:
        lab.give("trial_001.bdf", 1, says=says)
        came = source.deliver(request(asked), 1)

    assert came.is_nothing
    assert "trial_001.bdf was set aside: it says" in said(came)


def test_a_file_that_says_what_was_asked_for_is_taken(lab):
    with lab.source() as source:
        lab.give("trial_001.bdf", 1, says="TMS 60% single")

        assert same(source.deliver(request(), 1), lab, 1)


def test_a_file_without_the_muscle_asked_for_is_refused(lab):
    with lab.source() as source:
        lab.give("trial_001.bdf", 1, label="FCR left")
        came = source.deliver(request(), 1)

    assert came.is_nothing
    assert "FDI right is not recorded in it" in said(came)


def test_missing_numbers_in_the_names_are_said(lab):
    with lab.source() as source:
        lab.give("trial_001.bdf", 1)
        source.deliver(request(), 1)
        lab.give("trial_004.bdf", 2)
        came = source.deliver(request(), 2)

    assert same(came, lab, 2)
    assert "2 files are missing between them" in said(came)


@pytest.mark.parametrize(
    ("before", "now", "odd"),
    [
        ("t_9.edf", "t_10.edf", ""),
        ("t_9.edf", "t_11.edf", "missing"),
        ("t_9.edf", "t_8.edf", "backwards"),
        ("t_9.edf", "u_3.edf", ""),
        ("last.edf", "last.edf", ""),
        ("p7 rest.edf", "p7 rest2.edf", ""),
    ],
)
def test_the_order_of_the_names_is_checked_where_they_count(before, now, odd):
    assert (odd in order_words(before, now)) if odd else not order_words(before, now)


def test_the_running_number_is_the_last_of_the_name():
    assert running_number("P07_2026-01-05_013.bdf") == 13
    assert running_number("rest.csv") is None


def test_a_stimulus_that_is_asked_for_again_has_the_same_answer(lab):
    with lab.source() as source:
        lab.give("trial_001.bdf", 1)
        first = source.deliver(request(), 1)

        assert source.deliver(request(), 1) == first


def test_giving_up_ends_the_wait(lab):
    with lab.source() as source:
        lab.later(2.0, source.give_up)
        came = source.deliver(request(), 1)

    assert came.is_nothing
    assert lab.now < 5


def test_a_folder_that_is_not_there_is_said(tmp_path):
    with pytest.raises(UsageError, match="folder to watch is not there"):
        FolderWatch(tmp_path / "none", (".edf",), lambda: 0.0, 0.5)


def test_a_folder_that_goes_away_is_an_error_with_words(tmp_path):
    folder = tmp_path / "gone"
    folder.mkdir()
    watch = FolderWatch(folder, (".edf",), lambda: 0.0, 0.5)
    os.rmdir(folder)  # noqa: PTH106

    with pytest.raises(MachineError, match="cannot be looked at"):
        watch.look()


def test_folders_hidden_files_and_other_endings_do_not_count(tmp_path):
    (tmp_path / "deeper.edf").mkdir()
    for name in (".hidden.edf", "~lock.edf", "notes.docx", "a.edf.tmp"):
        (tmp_path / name).write_bytes(b"x")
    watch = FolderWatch(tmp_path, (".edf",), iter(range(100)).__next__, 0.5)
    watch.look()

    assert watch.look() == []


@pytest.mark.parametrize("seed", range(24))
def test_whatever_goes_wrong_no_sweep_is_paired_with_another_stimulus(lab, seed):
    rng = np.random.default_rng(seed)
    ending = ("bdf", "csv")[seed % 2]
    right = 0
    with lab.source() as source:
        for number in range(1, 9):
            name = f"trial_{number:03}.{ending}"
            kinds = ["good", "good", "late", "never", "twice", "stray", "copy", "slow"]
            match rng.choice(kinds) if number > 2 else "good":
                case "good":
                    lab.give(name, number, after_s=rng.uniform(0.3, 15))
                case "late":
                    lab.give(name, number, after_s=rng.uniform(20.5, 36), **late_of(ending))
                case "twice":
                    # Without a clock nobody can tell an extra pulse whose file comes after the next one was asked for.
                    lab.give(name, number, after_s=2)
                    saved = rng.uniform(3, 20) if ending == "bdf" else 2.5
                    lab.give(f"again_{number}.{ending}", 100 + number, after_s=saved, late_s=saved - 2.5)
                case "stray":
                    lab.save(f"stray_{number}.{ending}", 200 + number)
                    lab.give(name, number, after_s=5)
                case "copy" if number > 1:
                    lab.give(f"copy_{number}.{ending}", int(rng.integers(1, number)), after_s=2)
                    lab.give(name, number, after_s=6)
                case "slow":
                    rows, at = int(rng.integers(2, 2900)), rng.uniform(1, 4)
                    path = lab.folder / f"trial_{number:03}.csv"
                    lab.later(
                        at, lambda path=path, n=number, rows=rows: write_csv(path, [lab.sweep(n)], "FDI right", rows)
                    )
                    lab.later(at + 5, lambda path=path, n=number: write_csv(path, [lab.sweep(n)], "FDI right"))
            came = source.deliver(request(), number)
            assert came.is_nothing or same(came, lab, number)
            right += not came.is_nothing
            lab.wait(rng.uniform(5, 8))

    assert right


def late_of(ending):
    """A file that comes after the wait: its clock, where it has one, still tells when the pulse was."""
    return {"late_s": 20.0} if ending == "bdf" else {}


def test_a_reader_that_fails_in_its_own_way_does_not_end_the_session(lab):
    def fails(path):  # noqa: ARG001
        raise ValueError("a library's own words")

    source = lab.source()
    source._read = fails
    with source:
        lab.give("trial_001.bdf", 1)
        came = source.deliver(request(), 1)

    assert came.is_nothing
    assert "trial_001.bdf cannot be read as it stands: ValueError." in said(came)


def test_a_long_session_in_one_growing_file_stays_quick_enough_to_be_right(lab):
    numbers = list(range(1, 41))
    with lab.source() as source:
        for number in (1, 20, 40):
            lab.save("block.bdf", *numbers[: number - 1]) if number > 1 else None
            if number > 1:
                lab.wait(3.0)
                source._watch.look()
                lab.wait(3.0)
            lab.give("block.bdf", *numbers[:number])
            assert same(source.deliver(request(), number), lab, number)
