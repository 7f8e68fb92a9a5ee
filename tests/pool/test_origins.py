"""What is printed over people is followed back to sweeps, by what is printed alone."""

import hashlib
import math
import re

import pandas as pd
import pytest

from decussa.command.cli import main
from decussa.compose.pooling import pool_trials
from decussa.model.estimate import Estimate
from decussa.pool.paired import paired_indices
from decussa.pool.reliability import icc
from decussa.recording.tables import read_table
from decussa.report.pool_text import ratio_words
from decussa.store.chain import add_entry
from decussa.store.records import StepFound
from decussa.store.study import open_study
from tests.compose.invented_session import MUSCLE, make_session
from tests.pool.invented import trials


def run(*arguments):
    with pytest.raises(SystemExit) as end:
        main([str(one) for one in arguments])
    assert not end.value.code


def sweeps_in(text):
    """The numbers that ``3–5, 9`` stands for."""
    pairs = [(int(a), int(b or a)) for a, b in re.findall(r"(\d+)(?:\u2013(\d+))?", str(text))]
    return [number for first, last in pairs for number in range(first, last + 1)]


def origins_in(place):
    """The table of origins as text, but for the counts."""
    table = pd.read_csv(place / "pooled" / "sweeps.csv", dtype=str)
    counts = [column for column in table.columns if column.endswith("_n")]
    return table.astype(dict.fromkeys(counts, int))


def named(origins, *columns):
    """Which rows of a trial table the columns of sweeps name, as (recording, sweep)."""
    return {
        (row.recording, number)
        for row in origins.itertuples()
        for column in columns
        for number in sweeps_in(getattr(row, column))
    }


def chosen(table, keys):
    return table[[key in keys for key in zip(table["recording"], table["sweep"], strict=True)]].reset_index(drop=True)


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """A pooled study with rejected trials and a curve: the folder, its table as it was given, and what was printed."""
    place = tmp_path_factory.mktemp("followed")
    table = trials(people=6, sessions=2, per_condition=5, seed=11)
    table.loc[(table["sweep"] == 3) & (table["participant"] == "p1"), "verdict"] = "reject"
    curve = trials(people=6, sessions=2, per_condition=2, seed=12).assign(condition="curve", stim_type="single")
    curve["intensity_mso"], curve["isi_ms"], curve["sweep"] = (
        40.0 + 10 * curve["sweep"],
        float("nan"),
        100 + curve["sweep"],
    )
    pd.concat([table, curve], ignore_index=True).to_csv(place / "trials.csv", index=False)
    run("pool", place / "trials.csv", "--out", place / "pooled")
    return place, read_table(place / "trials.csv"), (place / "pooled" / "pool.md").read_text(encoding="utf-8")


def test_the_page_names_the_table_it_was_made_from(followed):
    place, _, page = followed
    digest = hashlib.sha256((place / "trials.csv").read_bytes()).hexdigest()

    assert f"- `trials.csv` (SHA-256 {digest})" in page


def test_every_trial_stands_in_one_column_of_the_origins(followed):
    place, table, _ = followed
    origins = origins_in(place)
    parts = {part: named(origins, part) for part in ("in_model", "other_kept", "left_out")}

    assert sum(map(len, parts.values())) == len(table)
    assert set.union(*parts.values()) == set(zip(table["recording"], table["sweep"], strict=True))
    assert parts["left_out"] == {(f"p1-{session}.csv", 3) for session in (1, 2)}
    assert {number for _, number in parts["other_kept"]} == {101, 102, 103, 104}
    for part, keys in parts.items():
        assert origins[f"{part}_n"].sum() == len(keys)


def test_a_printed_comparison_is_found_again_from_the_sweeps_that_are_named_and_from_no_fewer(followed):
    place, table, page = followed
    origins = origins_in(place)
    behind = chosen(table, named(origins, "in_model"))
    assert set(behind["condition"]) == set(origins["named"].dropna()) == {"test", "SICI"}
    (again,) = pool_trials(behind).muscles
    (without,) = pool_trials(behind[behind["sweep"] != 4]).muscles
    for one, other in zip(again.comparisons, without.comparisons, strict=True):
        row = next(line for line in page.splitlines() if ratio_words(one.estimate) in line)
        assert f"| {one.trials} |" in row
        assert one.estimate.value != other.estimate.value


def test_printed_reliability_and_paired_indices_are_found_again_from_the_summary_and_that_from_sweeps(followed):
    place, table, page = followed
    origins = origins_in(place)
    summary = pd.read_csv(place / "pooled" / "summary.csv", dtype={"session": str})
    means = summary[summary["quantity"] == "mep_amplitude_arithmetic"].set_index(
        ["participant", "session", "condition"]
    )
    ratios = summary[summary["quantity"] == "sici_ratio"].set_index(["participant", "session"])
    for (person, session), ratio in ratios.iterrows():
        sizes = {}
        for condition in ("test", "SICI"):
            own = origins[
                (origins["participant"] == person)
                & (origins["session"] == session)
                & (origins["condition"] == condition)
            ]
            sizes[condition] = chosen(table, named(own, "in_model", "other_kept"))["size_uv"].mean()
            assert means.loc[(person, session, condition), "value"] == pytest.approx(sizes[condition])
        assert ratio["value"] == pytest.approx(sizes["SICI"] / sizes["test"])

    index = next(one for one in paired_indices(summary.assign(timepoint="")) if not one.part)
    assert ratio_words(index.ratio) in page
    tests = summary[(summary["quantity"] == "mep_amplitude") & (summary["condition"] == "test")]
    logs = tests.assign(value=tests["value"].map(math.log))
    form = icc(logs, "participant", "session", "value").set_index("form").loc["ICC(2,1)"]
    printed = ratio_words(Estimate(value=form["icc"], low=form["low"], high=form["high"]))
    row = next(line for line in page.splitlines() if line.startswith("| FDI mep_amplitude test "))
    assert printed in row


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    """Three studies of one person each, with a search whose finding was written down."""
    place = tmp_path_factory.mktemp("studies")
    for number in (1, 2, 3):
        folder = place / f"study{number}"
        session = make_session(folder, 45, person=f"P0{number}", seed=number, searching=9)
        found = {f"{MUSCLE}/rmt": Estimate(value=40.0 + number, low=38.0, high=46.0, method="said by the search")}
        with open_study(folder, write=True) as study, study.database.transaction() as connection:
            add_entry(
                connection,
                session,
                "step found",
                StepFound(step="threshold", results=found),
                at="2026-05-11T15:00:00.000Z",
            )
    return [place / f"study{number}" for number in (1, 2, 3)]


def test_trials_of_a_search_are_in_no_number_and_its_finding_is_that_of_the_plan(studies, tmp_path):
    run("pool", *studies, "--out", tmp_path / "pooled")
    origins, summary = origins_in(tmp_path), pd.read_csv(tmp_path / "pooled" / "summary.csv")
    page = (tmp_path / "pooled" / "pool.md").read_text(encoding="utf-8")
    methods = (tmp_path / "pooled" / "methods.md").read_text(encoding="utf-8")

    assert set(origins["block"]) == {"paired"}
    assert origins[["in_model_n", "other_kept_n", "left_out_n"]].to_numpy().sum() == 3 * (45 - 9)
    assert set(origins["named"]) == {"test", "SICI", "ICF"}
    assert sorted(summary[summary["quantity"] == "rmt"]["value"]) == [41.0, 42.0, 43.0]
    assert "study `study3`: trials of steps that measure" in page
    assert "`methods.md`" in page
    assert methods.count("## Reporting checklist") == 3


def test_a_study_without_a_trial_that_measures_is_refused(tmp_path, capsys):
    folder = tmp_path / "searched"
    make_session(folder, 9, searching=9)
    with pytest.raises(SystemExit) as end:
        main(["pool", str(folder), "--out", str(tmp_path / "pooled")])
    assert end.value.code == 1
    assert "no trial to pool" in capsys.readouterr().err.lower()
    assert not (tmp_path / "pooled").exists()
