"""What a data set says about the rowers' tasks and conditions."""

from __future__ import annotations

from dataclasses import dataclass

CONDITIONS = {
    "M-wave": "Pulse to the ulnar nerve at the wrist: rising currents",
    "Mmax": "Pulse to the ulnar nerve at the wrist: supramaximal",
    "single": "Single pulse: hand 120 % of the resting threshold; lumbar base + 40 % MSO during light extension",
    "curve": "Recruitment curve: 90 to 150 % of the resting threshold in random order",
    "test alone": "Test pulse alone: hand 0.5 to 1 mV; lumbar base + 40 % MSO during light extension",
    "SICI": "Conditioning pulse 3 ms before the test pulse: hand 75 % of the resting threshold; lumbar base",
    "ICF": "Conditioning pulse before the test pulse: hand 12 ms, 75 % of the resting threshold; lumbar 15 ms, base",
    "LICI": "Two pulses of the test intensity, 100 ms apart",
    "silent": "Single pulse at 120 % of the resting threshold during a pinch at 15 % of maximum",
    "rest": "Single pulse at base + 40 % MSO, lying relaxed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskWords:
    """What a data set says about one task."""

    task_description: str
    instructions: str
    placement: str
    ground: str


_COIL_HAND = (
    "Figure-of-eight coil over the left hand area, 45 degrees to the midline, "
    "current in the brain from posterior to anterior"
)
_HAND = {
    "placement": (
        "First dorsal interosseous, right: belly and tendon, first electrode over the belly in the first web, "
        "second over the base of the index finger"
    ),
    "ground": "styloid process of the ulna",
}
TASKS = {
    "hand": TaskWords(
        task_description=f"Hand at rest. {_COIL_HAND}. Nerve pulses of 0.2 ms to the ulnar nerve at the wrist.",
        instructions="Keep your hand relaxed and your eyes open.",
        **_HAND,
    ),
    "pinch": TaskWords(
        task_description=f"Pinch of thumb and index finger at 15 % of maximum, held around each pulse. {_COIL_HAND}.",
        instructions="Bring the line to the mark, hold it there, relax when you hear the tone.",
        **_HAND,
    ),
    "lumbar": TaskWords(
        task_description=(
            "Lying prone; first relaxed, then lifting the chest lightly around each pulse. Double-cone coil 1 cm to the "
            "front of the vertex, current in the brain from posterior to anterior, left hemisphere taken as stimulated."
        ),
        instructions="Lift your chest until the line reaches the mark, hold it there, relax when you hear the tone.",
        placement=(
            "Lumbar erector spinae, both sides: 3 cm from the midline at the level of the fourth lumbar vertebra, "
            "along the fibres"
        ),
        ground="iliac crest",
    ),
}
