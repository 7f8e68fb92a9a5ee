"""From trial tables to files: pool and compare, as a user runs them."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest

from decussa.command.cli import main
from decussa.compose.pooling import pool_trials
from decussa.model.errors import RecordingError, UsageError
from decussa.pool.enough import enough_trials
from decussa.pool.power import plan_people, power_of, spread_weights
from tests.pool.invented import muscle, trials


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("pool")
    table = trials(people=9, sessions=2, per_condition=6, seed=4)
    table.to_csv(place / "trials.csv", index=False)
    other = table.copy()
    other["size_uv"] = other["size_uv"] * np.where(other["condition"] == "SICI", 1.3, 1.0)
    other.loc[other["sweep"] == 3, "verdict"] = "reject"
    other.to_csv(place / "other.csv", index=False)
    trials(people=4, per_condition=4).to_csv(place / "small.csv", index=False)
    pd.DataFrame({"participant_id": [f"p{n}" for n in range(9)], "site": list("AAABBBCCC")}).to_csv(
        place / "participants.tsv", sep="\t", index=False
    )
    return place


def test_pool_writes_tables_figures_and_the_page(folder, capsys) -> None:
    main_ok(
        ["pool", str(folder / "trials.csv"), "--people", str(folder / "participants.tsv"), "--out", str(folder / "out")]
    )
    said = capsys.readouterr().out
    assert said.startswith("9 participants, 18 sessions, 216 trials: 3 comparisons")
    page = (folder / "out" / "pool.md").read_text(encoding="utf-8")
    for part in (
        "log(size) ~ 0 + time:condition",
        "### Over sites",
        "## Reliability by session",
        "## Paired indices over people",
    ):
        assert part in page
    tables = {path.stem for path in (folder / "out").glob("*.csv")}
    assert tables == {
        "comparisons",
        "variances",
        "checks",
        "sites",
        "site_profiles",
        "paired",
        "reliability",
        "trials",
        "people",
        "summary",
        "sweeps",
    }
    for stem in ("comparisons-fdi", "sites-fdi-1"):
        assert (folder / "out" / f"{stem}.svg").read_text(encoding="utf-8").startswith("<?xml")
        assert (folder / "out" / f"{stem}.pdf").read_bytes().startswith(b"%PDF")
    comparisons = pd.read_csv(folder / "out" / "comparisons.csv")
    assert comparisons[["value", "low", "high", "n", "method", "formula", "p", "df"]].notna().all().all()
    assert ((comparisons["low"] < comparisons["value"]) & (comparisons["value"] < comparisons["high"])).all()
    assert (
        (comparisons["least_without_one"] <= comparisons["value"])
        & (comparisons["value"] <= comparisons["greatest_without_one"])
    ).all()


def test_pool_twice_gives_the_same_bytes(folder) -> None:
    for name in ("once", "again"):
        main_ok(["pool", str(folder / "small.csv"), "--out", str(folder / name)])
    files = sorted(path.name for path in (folder / "once").iterdir())
    assert files == sorted(path.name for path in (folder / "again").iterdir())
    assert all((folder / "once" / name).read_bytes() == (folder / "again" / name).read_bytes() for name in files)


def test_compare_says_what_would_change(folder, capsys) -> None:
    arguments = ["compare", str(folder / "trials.csv"), str(folder / "other.csv"), "--out", str(folder / "compared")]
    main_ok(arguments)
    said = capsys.readouterr().out
    assert "216 sweeps in both tables." in said
    assert "sici_ratio: 18 of 18 values move" in said
    small = [str(folder / "small.csv")] * 2
    main_ok(["compare", *small, "--out", str(folder / "compared-json"), "--json"])
    assert json.loads(capsys.readouterr().out)["sweeps"] == 32
    page = (folder / "compared" / "compare.md").read_text(encoding="utf-8")
    assert "| accept | 198 | 0 | 18 |" in page
    for figure in (folder / "compared").glob("*.svg"):
        assert "$" not in figure.read_text(encoding="utf-8")  # a number set as a formula
    columns = pd.read_csv(folder / "compared" / "columns.csv").set_index(["column", "row"])
    assert columns.loc[("latency_ms", "bias"), "differ"] == 0
    # Half of the sizes are 1.3 times as large: the mean log ratio is half of log 1.3.
    assert columns.loc[("size_uv", "bias"), "value"] == pytest.approx(math.sqrt(1.3))
    quantities = pd.read_csv(folder / "compared" / "quantities.csv").set_index("quantity")
    assert quantities.loc["sici_ratio", "change_unit"] == "%"
    assert quantities.loc["sici_ratio", "typical_change"] == pytest.approx(30, abs=5)


def test_the_same_table_twice_changes_nothing(folder, capsys) -> None:
    main_ok(["compare", str(folder / "small.csv"), str(folder / "small.csv"), "--out", str(folder / "same")])
    assert "Nothing: every value of the summary is the same." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["pool", "absent.csv", "--out", "x"], 1, "no such file"),
        (["pool", "{trials}", "--reference", "nothing", "--out", "x"], 2, "the reference is no condition"),
        (["pool", "{trials}", "--effect", "1", "--out", "x"], 2, "a ratio above 0 other than 1"),
        (["pool", "{trials}", "{trials}", "--out", "x"], 1, "a sweep stands twice"),
        (["pool", "{trials}", "--people", "absent.tsv", "--out", "x"], 1, "no such file"),
        (["pool", "{trials}", "--people", "{trials}", "--out", "x"], 1, "trials.csv: a participant has several"),
        (["pool", "{trials}", "--people", "nobody.csv", "--out", "x"], 1, "nobody.csv: nobody is named; exp"),
        (["compare", "{trials}", "{trials}", "--people", "nobody.csv", "--out", "x"], 1, "nobody.csv: nobody is named"),
        (["pool", "{trials}", "--sites", "nobody.csv", "--out", "x"], 2, "nobody.csv: the site profile"),
        (["pool", "{trials}", "--rater", "R1", "--out", "x"], 2, "only a study has raters"),
        (["compare", "{trials}", "absent.csv", "--out", "x"], 1, "no such file"),
    ],
)
def test_what_cannot_be_pooled_is_said_in_a_line(folder, tmp_path, monkeypatch, capsys, arguments, code, says) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "nobody.csv").write_text("town,amplifier\nA,B\n", encoding="utf-8")
    with pytest.raises(SystemExit) as end:
        main([argument.format(trials=folder / "trials.csv") for argument in arguments])
    assert end.value.code == code
    error = capsys.readouterr().err
    assert says in error.lower()
    assert "Traceback" not in error
    assert not (tmp_path / "x").exists()


def test_two_raters_of_the_same_sweeps_become_reliability_by_rater() -> None:
    one = trials(people=5, sessions=2).assign(reviewed_by="R1")
    other = one.assign(reviewed_by="R2", latency_ms=one["latency_ms"] + 0.4)
    pooled = pool_trials(pd.concat([one, other], ignore_index=True))
    by_rater = {each.quantity: each for each in pooled.reliability if each.by == "rater" and each.condition == "test"}
    assert by_rater["mep_latency"].targets == 10
    ((pair, limits),) = by_rater["mep_latency"].measures.limits
    assert pair == "R2 - R1"
    assert limits.bias.value == pytest.approx(0.4)
    assert by_rater["mep_amplitude"].reason == "the levels never differ"
    assert pooled.trials == len(one)


def test_conditions_of_one_name_at_rest_and_contracted_are_two() -> None:
    rest = trials(people=5, sessions=2, per_condition=4, seed=3).assign(contraction_pct=0.0, block="rest")
    sizes = {name: 4 * rest[name] for name in ("size_uv", "amplitude_uv")}
    held = rest.assign(contraction_pct=15.0, block="held", sweep=rest["sweep"] + 100, **sizes)
    pooled = pool_trials(pd.concat([rest, held], ignore_index=True))
    (one,) = pooled.muscles
    found = {each.of: each.estimate for each in one.comparisons if each.question == "condition"}
    reliable = {each.condition for each in pooled.reliability if each.quantity == "mep_amplitude"}
    indices = {each.condition: each.ratio.value for each in pooled.paired if not each.part}

    assert set(found) == {"SICI", "test, 15 % MVC", "SICI, 15 % MVC"}
    assert found["test, 15 % MVC"].value == pytest.approx(4, rel=0.02)
    assert found["SICI, 15 % MVC"].value == pytest.approx(4 * found["SICI"].value, rel=0.02)
    assert {"test", "test, 15 % MVC"} <= reliable
    assert indices["SICI 2 ms"] == pytest.approx(indices["SICI, 15 % MVC 2 ms"])


def test_a_table_of_nobody_is_refused() -> None:
    with pytest.raises(RecordingError):
        pool_trials(pd.DataFrame({"participant": []}))
    with pytest.raises(UsageError, match="no effect follows"):
        pool_trials(trials(people=3), effect=-1)


def test_spreads_between_people_sessions_and_trials_are_found_again() -> None:
    # Made with 0.4, 0.2 and 0.4 on the log scale; intervals of 60 people hold them.
    found = {
        one.condition: one for one in enough_trials(muscle(trials(people=60, sessions=2, per_condition=15, seed=7)))
    }
    test = found["test"]
    for estimate, truth in ((test.person_sd, 0.4), (test.session_sd, 0.2), (test.trial_sd, 0.4)):
        assert estimate.low < truth < estimate.high
    # For a mean within a factor 1.2 at 95 %: (t 0.4 / ln 1.2)^2 with t of 14 degrees of freedom 2.145: 22.1 (by hand).
    assert dict(test.precision)[1.2].low <= 23 <= dict(test.precision)[1.2].high
    # Reliability of a mean of 15: 0.16 / (0.16 + 0.04 + 0.16/15) = 0.76; of endless trials 0.8 (by hand).
    assert test.reliability.low < 0.76 < test.reliability.high
    assert test.ceiling.low < 0.80 < test.ceiling.high


def test_planned_people_reach_the_power_they_were_planned_for() -> None:
    # The planned spread against the spread of simulated people's values, made term by term.
    terms, variances = ("participant", "participant:condition", "participant:session"), np.array([0.2, 0.05, 0.06, 0.4])
    planned = plan_people("condition", 1.3, terms, variances, trials=20)
    assert planned.sd.value == pytest.approx(math.sqrt(2 * 0.05 + 2 * 0.4 / 20))
    random = np.random.default_rng(2)
    n, studies = int(planned.people.value), 4000
    values = np.log(1.3) + random.normal(0, math.sqrt(0.05), (studies, n, 2)) @ [1, -1]
    values = values + random.normal(0, math.sqrt(0.4 / 20), (studies, n, 2)) @ [1, -1]
    t = values.mean(axis=1) / values.std(axis=1, ddof=1) * math.sqrt(n)
    share = float((np.abs(t) > 2.0).mean())
    expected = power_of(math.log(1.3) / planned.sd.value, n)
    assert share == pytest.approx(expected, abs=0.04)
    assert expected >= 0.8 > power_of(math.log(1.3) / planned.sd.value, n - 1)


def test_trials_do_not_average_away_what_lies_between_people() -> None:
    terms = ("participant", "participant:condition", "participant:session")
    few, many = (spread_weights("group", terms, sessions=1, trials=trials) for trials in (5, 5000))
    assert few[:3].tolist() == many[:3].tolist() == [1, 1, 1]
    assert many[3] < few[3] / 900


def main_ok(arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert not end.value.code
