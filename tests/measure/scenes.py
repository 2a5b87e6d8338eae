"""Drawn photographs of a foot beside a card, of which the truth is known.

The camera is OpenCV's (``cv2.projectPoints``), so that nothing here shares code with what is
tested. Lengths of bones are drawn from published means (Patil and others 2017, J Clin Diagn Res
11(9):AC05: metatarsal 50.1 to 56.4 mm, SD 4.4; proximal phalanx 25.8 to 28.0 mm, SD 2.4); all other
ranges are assumptions, stated in :data:`RANGES`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]
Side = Literal["right", "left"]
LONG, SHORT, RADIUS = 85.60, 53.98, 3.18

#: What scenes vary over. "told" is a photograph taken as the words on the screen say; "loose" one
#: taken carelessly that is still to be measured.
RANGES = {
    "picture": "2016 x 1512 to 4032 x 3024 pixels, JPEG quality 88 to 96",
    "focal length": "24 to 100 mm (35 mm equivalent), noted to the whole millimetre, 2 % off",
    "optical axis": "SD 0.5 % of the width from the middle",
    "distortion": "k1 SD 0.01, k2 SD 0.004",
    "scale": "5 to 8 pixels in a millimetre, the camera 0.55 m away or more (told), 0.38 m (loose)",
    "lens off the line square to the joint": "up to 6 degrees each way (told), 15 (loose)",
    "roll": "up to 5 degrees",
    "foot from the card's plane": "SD 2 mm together, 1.5 mm each mark",
    "bend": "-10 to 75 degrees from the shaft",
    "card": "in front of the toe or above it, turned up to 15 degrees, lying or standing",
    "edges": "blur SD 0.6 to 2 pixels (told), 3 and half a millimetre at most (loose)",
    "noise": "SD 1 to 5 of 255 levels",
    "light": "gradient up to 40 % over the picture, shadow beside the card",
    "skin": "six tones",
    "ground": "plain, planks, tiles, carpet, two parts; other things lying about",
    "dots": "four or five of 8 mm (SD 0.5 %), turned up to 25 degrees",
    "clicks": "three to five in place of dots, in half of the scenes, SD 1 pixel each way",
    "card against ground": "at least 40 of 255 levels apart in one colour",
}

SIZES = ((2016, 1512), (2592, 1944), (3264, 2448), (4032, 3024))
SKIN = (
    (255, 224, 196),
    (241, 194, 150),
    (224, 172, 105),
    (198, 134, 66),
    (141, 85, 36),
    (75, 45, 28),
)
DOTS = ((30, 150, 60), (20, 90, 200), (0, 160, 170))


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything that a drawn photograph is made from, in the card's frame: mm, x right, y down."""

    seed: int
    size: tuple[int, int] = (4032, 3024)
    noted_35mm: float | None = 26
    matrix: Floats = field(default_factory=lambda: np.eye(3))
    distortion: Floats = field(default_factory=lambda: np.zeros(4))
    turn: Floats = field(default_factory=lambda: np.zeros(3))
    place: Floats = field(default_factory=lambda: np.array([0.0, 0, 600]))
    side: Side = "left"
    marks: dict[str, Floats] = field(default_factory=dict)  # (3,), z > 0 is away from the camera
    bend_deg: float = 0
    card: tuple[float, float, float] | None = (LONG, SHORT, RADIUS)
    dots: bool = True
    dot_mm: float = 8
    blur_px: float = 1
    shake_px: float = 0
    noise: float = 2
    gradient: float = 0.2
    skin: int = 1
    ground: str = "plain"
    mirrored: bool = False
    quarter_turns: int = 0
    second_card: bool = False

    def seen(self, points: Floats) -> Floats:
        """Pixels (n, 2) of points (n, 3)."""
        found, _ = cv2.projectPoints(
            np.asarray(points, dtype=np.float64),
            self.turn,
            self.place,
            self.matrix,
            self.distortion,
        )
        return np.asarray(found, dtype=np.float64)[:, 0]

    def corners(self) -> Floats:
        """Pixels (4, 2) where the card's sides meet."""
        x, y, _ = self.card or (LONG, SHORT, RADIUS)
        ends = np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]]) / 2
        return self.seen(ends)

    def marks_px(self) -> dict[str, Floats]:
        return {name: self.seen(at[None])[0] for name, at in self.marks.items()}

    def length(self, first: str, second: str) -> float:
        """Distance [mm] in the plane of the foot."""
        return float(np.linalg.norm((self.marks[first] - self.marks[second])[:2]))


# ------------------------------------------------------------------ what is in a scene


def _foot(rng: np.random.Generator, bend: float, bones: int, flat: bool) -> dict[str, Floats]:
    """Marks (2,) of a foot whose toes point right, the joint at 0, y down [mm]."""
    man = rng.random() < 0.5
    metatarsal = rng.normal(56.42, 4.41) if man else rng.normal(50.09, 3.06)
    phalanx = rng.normal(28.0, 2.40) if man else rng.normal(25.8, 2.21)
    down = np.radians(rng.uniform(15, 25))
    up = down - np.radians(bend)
    back, toe = metatarsal - 11, phalanx + 6  # ends of the bones, and the centre of the head
    heel = rng.uniform(0.70, 0.76) * (260 if man else 238) * rng.uniform(0.94, 1.06)
    along = np.array([np.cos(down), np.sin(down)])
    found = {
        "heel": np.array([-heel, rng.uniform(-18, 2)]),
        "shaft_back": -back * along,
        "shaft_front": -0.3 * back * along,
        "joint": np.zeros(2),
        "phalanx": toe * np.array([np.cos(up), np.sin(up)]),
    }
    keep = {
        3: ("shaft_back", "joint", "phalanx"),
        4: ("heel", "shaft_back", "joint", "phalanx"),
        5: tuple(found),
    }[bones]
    raised = rng.random() < 0.3 and not flat
    pitch = np.radians(rng.uniform(8, 35) if raised else rng.uniform(-8, 8))
    c, s = np.cos(pitch), np.sin(pitch)  # the heel up, as in a heel raise
    turn = np.array([[c, -s], [s, c]])
    return {name: turn @ at for name, at in found.items() if name in keep}


def draw_scene(seed: int, kind: str = "told") -> Scene:
    """A scene of a kind: ``told``, ``loose``, or one of :data:`BAD`."""
    rng = np.random.default_rng([seed, sum(map(ord, kind))])
    loose = kind == "loose"
    side: Side = "left" if rng.random() < 0.5 else "right"
    bend = rng.uniform(-10, 75)
    dots = bool(rng.random() < 0.5)
    count = int(rng.choice([4, 5] if dots else [3, 4, 5]))
    if kind in ("out_of_plane", "turned"):  # without the heel nothing shows it
        count = int(rng.choice([4, 5]))
    foot = _foot(rng, bend, count, kind == "turned")
    flip = 1 if side == "left" else -1
    # the card where the foot is not
    tip = foot["phalanx"] * 1.9
    standing = bool(rng.random() < 0.2)
    lean = np.radians(rng.uniform(-15, 15) + (90 if standing else 0))
    half = np.array([SHORT, LONG] if standing else [LONG, SHORT]) / 2
    if rng.random() < 0.6:
        middle = np.array([max(tip[0], 30) + half[0] + rng.uniform(25, 55), rng.uniform(-45, 5)])
    else:
        top = min(tip[1], foot["shaft_back"][1] - 45, -50)
        middle = np.array([rng.uniform(0, 60), top - half[1] - rng.uniform(20, 40)])
    c, s = np.cos(lean), np.sin(lean)
    into_card = np.array([[c, s], [-s, c]])

    def placed(at: Floats, deep: float) -> Floats:
        flat = into_card @ ((at - middle) * (flip, 1))
        return np.array([*flat, deep])

    together, apart = rng.normal(0, 2), 1.5
    if kind == "out_of_plane":
        together = rng.choice([-1, 1]) * rng.uniform(0.09, 0.18)  # of the distance, set below
    marks = {name: placed(at, 0) for name, at in foot.items()}
    joint = marks["joint"].copy()
    film = rng.uniform(24, 30) if rng.random() < 0.6 else rng.uniform(45, 52)
    scale = rng.uniform(5, 8) if kind != "card_small" else rng.uniform(1.0, 2.6)
    # all is in the picture, with a margin
    ends = np.array(
        [*(m[:2] for m in marks.values()), (LONG / 2, LONG / 2), (-LONG / 2, -LONG / 2)]
    )
    span = np.ptp(ends, axis=0) + (200 if kind == "card_twice" else 45)
    fits = [one for one in SIZES if (np.array(one) > scale * span).all()]
    size = fits[0] if fits else SIZES[-1]
    scale = min(scale, size[0] / span[0], size[1] / span[1])
    focal = film * np.hypot(*size) / 43.267
    least = 380 if loose else 550
    if kind != "card_small":  # a zoom in place of a near camera
        film = max(film, scale * least * 43.267 / np.hypot(*size))
        focal = film * np.hypot(*size) / 43.267
    distance = focal / scale
    if kind == "too_close":
        distance = rng.uniform(130, 250)
        focal = 0.7 * size[0] * distance / 330
        film = focal * 43.267 / np.hypot(*size)
    if kind == "out_of_plane":
        together *= distance
    for at in marks.values():
        at[2] = together + rng.normal(0, apart)
    most = 15 if loose else 6
    off = np.tan(np.radians(rng.uniform(-most, most, 2)))
    if kind == "oblique":
        sly = np.radians(rng.uniform(42, 62)) * rng.choice([-1, 1])
        way = rng.uniform(-0.6, 0.6)
        off = np.tan(sly) * np.array([np.cos(way), np.sin(way)])
        distance /= np.hypot(1, np.tan(sly))
    eye = joint + distance * np.array([*off, -1])
    corners = np.array([[-LONG, -SHORT], [LONG, -SHORT], [LONG, SHORT], [-LONG, SHORT]]) / 2
    everything = np.vstack([corners, *(m[None, :2] for m in marks.values())])
    aim = np.append((everything.min(0) + everything.max(0)) / 2 + rng.uniform(-8, 8, 2), 0)
    up = np.append(into_card @ np.array([0, -1.0]), 0)
    turn, place = _looking(eye, aim, up, np.radians(rng.uniform(-5, 5)))
    centre = (np.array(size) - 1) / 2 + rng.normal(0, 0.005 * size[0], 2)
    true = focal * (1 + rng.normal(0, 0.02))
    matrix = np.array([[true, 0, centre[0]], [0, true, centre[1]], [0, 0, 1]])
    distortion = np.array([rng.normal(0, 0.01), rng.normal(0, 0.004), 0, 0])
    blur = rng.uniform(0.6, min(3, 0.5 * scale) if loose else 2)
    shake = 0.0
    if kind == "blurred":
        blur, shake = (rng.uniform(1.4, 3) * scale, 0) if rng.random() < 0.5 else (1, 9 * scale)
    whole = Scene(
        seed,
        size,
        float(round(film)) if kind != "unknown_lens" else None,
        matrix,
        distortion,
        turn,
        place,
        side,
        marks,
        float(bend),
        (LONG, SHORT, RADIUS),
        dots,
        float(8 * (1 + rng.normal(0, 0.005))),
        float(blur),
        float(shake),
        float(rng.uniform(1, 5)),
        float(rng.uniform(0, 0.4)),
        int(rng.integers(len(SKIN))),
        str(rng.choice(["plain", "planks", "tiles", "carpet", "parts"])),
    )
    return _spoilt(whole, kind, rng)


#: Ways in which a photograph is not to be measured.
BAD = (
    "card_missing",
    "wrong_aspect",
    "card_small",
    "oblique",
    "too_close",
    "blurred",
    "cropped",
    "turned",
    "mirrored",
    "out_of_plane",
    "card_twice",
    "whole_toe",
)


def _spoilt(scene: Scene, kind: str, rng: np.random.Generator) -> Scene:
    if kind == "card_missing":
        return replace(scene, card=None)
    if kind == "wrong_aspect":
        long = float(
            SHORT * (rng.uniform(1.0, 1.42) if rng.random() < 0.5 else rng.uniform(1.78, 2.3))
        )
        return replace(scene, card=(long, SHORT, float(rng.choice([0.0, 3.18, 8.0]))))
    if kind == "cropped":
        corners = scene.corners()
        way = int(rng.integers(4))
        cut = rng.uniform(0.1, 0.8)
        axis = way % 2
        low, high = corners[:, axis].min(), corners[:, axis].max()
        edge = 0 if way < 2 else scene.size[axis]
        shift = edge - (low + cut * (high - low))
        matrix = scene.matrix.copy()
        matrix[axis, 2] += shift
        return replace(scene, matrix=matrix)
    if kind == "turned":
        return replace(scene, quarter_turns=int(rng.choice([1, 3])))
    if kind == "mirrored":
        return replace(scene, mirrored=True)
    if kind == "card_twice":
        return replace(scene, second_card=True)
    if kind == "whole_toe":
        marks = dict(scene.marks)
        out = marks["phalanx"] - marks["joint"]
        marks["phalanx"] = marks["joint"] + out * rng.uniform(58, 70) / np.linalg.norm(out)
        return replace(scene, marks=marks, dots=False)
    return scene


def _looking(eye: Floats, aim: Floats, up: Floats, roll: float) -> tuple[Floats, Floats]:
    """Turn and place of a camera at ``eye`` that looks at ``aim``."""
    ahead = (aim - eye) / np.linalg.norm(aim - eye)
    right = np.cross(ahead, up)
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    R = np.stack([right, down, ahead])
    c, s = np.cos(roll), np.sin(roll)
    R = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ R
    return cv2.Rodrigues(R)[0].ravel(), -R @ eye


# ------------------------------------------------------------------ drawing


def render(scene: Scene) -> Image:
    """The photograph (h, w, 3), red first."""
    rng = np.random.default_rng([scene.seed, 7])
    picture = _ground(scene, rng)
    _things(picture, scene, rng)
    base = picture.copy() if scene.card else picture
    _draw_foot(picture, scene, rng)
    if scene.card is not None:
        _draw_card(picture, scene, rng, np.zeros(2), base)
    if scene.second_card:
        side = _free_place(scene)
        _draw_card(picture, scene, rng, side, base)
    if scene.dots:
        colour = _linear(np.array(DOTS[int(rng.integers(len(DOTS)))]))
        for at in scene.marks.values():
            _draw_dot(picture, scene, at, colour, rng)
    _light(picture, scene, rng)
    if scene.blur_px > 0:
        cv2.GaussianBlur(picture, (0, 0), scene.blur_px, dst=picture)
    if scene.shake_px > 1:
        n = int(scene.shake_px) | 1
        kernel = np.zeros((n, n), np.float32)
        a = rng.uniform(0, np.pi)
        mid = n // 2
        ends = [
            (round(mid + d * mid * np.cos(a)), round(mid + d * mid * np.sin(a))) for d in (-1, 1)
        ]
        cv2.line(kernel, ends[0], ends[1], 1.0, 1)
        picture[:] = cv2.filter2D(picture, -1, kernel / kernel.sum())
    return _developed(picture, scene, rng)


def _free_place(scene: Scene) -> Floats:
    """Where a second card is in the picture and off the foot, from the first [mm]."""
    ends = np.array([[-LONG, -SHORT], [LONG, -SHORT], [LONG, SHORT], [-LONG, SHORT]]) / 2
    foot = np.array([at[:2] for at, _ in _outline(scene)])
    away = np.arange(0, 2 * np.pi, np.pi / 12)
    for far in (62, 75, 95, 110, 125, 150):
        for way in away:
            at = far * np.array([np.cos(way), np.sin(way)])
            seen = scene.seen(np.column_stack([ends + at, np.zeros(4)]))
            inside = (seen > 12).all() and (seen < np.array(scene.size) - 12).all()
            beside = abs(at[0]) > LONG + 5 or abs(at[1]) > SHORT + 5
            if beside and inside and np.linalg.norm(foot - at, axis=1).min() > 62:
                return at
    return np.array([0.0, SHORT + 4])


def _linear(rgb: Floats) -> Floats:
    return np.asarray((np.asarray(rgb) / 255) ** 2.2)


def _developed(picture: NDArray[np.float32], scene: Scene, rng: np.random.Generator) -> Image:
    """Tone curve, noise, eight bits, JPEG; mirrored and turned last."""
    curve = (255 * np.minimum(np.arange(8192) / 4095, 1) ** (1 / 2.2)).astype(np.float32)
    toned = curve[(picture * np.float32(4095)).astype(np.uint16)]
    tile = rng.normal(0, scene.noise, (1031, 1033, 3)).astype(np.float32)
    h, w = toned.shape[:2]
    for y in range(0, h, 1031):
        for x in range(0, w, 1033):
            part = toned[y : y + 1031, x : x + 1033]
            turned = np.rot90(tile, 2 * int(rng.integers(2)))
            part += turned[: part.shape[0], : part.shape[1]]
    eight = cv2.convertScaleAbs(toned)
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(88, 97))]
    packed = cv2.imencode(".jpg", eight, quality)[1]
    shown = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8)
    if scene.mirrored:
        shown = shown[:, ::-1]
    return np.ascontiguousarray(np.rot90(shown, scene.quarter_turns))


def shown_at(scene: Scene, points: Floats) -> Floats:
    """Where points (n, 2) of the picture stand once it is mirrored and turned."""
    w, h = scene.size
    at = np.array(points, dtype=np.float64)
    if scene.mirrored:
        at[:, 0] = w - 1 - at[:, 0]
    for _ in range(scene.quarter_turns):
        at = np.column_stack([at[:, 1], w - 1 - at[:, 0]])
        w, h = h, w
    return at


def _colours(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Ground and card, at least 40 levels apart in one colour and not skin's neighbours."""
    while True:
        ground = rng.uniform(40, 225, 3) * 0.4 + rng.uniform(40, 225) * 0.6
        card = rng.uniform(10, 250, 3)
        if rng.random() < 0.3:
            card = np.full(3, rng.uniform(215, 250))
        if np.abs(ground - card).max() >= 40:
            return ground, card


def _ground(scene: Scene, rng: np.random.Generator) -> NDArray[np.float32]:
    w, h = scene.size
    colour, _ = _colours(np.random.default_rng([scene.seed, 11]))
    small = np.empty((h // 8, w // 8, 3), np.float32)
    small[:] = colour
    hs, ws = small.shape[:2]
    if scene.ground == "planks":
        y = 0
        while y < hs:
            step = int(rng.uniform(25, 60))
            small[y : y + step] *= rng.uniform(0.9, 1.1)
            small[y : y + 1] *= 0.7
            y += step
    elif scene.ground == "tiles":
        step = int(rng.uniform(40, 90))
        small[::step] *= 0.75
        small[:, ::step] *= 0.75
    elif scene.ground == "parts":
        small[int(hs * rng.uniform(0.55, 0.8)) :] *= rng.uniform(0.75, 0.95)
    grain = 0.10 if scene.ground == "carpet" else 0.02
    low = cv2.resize(rng.normal(0, 1, (hs // 12, ws // 12)).astype(np.float32), (ws, hs))
    small *= 1 + 0.03 * low[..., None]
    big = cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
    tile = cv2.GaussianBlur(rng.normal(0, 1, (h // 3, w // 3)).astype(np.float32), (0, 0), 1.5)
    tile = cv2.resize(tile * (grain / tile.std()), (w, h))
    big *= 1 + tile[..., None]
    curve = (np.minimum(np.arange(8192) / 2047, 1) ** 2.2).astype(np.float32)
    linear: NDArray[np.float32] = curve[(big * np.float32(2047 / 255)).astype(np.uint16)]
    return linear


def _things(picture: NDArray[np.float32], scene: Scene, rng: np.random.Generator) -> None:
    """Other things lying about behind: round, long, many-sided; none is a card."""
    h, w = picture.shape[:2]
    for _ in range(int(rng.integers(0, 4))):
        colour = tuple(float(v) for v in _linear(rng.uniform(30, 230, 3)))
        at = rng.uniform(0, 1, 2) * (w, h)
        size = rng.uniform(0.03, 0.10) * w
        shape = int(rng.integers(3))
        if shape == 0:
            cv2.circle(picture, (int(at[0]), int(at[1])), int(size / 2), colour, -1, cv2.LINE_AA)
        elif shape == 1:
            end = at + size * 2 * rng.normal(0, 1, 2)
            cv2.line(
                picture,
                (int(at[0]), int(at[1])),
                (int(end[0]), int(end[1])),
                colour,
                int(size / 6),
                cv2.LINE_AA,
            )
        else:
            angles = np.sort(rng.uniform(0, 2 * np.pi, 6))
            ring = at + size * np.column_stack([np.cos(angles), np.sin(angles)])
            cv2.fillPoly(picture, [ring.astype(np.int32)], colour, cv2.LINE_AA)


def _outline(scene: Scene) -> list[tuple[Floats, float]]:
    """The foot as balls (centre (3,), radius) [mm] along it."""
    m = scene.marks
    joint, back, end = m["joint"], m["shaft_back"], m["phalanx"]
    out = end - joint
    heel = m.get("heel", joint + (back - joint) * 4.2)
    tip = joint + out * 1.75
    inward = (joint - heel) / np.linalg.norm(joint - heel)
    rear = heel + inward * 26
    path = [(rear, 26.0), (rear * 0.5 + back * 0.5, 27.0), (back, 24.0), (joint, 15.0)]
    path += [(end, 11.0), (tip, 9.0)]
    balls: list[tuple[Floats, float]] = []
    for (a, ra), (b, rb) in pairwise(path):
        steps = np.linspace(0, 1, 24, endpoint=False)
        balls += [(a + (b - a) * t, ra + (rb - ra) * t) for t in steps]
    return balls


def _draw_foot(picture: NDArray[np.float32], scene: Scene, rng: np.random.Generator) -> None:
    skin = _linear(np.array(SKIN[scene.skin])).astype(np.float32)
    mask = np.zeros(picture.shape[:2], np.uint8)
    balls = _outline(scene)
    for at, radius in balls:
        edge = scene.seen(np.stack([at, at + np.array([radius, 0, 0])]))
        r = float(np.linalg.norm(edge[1] - edge[0]))
        if np.abs(edge).max() < 20000:
            cv2.circle(mask, tuple(int(v) for v in edge[0].round()), int(r), 255, -1)
    ys, xs = np.nonzero(cv2.resize(mask, None, fx=1 / 16, fy=1 / 16) > 0)
    if len(xs) == 0:
        return
    x0, x1 = max(0, int(xs.min() - 2) * 16), int(xs.max() + 3) * 16
    y0, y1 = max(0, int(ys.min() - 2) * 16), int(ys.max() + 3) * 16
    part, inside = picture[y0:y1, x0:x1], mask[y0:y1, x0:x1]
    alpha = cv2.GaussianBlur(inside, (0, 0), 1.2).astype(np.float32)[..., None] / 255
    depth = cv2.resize(inside, None, fx=1 / 8, fy=1 / 8).astype(np.float32)
    soft = cv2.GaussianBlur(depth, (0, 0), 5)
    light = np.asarray(cv2.resize(soft, (inside.shape[1], inside.shape[0]))) / 255
    mottle = cv2.resize(
        rng.normal(0, 0.05, (20, 30)).astype(np.float32), (part.shape[1], part.shape[0])
    )
    shade = np.clip(0.35 + 0.7 * light, 0, 1) * (1 + mottle)
    part *= 1 - alpha
    part += alpha * shade[..., None] * skin


def _card_places(scene: Scene, box: tuple[int, int, int, int], deep: float) -> Floats:
    """Places (h, w, 2) [mm] on the plane z = deep of the pixels of a box."""
    x0, y0, x1, y1 = box
    grid = np.stack(np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)), axis=-1).astype(np.float64)
    f, c = scene.matrix[0, 0], scene.matrix[:2, 2]
    bent = (grid - c) / f
    k1, k2 = scene.distortion[:2]
    flat = bent
    for _ in range(6):
        r2 = np.sum(flat**2, axis=-1, keepdims=True)
        flat = bent / (1 + r2 * (k1 + k2 * r2))
    R = cv2.Rodrigues(scene.turn)[0]
    ray = np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1) @ R
    eye = -R.T @ scene.place
    length = (deep - eye[2]) / ray[..., 2:]
    found: Floats = (eye + length * ray)[..., :2]
    return found


def _box(scene: Scene, around: Floats, margin: int) -> tuple[int, int, int, int] | None:
    w, h = scene.size
    low = np.floor(around.min(0)).astype(int) - margin
    high = np.ceil(around.max(0)).astype(int) + margin
    x0, y0, x1, y1 = max(low[0], 0), max(low[1], 0), min(high[0], w), min(high[1], h)
    return None if x1 <= x0 or y1 <= y0 else (int(x0), int(y0), int(x1), int(y1))


def _draw_card(
    picture: NDArray[np.float32],
    scene: Scene,
    rng: np.random.Generator,
    at: Floats,
    base: NDArray[np.float32],
) -> None:
    assert scene.card is not None
    long, short, radius = scene.card
    ends = (
        np.array([[-long, -short, 0], [long, -short, 0], [long, short, 0], [-long, short, 0]]) / 2
    )
    seen = scene.seen(ends + np.append(at, 0))
    scale = float(np.linalg.norm(seen[1] - seen[0]) / long)
    box = _box(scene, seen, int(8 * scale))
    if box is None:
        return
    x0, y0, x1, y1 = box
    places = _card_places(scene, box, 0) - at
    q = np.abs(places) - np.array([long, short]) / 2 + radius
    distance = (
        np.hypot(*np.maximum(q, 0).transpose(2, 0, 1)) + np.minimum(q.max(axis=-1), 0) - radius
    )
    _, colour = _colours(np.random.default_rng([scene.seed, 11]))
    paint = np.empty((*places.shape[:2], 3))
    paint[:] = _linear(colour)
    x, y = places[..., 0] / long, places[..., 1] / short

    def patch(inside: NDArray[np.bool_], rgb: Floats) -> None:
        paint[inside] = _linear(rgb)

    if rng.random() < 0.25:
        patch((y > -0.42) & (y < -0.22), np.array([35.0, 32, 30]))  # a magnetic stripe
    else:
        patch((np.abs(x + 0.30) < 0.07) & (np.abs(y + 0.05) < 0.10), np.array([205.0, 175, 95]))
        patch((np.hypot((x - 0.33) * 1.6, y - 0.28) < 0.12), rng.uniform(20, 240, 3))
    ink = rng.uniform(20, 240, 3)
    for row in (0.12, 0.25):
        patch((np.abs(y - row) < 0.03) & (x > -0.38) & (x < 0.2) & (np.sin(x * 160) > -0.2), ink)
    shadow = np.clip(0.5 - (np.roll(distance, (3, 2), axis=(0, 1)) - 1.5) / 3, 0, 1) * 0.3
    part = picture[y0:y1, x0:x1]
    outside = np.clip(distance * scale, 0, 1)
    part *= (1 - shadow * outside)[..., None].astype(np.float32)
    alpha = np.clip(0.5 - distance * scale, 0, 1)[..., None]
    part[:] = part * (1 - alpha) + alpha * paint


def _draw_dot(
    picture: NDArray[np.float32], scene: Scene, at: Floats, colour: Floats, rng: np.random.Generator
) -> None:
    radius = scene.dot_mm / 2
    ends = at + radius * np.array([[1.0, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]])
    seen = scene.seen(ends)
    scale = float(np.linalg.norm(seen[0] - seen[1]) / (2 * radius))
    box = _box(scene, seen, 6)
    if box is None:
        return
    x0, y0, x1, y1 = box
    places = _card_places(scene, box, float(at[2])) - at[:2]
    way, tilt = rng.uniform(0, np.pi), np.radians(rng.uniform(0, 25))
    c, s = np.cos(way), np.sin(way)
    u = places[..., 0] * c + places[..., 1] * s
    v = (places[..., 1] * c - places[..., 0] * s) / np.cos(tilt)
    alpha = np.clip(0.5 - (np.hypot(u, v) - radius) * scale, 0, 1)[..., None]
    part = picture[y0:y1, x0:x1]
    shade = rng.uniform(0.8, 1.1)
    part[:] = part * (1 - alpha) + alpha * colour * shade


def _light(picture: NDArray[np.float32], scene: Scene, rng: np.random.Generator) -> None:
    h, w = picture.shape[:2]
    way = rng.uniform(0, 2 * np.pi)
    x = np.linspace(-0.5, 0.5, w, dtype=np.float32) * np.float32(np.cos(way))
    y = np.linspace(-0.5, 0.5, h, dtype=np.float32) * np.float32(np.sin(way))
    level = rng.uniform(0.75, 1.0)
    picture *= (level * (1 + scene.gradient * (x[None, :] + y[:, None])))[..., None]
