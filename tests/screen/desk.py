"""Prepares sessions for pages that need a prepared one, as the people at the desk would."""

import math
from datetime import UTC, datetime

from decussa.compose.preparing import (
    NOBODY,
    confirm,
    measure_head,
    note_electrodes,
    read_preparation,
    sign_consent,
)
from decussa.compose.signing import keep_answers
from decussa.protocol.screening import TOPICS

NO_FLAG = {topic.key: "no" if topic.flag == "yes" else "yes" for topic in TOPICS}


def prepare_all(folder, session, who=NOBODY):
    """Do everything that is open before the first pulse of a session."""
    sign_consent(folder, session, who, "2.1", datetime.now(UTC).astimezone().date().isoformat(), ())
    keep_answers(folder, session, who, NO_FLAG, {})
    for item in read_preparation(folder, session).preparation.open_items:
        if item.form == "electrodes":
            note_electrodes(folder, session, who, item.key, item.note, "cleaned", 20.0, math.nan)
        elif item.form == "head":
            measure_head(folder, session, who, 36.0, 38.0)
        elif item.form == "confirm":
            confirm(folder, session, who, item.key, "OP2" if item.key == "second person" else "")
    assert read_preparation(folder, session).preparation.open_items == ()
