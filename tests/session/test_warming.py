"""After warming up nothing of a session's sweeps is worked out for the first time."""

from decussa.measuring.size_table import size_table
from decussa.model.dialogue import Deliver
from decussa.model.recording import Channel
from decussa.model.stimulus import Stimulus
from decussa.protocol.schema import read_protocol
from decussa.session.measuring import measure_sweep
from decussa.session.warming import warm_up, warm_up_aside
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from tests.session.stage import SHORT

PROTOCOL = read_protocol(SHORT.replace("nerve_reachable = true\n", ""), where="short")
KINDS = [(Stimulus.single(30), 0), (Stimulus.single(75), 0), (Stimulus.paired(40, 75, 3), 0), (Stimulus.single(60), 15)]


def test_no_table_is_left_to_be_worked_out_with_a_sweep():
    source = VirtualSource(VirtualParticipant(5, "hand"))
    warm_up(source.channels, PROTOCOL)
    before = size_table.cache_info().misses
    for number, (stimulus, contraction_pct) in enumerate(KINDS, start=1):
        request = Deliver(stimulus=stimulus, step="s", muscle="FDI right", contraction_pct=contraction_pct)
        sweep = source.deliver(request, number).sweep
        measure_sweep(sweep, request, number, source.channels, PROTOCOL, artifact_expected=False)

    assert size_table.cache_info().currsize > 0
    assert size_table.cache_info().misses == before


def test_channels_whose_sizes_are_typed_need_nothing():
    before = size_table.cache_info().misses
    warm_up_aside([Channel(name="FDI right", kind="emg", rate_hz=0.0)], PROTOCOL).join(10.0)

    assert size_table.cache_info().misses == before
