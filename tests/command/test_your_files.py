"""The page 'my files look like this' is true: every command of it is typed, on invented files of that kind."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.io import savemat

from decussa.command.cli import main
from tests.recording.files import RATE_HZ, noise, plain_edf, write_edf
from tests.recording.labs import make_lab

PAGE = (Path(__file__).parents[2] / "docs" / "your-files.md").read_text(encoding="utf-8")
SECTIONS = [
    (title, commands)
    for title, body in re.findall(r"^## (.+?)\n(.*?)(?=^## |\Z)", PAGE, flags=re.DOTALL | re.MULTILINE)
    if (
        commands := [
            line for block in re.findall(r"```type\n(.*?)```", body, flags=re.DOTALL) for line in block.splitlines()
        ]
    )
]


def notes_in_it(folder):
    plain_edf(folder / "rest.edf")


def trigger_and_sheet(folder):
    lab = make_lab(folder)
    lab.recording.rename(folder / "lumbar.bdf")
    lab.sheet("lumbar.csv")
    ours = {
        "Zeit": "onset",
        "TS": "intensity_mso",
        "CS": "cond_intensity_mso",
        "ISI [ms]": "isi_ms",
        "Art": "condition",
    }
    frame = lab.frame.rename(columns=ours).assign(stim_type=np.where(lab.frame["CS"] == "", "single", "paired"))
    make_lab(folder, suffix=".edf").recording.rename(folder / "hand.edf")
    lab.sheet("hand.csv", frame)


def nothing_tells(folder):
    make_lab(folder, trigger="none", suffix=".edf").recording.rename(folder / "night.edf")


def sweeps_cut(folder):
    rng = np.random.default_rng(1)
    held = {
        "emg": rng.normal(0, 5e-6, (12, 3000, 2)),
        "fs": 4000.0,
        "pre_s": 0.25,
        "unit": "V",
        "mso": rng.integers(40, 70, 12),
    }
    savemat(folder / "active.mat", held | {"muscles": np.array(["FDI", "ADM"], dtype=object)})
    np.savez(folder / "active.npz", **held, muscles=np.array(["FDI", "ADM"]))


def table_of_text(folder):
    times = np.arange(-120, 160.5, 0.5)
    samples = noise(4 * times.size).reshape(4, times.size) / 10
    frame = pd.DataFrame(samples, columns=[f"{time:g}" for time in times])
    frame.insert(0, "stim_type", "single")
    with (folder / "sweeps.csv").open("w") as file:
        file.write("# unit: uV\n# channel: FDI_R\n")
        frame.to_csv(file, index=False)


def numbered(folder):
    write_edf(folder / "numbered.edf", {"CH1": noise(20_000), "CH2": noise(20_000, seed=2)}, notes=[(5.0, "TMS 50%")])


def many(folder):
    (folder / "sessions").mkdir()
    for number in range(2):
        write_edf(
            folder / "sessions" / f"s{number}.edf", {"CH1": noise(10 * RATE_HZ, seed=number)}, notes=[(4.0, "TMS 50%")]
        )
    (folder / "hand.toml").write_text('[[channels]]\nname = "CH1"\nkind = "emg"\nmuscle = "FDI"\nside = "right"\n')


def data_set(folder):
    place = folder / "dataset" / "sub-01" / "emg"
    place.mkdir(parents=True)
    (folder / "dataset" / "dataset_description.json").write_text('{"Name": "a", "BIDSVersion": "1.11.0"}')
    plain_edf(place / "sub-01_task-rest_emg.edf")


MAKERS = {
    "One recording, with notes": notes_in_it,
    "One recording with a trigger channel": trigger_and_sheet,
    "One recording, and nothing": nothing_tells,
    "Sweeps that were already cut": sweeps_cut,
    "Sweeps in a table": table_of_text,
    "Channels named by numbers": numbered,
    "Many files": many,
    "A BIDS data set": data_set,
}


def test_every_section_with_commands_has_its_files():
    assert len(SECTIONS) == len(MAKERS)
    assert all(any(title.startswith(start) for start in MAKERS) for title, _ in SECTIONS)


@pytest.mark.parametrize(("title", "commands"), SECTIONS, ids=[title for title, _ in SECTIONS])
def test_what_the_page_says_to_type_works(tmp_path, monkeypatch, capsys, title, commands):
    next(maker for start, maker in MAKERS.items() if title.startswith(start))(tmp_path)
    monkeypatch.chdir(tmp_path)

    for command in commands:
        name, *arguments = [word.strip('"') for word in re.findall(r'"[^"]*"|\S+', command)]
        assert name == "decussa"
        with pytest.raises(SystemExit) as left:
            main([*arguments, *(["--onset", "none", "--no-intervals"] if "--out" in arguments else [])])
        said = capsys.readouterr()
        assert left.value.code == 0, f"{command}: {said.err}"
        written = arguments[arguments.index("--out" if "--out" in arguments else "--draft-mapping") + 1]
        assert (tmp_path / written).stat().st_size > 0
        if "--find-artifacts" in arguments:
            trials = pd.read_csv(tmp_path / written)
            assert set(trials["pulse_from"]) == {"artifact"}
            assert trials["sweep"].nunique() == 8
