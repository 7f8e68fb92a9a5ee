"""Own drawings for the desk: the head from above with the vertex as measured, and where a muscle's electrodes go.

They are sketches, not to scale: they say which landmarks the words mean. The words of the protocol and the hand that feels for
the muscle come first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from decussa.model.muscle import muscle_and_side
from decussa.protocol.head import find_vertex
from decussa.protocol.schema import Protocol
from decussa.screen.language import phrase
from decussa.screen.marks import text
from decussa.session.preparation import first_target
from decussa.store.preparing import HeadMeasured

#: The sketch of the head: nasion and inion, left and right ear, in px.
_NASION_Y, _INION_Y, _LEFT_X, _RIGHT_X = 24.0, 306.0, 96.0, 324.0
_MID_X, _MID_Y = (_LEFT_X + _RIGHT_X) / 2, (_NASION_Y + _INION_Y) / 2
#: Arcs to draw with before the head is measured: an adult's, for proportion only (common practice, no source).
_USUAL_ARCS = HeadMeasured(nasion_inion_cm=36, ear_to_ear_cm=38)


def head_figure(protocol: Protocol, head: HeadMeasured | None, *, site_is_open: bool) -> str:
    """Return the head from above: both arcs, the vertex at half of each, and where the search begins."""
    arcs = head or _USUAL_ARCS
    vertex = find_vertex(arcs.nasion_inion_cm, arcs.ear_to_ear_cm)
    along = f"{vertex.from_nasion_cm:.1f} cm" if head else phrase("half")
    across = f"{vertex.from_ear_cm:.1f} cm" if head else phrase("half")
    site, said = _site(protocol, arcs, is_open=site_is_open)
    # Words stand on the side away from the site.
    far = -1 if first_target(protocol).stim_side == "left" else 1
    anchor = "start" if far < 0 else "end"
    label = phrase(
        "Head from above: the vertex at half of both arcs, {along} and {across}.", along=along, across=across
    )
    return (
        f'<svg class="plot" viewBox="0 0 420 335" width="420" height="335" role="img" aria-label="{text(label)} {text(said)}">'
        f'<path class="ik fs" d="M210 24C291 24 324 90 324 159S285 306 210 306S96 228 96 159S129 24 210 24z"/>'
        f'<path class="dash" d="M{_MID_X} {_NASION_Y}V{_INION_Y}"/><path class="dash" d="M{_LEFT_X} {_MID_Y}H{_RIGHT_X}"/>'
        '<path class="ik3" d="M202 24H218M202 306H218M96 157V173M324 157V173"/>'
        f'<text class="ti" x="210" y="15" text-anchor="middle">{phrase("nasion")}</text>'
        f'<text class="ti" x="210" y="326" text-anchor="middle">{phrase("inion")}</text>'
        f'<text class="ti" x="84" y="170" text-anchor="end">{phrase("left ear")}</text>'
        f'<text class="ti" x="336" y="170">{phrase("right ear")}</text>'
        f'<text class="t" x="{_MID_X - far * 8}" y="95" text-anchor="{anchor}">{along}</text>'
        f'<text class="t" x="{_MID_X - far * 8}" y="251" text-anchor="{anchor}">{along}</text>'
        f'<text class="t" x="{_MID_X - far * 64}" y="184" text-anchor="middle">{across}</text>'
        f'{site}<circle class="full" cx="{_MID_X}" cy="{_MID_Y}" r="6"/>'
        f'<text class="tb" x="{_MID_X - far * 10}" y="154" text-anchor="{anchor}">{phrase("vertex")}</text></svg>'
    )


def _site(protocol: Protocol, arcs: HeadMeasured, *, is_open: bool) -> tuple[str, str]:
    """Return where the search begins, drawn and in words; nothing where the protocol does not say."""
    if "start_cm" not in protocol.coil.model_fields_set:
        return "", ""
    out, front = protocol.coil.start_cm
    side = first_target(protocol).stim_side
    right = -out if side == "left" else out if side == "right" else 0.0
    # Seen from above, a way along the arc is foreshortened towards the edge: each arc is drawn as half a turn.
    x = _MID_X + (_RIGHT_X - _LEFT_X) / 2 * math.sin(math.pi * right / arcs.ear_to_ear_cm)
    y = _MID_Y - (_INION_Y - _NASION_Y) / 2 * math.sin(math.pi * front / arcs.nasion_inion_cm)
    kind = "nextbox" if is_open else "siteset"
    where = f"{abs(right):g} cm" if right else phrase("midline")
    where += f", {abs(front):g} cm {phrase('forward') if front > 0 else phrase('back')}" if front else ""
    drawn = (
        f'<rect class="{kind}" x="{x - 12:.1f}" y="{y - 12:.1f}" width="24" height="24"/>'
        f'<text class="tn" x="{x:.1f}" y="{y + 33:.1f}" text-anchor="middle">{phrase("start site")}</text>'
        f'<text class="t" x="{x:.1f}" y="{y + 51:.1f}" text-anchor="middle">{where}</text>'
    )
    return drawn, phrase("Start site {where} {side}.", where=where, side=side if right else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sketch:
    """A part of the body as drawn for the right side; landmarks are (x, y, name), the pair of electrodes two places."""

    view: str
    outline: str
    landmarks: tuple[tuple[float, float, str], ...]
    spots: tuple[tuple[float, float], tuple[float, float]]
    ground: tuple[float, float] | None
    line: str = ""


_WIDTH, _HEIGHT = 400.0, 230.0
_DOT = '<svg width="16" height="16" aria-hidden="true"><circle class="full" cx="8" cy="8" r="6"/></svg>'
_SQUARE = (
    '<svg width="16" height="16" aria-hidden="true"><rect class="one fs" x="2" y="2" width="12" height="12"/></svg>'
)
_HAND = (
    '<path class="ik fs" d="M150 222V170C132 160 120 150 104 128C92 112 76 96 66 82C58 70 74 58 86 70C104 86 120 104 140 112'
    "C146 90 148 60 152 34C154 20 176 20 176 36C176 60 178 76 180 96C184 72 188 44 192 22"
    "C196 8 216 10 216 26C214 52 212 74 212 96"
    "C218 74 226 50 234 32C240 20 258 26 254 42C248 64 242 84 240 102C250 88 258 76 268 66C278 56 292 66 284 80"
    'C270 104 262 134 252 156C246 168 238 172 236 182V222"/>'
)
_FOREARM = (
    '<path class="ik" d="M20 62C70 40 140 44 200 66C250 82 290 84 318 84C350 84 372 78 392 74M20 176C80 190 150 178 210 156'
    'C256 140 290 134 318 132C350 132 372 136 392 140"/>'
)
_UPPER_ARM = (
    '<path class="ik" d="M20 44C60 30 110 40 150 56C210 74 280 70 330 72C352 72 374 74 392 78M20 190C80 196 150 186 210 168'
    'C260 156 300 150 330 150C352 150 374 148 392 146"/>'
)
_LEG = (
    '<path class="ik" d="M20 62C70 46 150 50 210 68C262 82 300 92 330 96C352 98 372 108 386 124L392 138'
    "M20 176C90 192 160 178 220 158"
    'C264 146 296 142 322 142C340 144 362 152 392 156"/>'
)
_THIGH = (
    '<path class="ik" d="M20 40C90 24 170 36 230 56C280 72 330 76 392 70'
    'M20 196C100 204 170 190 230 170C290 154 340 156 392 162"/>'
)
_BACK = (
    '<path class="ik" d="M96 6C110 60 116 96 110 132C104 166 92 190 90 226'
    'M304 6C290 60 284 96 290 132C296 166 308 190 310 226"/>'
    '<path class="dash" d="M200 6V226"/><path class="to" d="M112 160C150 146 176 148 200 150C224 148 250 146 288 160"/>'
)
_SKETCHES = {
    "FDI": _Sketch(
        view="back of the hand", outline=_HAND, landmarks=((118, 210, "wrist"),), spots=((132, 128), (160, 86)),
        ground=(192, 206),
    ),
    "APB": _Sketch(
        view="palm", outline=_HAND, landmarks=((118, 210, "wrist"),), spots=((140, 146), (106, 104)), ground=(192, 206),
    ),
    "ADM": _Sketch(
        view="back of the hand", outline=_HAND, landmarks=((118, 210, "wrist"),), spots=((244, 150), (252, 112)),
        ground=(192, 206),
    ),
    "FCR": _Sketch(
        view="inside of the forearm", outline=_FOREARM, line="M44 158L318 92",
        landmarks=((74, 212, "medial epicondyle"), (318, 74, "radial styloid")),
        spots=((124, 139), (146, 133)), ground=(44, 76),
    ),
    "ECR": _Sketch(
        view="outside of the forearm", outline=_FOREARM, line="M44 84L330 100",
        landmarks=((84, 36, "lateral epicondyle"), (330, 74, "wrist")),
        spots=((108, 88), (130, 89)), ground=(44, 160),
    ),
    "BB": _Sketch(
        view="front of the upper arm", outline=_UPPER_ARM, line="M40 112L338 112",
        landmarks=((52, 30, "shoulder"), (326, 58, "crease of the elbow")), spots=((228, 112), (250, 112)), ground=(384, 112),
    ),
    "TA": _Sketch(
        view="front of the lower leg", outline=_LEG, line="M40 84L330 132",
        landmarks=((76, 40, "tip of the fibula"), (322, 176, "inner ankle")), spots=((126, 98), (148, 102)),
        ground=(344, 126),
    ),
    "SOL": _Sketch(
        view="back of the lower leg", outline=_LEG, line="M40 112L326 120",
        landmarks=((84, 40, "inner side of the knee"), (322, 176, "inner ankle")), spots=((222, 117), (244, 118)),
        ground=(344, 126),
    ),
    "RF": _Sketch(
        view="front of the thigh", outline=_THIGH, line="M34 112L376 114",
        landmarks=((84, 20, "anterior iliac spine"), (310, 52, "upper edge of the patella")), spots=((194, 113), (216, 113)),
        ground=None,
    ),
    "LES": _Sketch(
        view="back", outline=_BACK, landmarks=((180, 112, "L3"), (180, 142, "L4"), (180, 174, "L5")),
        spots=((240, 112), (240, 140)), ground=(286, 174),
    ),
    "TES": _Sketch(
        view="back", outline=_BACK, landmarks=((180, 34, "T5"), (180, 74, "T9")), spots=((232, 40), (232, 66)),
        ground=(286, 174),
    ),
    "RA": _Sketch(
        view="belly", outline=_BACK, landmarks=((180, 116, "navel"),), spots=((232, 98), (232, 124)), ground=(286, 174),
    ),
}  # fmt: skip


def electrode_figure(label: str) -> str:
    """Return the sketch of where a muscle's electrodes go, mirrored for the left side; empty for a muscle without one."""
    muscle, side = muscle_and_side(label)
    sketch = _SKETCHES.get(muscle.key)
    if sketch is None:
        return ""
    mirrored = side == "left"
    turn = f' transform="translate({_WIDTH:g} 0) scale(-1 1)"' if mirrored else ""
    ground = sketch.ground
    square = (
        f'<rect class="one fs" x="{ground[0] - 8:g}" y="{ground[1] - 8:g}" width="16" height="16"/>' if ground else ""
    )
    dots = "".join(f'<circle class="full" cx="{x:g}" cy="{y:g}" r="7"/>' for x, y in sketch.spots)
    names = "".join(
        f'<text class="ti" x="{_WIDTH - x if mirrored else x:g}" y="{y:g}" text-anchor="middle">{text(phrase(name))}</text>'
        for x, y, name in sketch.landmarks
    )
    line = f'<path class="dash" d="{sketch.line}"/>' if sketch.line else ""
    said = phrase(
        "Sketch, {view}, {side}: two electrodes as dots, the reference as a square.",
        view=phrase(sketch.view),
        side=side,
    )
    key = (
        f"<span>{_DOT} {phrase('electrodes')}</span><span>{_SQUARE} {phrase('reference')}</span>"
        f"<span>{phrase('sketch, not to scale')}</span>"
    )
    return (
        f'<svg class="plot" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" width="{_WIDTH:g}" height="{_HEIGHT:g}" role="img" '
        f'aria-label="{text(said)}"><g{turn}>{sketch.outline}{line}{square}{dots}</g>{names}</svg><p class="figkey">{key}</p>'
    )


def view_of_sketch(label: str) -> str:
    """Return from where a muscle's sketch is seen; empty for a muscle without one."""
    sketch = _SKETCHES.get(muscle_and_side(label)[0].key)
    return phrase(sketch.view) if sketch else ""
