"""Generated inputs shared by all property tests: append yours."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import get_args, get_type_hints

import numpy as np
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from decussa.model.dialogue import Reply, Request
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.model.trial import Verdict
from decussa.store.records import Event, Measured

_INTENSITY = st.one_of(st.floats(0, 100), st.just(math.nan))

STIMULI = st.one_of(
    st.builds(Stimulus, stim_type=st.just("single"), intensity_mso=_INTENSITY),
    st.builds(
        Stimulus,
        stim_type=st.just("paired"),
        intensity_mso=_INTENSITY,
        cond_intensity_mso=_INTENSITY,
        isi_ms=st.floats(0.1, 500),
    ),
    st.builds(Stimulus, stim_type=st.just("nerve"), current_ma=st.one_of(st.floats(0, 1000), st.just(math.nan))),
)


def every_field(record: type) -> st.SearchStrategy:
    """Any record of this type, every field filled, also those that have a default."""
    hints = get_type_hints(record)
    return st.builds(record, **{name: st.from_type(hint) for name, hint in hints.items()})


st.register_type_strategy(Mapping, lambda hint: st.dictionaries(*map(st.from_type, get_args(hint))))
st.register_type_strategy(Stimulus, STIMULI)
st.register_type_strategy(Estimate, every_field(Estimate))
st.register_type_strategy(Verdict, every_field(Verdict))
for _request in get_args(Request):
    st.register_type_strategy(_request, every_field(_request))

#: Whatever a journal may hold.
BODIES = st.one_of([every_field(record) for record in (*get_args(Request), *get_args(Reply), *get_args(Event))])
MEASURED = every_field(Measured)

#: float32 of every bit pattern: all NaNs, denormals, both zeros.
_ANY_BITS = arrays(np.uint32, array_shapes(min_dims=2, max_dims=2, min_side=0, max_side=8)).map(
    lambda a: a.view(np.float32)
)


@st.composite
def sweeps(draw: st.DrawFn) -> Sweep:
    """A sweep of any size and content."""
    samples = draw(_ANY_BITS)
    channels = draw(st.lists(st.text(), min_size=samples.shape[0], max_size=samples.shape[0]))
    return Sweep(
        samples_uv=samples,
        rate_hz=draw(st.floats()),
        onset_sample=draw(st.integers(-(2**40), 2**40)),
        channels=tuple(channels),
        shift_ms=draw(st.floats()),
    )
