"""Protocols: the shipped ones hold, and every fault is named by line, field and what is allowed."""

import pytest

from decussa.model.errors import ProtocolError, UsageError
from decussa.protocol.schema import SHIPPED, load_protocol, protocol_hash, read_protocol
from decussa.protocol.steps import planned_intensities

GOOD = """
[study]
name = "x"

[[muscles]]
muscle = "FCR"
side = "left"
electrodes = "a"

[coil]
type = "figure of eight"

[[steps]]
kind = "single"
intensity = "130 % RMT"
"""


def faults(text):
    with pytest.raises(ProtocolError) as caught:
        read_protocol(text, where="p.toml")
    return caught.value.problems


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_protocol_is_valid_and_names_its_steps(name):
    protocol, text = load_protocol(name)

    assert protocol.steps[-1].kind == "closing"
    assert len(protocol_hash(text)) == 64


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_intensity_rests_on_something_an_earlier_step_finds(name):
    protocol, _ = load_protocol(name)
    found = {"mso"}
    for step in protocol.steps:
        assert {intensity.reference for intensity in planned_intensities(step)} <= found
        if step.kind == "threshold":
            found.add("rmt" if step.state == "rest" else "amt")
        found |= {"test intensity": {"size"}, "trunk levels": {"base"}}.get(step.kind, set())


def test_a_small_protocol_takes_its_defaults():
    protocol = read_protocol(GOOD)

    assert protocol.criterion.size_uv == 50
    assert (protocol.criterion.k, protocol.criterion.of) == (5, 10)
    assert protocol.target(protocol.steps[0]).label == "FCR left"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('side = "left"', 'side = "lefd"'), "line 7, muscles.1.side: expected 'left' or 'right'; found 'lefd'."),
        (('muscle = "FCR"', 'muscle = "XYZ"'), "line 5, muscles.1: muscle is not known; expected one of ADM, APB"),
        (("130 % RMT", "130 RMT"), 'line 15, steps.1.intensity: intensity cannot be read; expected "130 % RMT"'),
        (('"single"', '"dance"'), "line 13, steps.1.kind: is not a kind of step; expected 'familiarisation'"),
        (('kind = "single"', ""), "line 13, steps.1.kind: is missing."),
        (('name = "x"', ""), "line 2, study.name: is missing."),
        (('type = "figure of eight"', 'typ = "x"'), "line 11, coil.typ: is not a known field; did you mean 'type'."),
        (
            ('intensity = "130 % RMT"', 'intensity = "130 % RMT"\ntrials = 0'),
            "line 16, steps.1.trials: expected greater than",
        ),
        (
            ("[coil]", "[limits]\nceiling_mso = 120\n[coil]"),
            "line 11, limits.ceiling_mso: expected less than or equal to 100",
        ),
        (
            ('intensity = "130 % RMT"', 'intensity = "130 % RMT"\nmuscle = "TA left"'),
            "names muscle 'TA left'; expected one of FCR left",
        ),
    ],
)
def test_a_fault_names_line_field_and_what_is_allowed(change, said):
    assert any(said in problem for problem in faults(GOOD.replace(*change)))


def test_every_fault_is_listed_in_order_of_lines():
    text = GOOD.replace('side = "left"', 'side = "up"').replace("130 % RMT", "lots")
    lines = [int(problem.split(",")[0].removeprefix("line ")) for problem in faults(text)]

    assert lines == sorted(lines)
    assert len(lines) == 2


def test_a_fault_in_a_nested_table_names_its_own_line():
    text = GOOD + '\n[[steps]]\nkind = "paired"\ntest = "1 mV"\n[[steps.conditions]]\nname = "SICI"\nisi_ms = -3\n' \
        'conditioning = "70 % RMT"\ntest = "1 mV"\n'  # fmt: skip

    assert faults(text) == ("line 22, steps.2.conditions.1.isi_ms: expected greater than 0; found -3.",)


def test_text_that_is_not_toml_is_refused_with_its_line():
    assert "line 1" in faults("study = \n")[0]


def test_a_name_that_is_neither_shipped_nor_a_file_is_refused():
    with pytest.raises(UsageError, match="forearm, lumbar, hand, leg, patient"):
        load_protocol("nosuch")
