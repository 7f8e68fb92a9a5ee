"""The study page's board: how sessions stand, what is due on a day, what is missing."""

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from decussa.compose.colleagues import add_colleague
from decussa.compose.keeping import add_next_session, back_up_study, enrol, follow_up, plan_session, start_study
from decussa.compose.preparing import NOBODY
from decussa.compose.rehearsals import rehearse
from decussa.compose.sessions import new_study
from decussa.compose.studying import BoardReader
from decussa.compose.taking_in import ENDINGS, check_file_name, take_in
from decussa.model.errors import DecussaError, ProtocolError, RecordingError, UsageError
from decussa.protocol.schema import protocol_text
from decussa.session.clock import to_text
from decussa.session.operator import Unattended
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.kinds import KINDS
from decussa.store.preparing import Decided, Screened
from decussa.store.records import Started
from decussa.store.study import open_study
from tests.session.stage import SHORT
from tests.store.invented import a_sweep

NOON = datetime.now().astimezone().replace(hour=12, minute=0, second=0, microsecond=0)
DAY = timedelta(days=1)
BY_HAND = Started(protocol_sha256="0" * 64, source="hand", version="0.1.0")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    (folder / "short.toml").write_text(SHORT, encoding="utf-8")
    new_study(folder / "study", str(folder / "short.toml"))
    enrol(folder / "study", "P07")
    enrol(folder / "study", "P08")
    return folder / "study"


@pytest.fixture
def folder(made, tmp_path):
    return shutil.copytree(made, tmp_path / "study")


def write(folder, session, *kinds, at):
    with open_study(folder, write=True) as study, open_journal(study, session) as journal:
        for kind in kinds:
            sweep = a_sweep(1) if kind == "answered" else None
            journal.append(kind, BY_HAND if kind == "started" else KINDS[kind].example, at=to_text(at), sweep=sweep)


def run_whole(folder, session, at):
    write(folder, session, "started", "asked", "answered", "finished", at=at)


def board(folder, now=NOON):
    return BoardReader().read(folder, now.astimezone(UTC))


def row(folder, now=NOON, place=0):
    return board(folder, now).people[0].sessions[place]


def due(folder, now=NOON):
    return [(item.what, item.session) for item in board(folder, now).due]


def test_a_new_participant_has_a_session_that_is_open_and_nothing_is_due(folder):
    assert [person.pseudonym for person in board(folder).people] == ["P07", "P08"]
    assert row(folder).state == "open"
    assert board(folder).people[0].missing == ("consent", "height")
    assert due(folder) == []


def test_a_planned_session_is_due_on_its_day_and_stays_due_until_it_is_run(folder):
    plan_session(folder, "P07-1", f"{NOON.date() + DAY}T14:00")

    assert row(folder).state == "planned"
    assert due(folder) == []
    assert due(folder, NOON + DAY) == due(folder, NOON + 3 * DAY) == [("session", "P07-1")]
    run_whole(folder, "P07-1", NOON + DAY)
    assert due(folder, NOON + DAY) == []


def test_a_due_session_misses_the_screening_of_the_day_until_it_is_done_and_again_on_the_next(folder):
    def missing(now):
        return board(folder, now).due[0].missing

    plan_session(folder, "P07-1", f"{NOON.date()}T14:00")
    tonight = to_text(NOON + timedelta(hours=12))
    bodies = (
        ("screened", Screened(version="1", outcome="review", expires=tonight), True),
        ("decided", Decided(decision="may take part", role="physician", expires=tonight), False),
        ("screened", Screened(version="1", outcome="go", expires=tonight), False),
        ("screened", Screened(version="1", outcome="stop", expires=tonight), True),
        ("decided", Decided(decision="may not take part", role="physician", expires=tonight), True),
        ("screened", Screened(version="1", outcome="go", expires=tonight), False),
    )
    assert "screening of today" in missing(NOON)
    for kind, body, lacks in bodies:
        with open_study(folder, write=True) as study, open_journal(study, "P07-1") as journal:
            journal.append(kind, body, at=to_text(NOON))
        assert ("screening of today" in missing(NOON)) == lacks
    assert "screening of today" in missing(NOON + DAY)


def test_due_sessions_come_in_the_order_of_their_hours(folder):
    plan_session(folder, "P07-1", f"{NOON.date()}T16:30")
    plan_session(folder, "P08-1", f"{NOON.date()}T14:00")

    assert due(folder) == [("session", "P08-1"), ("session", "P07-1")]


def test_a_day_can_be_taken_back_and_one_that_is_none_is_refused(folder):
    plan_session(folder, "P07-1", "2026-03-02T14:00")
    plan_session(folder, "P07-1", "")

    assert row(folder).state == "open"
    with pytest.raises(UsageError, match="Day cannot be read"):
        plan_session(folder, "P07-1", "tomorrow")
    with pytest.raises(UsageError, match="no such session"):
        plan_session(folder, "P09-1", "2026-03-02T14:00")


def test_the_day_after_is_asked_about_on_the_day_after_and_then_no_more(folder):
    run_whole(folder, "P07-1", NOON)

    assert due(folder, NOON + timedelta(hours=5)) == []
    assert due(folder, NOON + DAY) == [("follow up", "P07-1")]
    assert "next-day call 1" in board(folder, NOON + DAY).people[0].missing
    follow_up(folder, "P07-1", NOBODY, "not reached")
    assert due(folder, NOON + DAY) == [("follow up", "P07-1")]
    follow_up(folder, "P07-1", NOBODY, "nothing to report")
    assert due(folder, NOON + DAY) == []


def test_something_to_report_is_an_adverse_event_in_the_participants_words(folder):
    run_whole(folder, "P07-1", NOON)
    for outcome, words, severity in (
        ("something to report", "", "mild"),
        ("something to report", "ache", ""),
        ("fine", "", ""),
    ):
        with pytest.raises(UsageError):
            follow_up(folder, "P07-1", NOBODY, outcome, words, severity)
    follow_up(folder, "P07-1", NOBODY, "something to report", "headache until evening", "moderate")
    with open_study(folder, write=False) as study, open_journal(study, "P07-1") as journal:
        event, followed = (entry.body for entry in journal.entries()[-2:])

    assert (event.event, event.severity) == ("headache until evening", "moderate")
    assert followed.outcome == "something to report"


def test_an_interrupted_session_is_to_be_gone_on_with(folder):
    write(folder, "P07-1", "started", "asked", "answered", "stopped", at=NOON)

    assert row(folder).state == "incomplete"
    assert due(folder) == [("go on", "P07-1")]
    assert "rest of session 1" in board(folder).people[0].missing


def test_a_row_is_read_again_when_its_journal_has_grown_and_only_then(folder):
    reader, now = BoardReader(), NOON.astimezone(UTC)
    before = reader.read(folder, now)
    run_whole(folder, "P07-1", NOON)
    after = reader.read(folder, now)

    assert before.people[0].sessions[0].state == "open"
    assert (after.people[0].sessions[0].state, after.people[0].sessions[0].sweeps) == ("done", 1)
    assert after == BoardReader().read(folder, now)
    assert len(reader._rows) == 3


def test_a_real_finding_is_on_the_board(tmp_path):
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    outcome = rehearse(str(tmp_path / "short.toml"), tmp_path / "study", seed=3, operator=Unattended())
    shown = board(tmp_path / "study")

    assert shown.is_rehearsal
    assert shown.due == ()
    assert shown.people[0].sessions[0].threshold == outcome.found["FDI right/rmt"]
    assert shown.people[0].sessions[0].sweeps == sum(entry.has_sweep for entry in outcome.entries)
    assert shown.people[0].missing == ()


def test_a_next_session_is_added_and_a_study_started_from_a_text(folder, tmp_path):
    assert add_next_session(folder, "P07") == "P07-2"
    made = start_study(tmp_path, "grip", "hand", protocol_text("hand").replace("[study]", "[study] # changed"))

    assert board(made).protocol_name == "hand"
    assert "# changed" in (made / "protocol.toml").read_text(encoding="utf-8")
    with pytest.raises(ProtocolError, match="line"):
        start_study(tmp_path, "other", "hand", protocol_text("hand").replace("ceiling_mso = 100", "ceiling_mso = 1000"))
    assert not (tmp_path / "other").exists()


@pytest.mark.parametrize("name", ["", "../out", "a/b", "/etc", "..", ".hidden", "<script>", "a" * 41])
def test_a_study_cannot_be_made_elsewhere(tmp_path, name):
    with pytest.raises(UsageError, match="Name of the study"):
        start_study(tmp_path / "root", name, "hand", protocol_text("hand"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "name",
    [
        "../a.edf",
        "a/b.edf",
        "..\\a.edf",
        "<img src=x>.edf",
        ".a.edf",
        "a..edf",
        "a\n.edf",
        "",
        "é.edf",
        "a.edf/",
        "x" * 120 + ".edf",
    ],
)
def test_a_file_name_that_is_a_path_or_more_than_a_name_is_refused(name):
    with pytest.raises(UsageError, match="not usable"):
        check_file_name(name)


@pytest.mark.parametrize("name", ["a.exe", "a.edf.html", "a", "study.db", "a.pdf"])
def test_a_file_of_another_kind_is_refused_by_its_ending(name):
    with pytest.raises(UsageError, match="no recording") as refused:
        check_file_name(name)
    assert all(ending in str(refused.value) for ending in ENDINGS)


def test_a_recording_is_taken_in_untouched_and_what_is_none_is_not(folder, tmp_path):
    from io import BytesIO

    content = "\n".join(
        ["time_s,emg_uv,trigger", *(f"{n / 1000},{n % 7},{int(n == 500)}" for n in range(1000))]
    ).encode()
    try:
        said = take_in(folder, "P07", "rest.csv", BytesIO(content))
    except DecussaError as error:
        pytest.fail(f"not readable: {error}")

    assert said.startswith("rest.csv: ")
    assert (folder / "recordings" / "P07" / "rest.csv").read_bytes() == content
    assert board(folder).recordings == ("P07/rest.csv",)
    with pytest.raises(RecordingError) as refused:
        take_in(folder, "P07", "fake.edf", BytesIO(b"\x7fELF not a recording"))
    assert str(tmp_path) not in str(refused.value)
    assert "/tmp" not in str(refused.value)
    with pytest.raises(UsageError, match="of that name"):
        take_in(folder, "P07", "rest.csv", BytesIO(content))
    with pytest.raises(UsageError, match="not in the study"):
        take_in(folder, "P99", "other.csv", BytesIO(content))
    assert check_study(folder) == []


def test_a_file_that_is_too_large_is_refused_before_it_fills_the_disk(folder, monkeypatch):
    from io import BytesIO

    monkeypatch.setattr("decussa.compose.taking_in.LARGEST_BYTES", 1 << 20)
    with pytest.raises(UsageError, match="too large"):
        take_in(folder, "P07", "big.csv", BytesIO(b"a,b\n" * (1 << 20)))
    assert not (folder / "recordings" / "P07").exists()


def test_a_back_up_goes_beside_the_studies_or_to_a_folder_that_is_there(folder, tmp_path):
    said = []
    copy = back_up_study(tmp_path, folder, "", lambda done, of: said.append((done, of)))
    (tmp_path / "disk").mkdir()
    other = back_up_study(tmp_path, folder, str(tmp_path / "disk"), lambda _, __: None)

    assert copy.parent == tmp_path / "back-ups"
    assert other.parent == tmp_path / "disk"
    assert said
    assert not any(finding.broken for finding in check_study(copy))
    for wrong in ("disk", str(tmp_path / "nowhere"), f"{tmp_path}/disk/../disk"):
        with pytest.raises(UsageError, match="not there"):
            back_up_study(tmp_path, folder, wrong, lambda _, __: None)


def test_from_the_first_principal_investigator_with_a_pin_on_only_they_add_people(folder):
    add_colleague(folder, "OP1", "Olive Invented", "operator", "1111")
    add_colleague(folder, "PI1", "Paul Invented", "principal investigator", "2222")
    for code, pin in (("", ""), ("PI1", "1111"), ("OP1", "1111")):
        with pytest.raises(UsageError):
            add_colleague(folder, "OP2", "Otto Invented", "operator", "", by_code=code, by_pin=pin)
    add_colleague(folder, "OP2", "Otto Invented", "operator", "", by_code="PI1", by_pin="2222")
    with open_study(folder, write=False) as study, open_journal(study) as journal:
        added = [entry.body for entry in journal.entries() if entry.kind == "operator added"]

    assert [(one.operator, one.role, one.has_pin) for one in added] == [
        ("OP1", "operator", True), ("PI1", "principal investigator", True), ("OP2", "operator", False),
    ]  # fmt: skip
    assert "Invented" not in repr(added)


def test_a_board_of_nothing_is_refused(tmp_path):
    with pytest.raises(RecordingError, match="no study"):
        BoardReader().read(Path(tmp_path))
