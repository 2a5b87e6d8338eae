"""A flat card seen by a camera: where the camera stood, and where a pixel lies on the card.

Pinhole with radial distortion. The card's frame has its origin in the card's middle, x along the
long side, y along the short side and down the picture, z away from the camera. What is not known of
the lens is a number with a prior, found together with the card's place; so a small card does not
have to set the perspective alone. Every function takes many cameras at once: the first axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rungwise.core.errors import Fault, InputError

__all__ = [
    "LENS",
    "POSE",
    "Array",
    "Fit",
    "Lens",
    "back_project",
    "fit_card",
    "homography",
    "project",
    "refit",
    "rotation",
    "unlike_card",
]

Array = NDArray[np.float64]

#: Parameters of a camera in their order: log of the focal length over its prior, middle of the
#: picture [px], radial distortion of second and fourth order [1]; then the card's turn and place.
LENS = ("log_focal", "centre_x", "centre_y", "k1", "k2")
POSE = ("turn_x", "turn_y", "turn_z", "place_x", "place_y", "place_z")
STEP = 1e-6  # of a parameter, for slopes
ROUNDS = 2 * 10  # steps that a fit may take at most
SETTLED = 1e-6  # relative fall of the misfit that ends a fit
UNBEND = 10  # rounds that undo the distortion; each gains two digits with a phone's lens


@dataclass(frozen=True, eq=False)
class Lens:
    """What is known of the lens before the picture is looked at.

    Parameters
    ----------
    focal_px : float
        Focal length in pixels [px].
    centre_px : (float, float)
        Where the optical axis meets the picture [px].
    sds : (5,) array
        Standard deviations of :data:`LENS`: share of the focal length [1], middle [px], k1, k2 [1].
    """

    focal_px: float
    centre_px: tuple[float, float]
    sds: Array

    @property
    def prior(self) -> Array:
        """Prior values of :data:`LENS`, (5,)."""
        return np.array([0, *self.centre_px, 0, 0], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Fit:
    """The camera that explains a card's corners.

    Parameters
    ----------
    parameters : (11,) array
        :data:`LENS` and :data:`POSE`.
    covariance : (11, 11) array
        Their covariance to first order.
    misfit : float
        Sum of squares of the weighted residuals [1]; chi-square with two degrees of freedom when
        the thing is a card.
    other : (11,) array
        The best camera that sees the card leaning the other way: a far card leaves two answers.
    other_misfit : float
        Its sum of squares [1].
    """

    parameters: Array
    covariance: Array
    misfit: float
    other: Array
    other_misfit: float


def rotation(turn: Array) -> Array:
    """Rotation matrices (m, 3, 3) of rotation vectors (m, 3) [rad].

    Notes
    -----
    Rodrigues: R = I + sin θ K + (1 - cos θ) K².
    """
    angle = np.linalg.norm(turn, axis=-1)[:, None, None]
    x, y, z = (turn / np.maximum(angle[:, 0], np.finfo(float).tiny)).T
    zero = np.zeros_like(x)
    K = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*turn.shape, -1)
    whole: Array = np.eye(turn.shape[-1]) + np.sin(angle) * K + (1 - np.cos(angle)) * (K @ K)
    return whole


def _parts(p: Array, lens: Lens) -> tuple[Array, Array, Array, Array, Array]:
    """Focal length (m, 1), middle (m, 1, 2), distortion (m, 2), turn and place of each camera."""
    n = len(LENS)
    focal = lens.focal_px * np.exp(p[:, :1])
    turn, place = np.split(p[:, n:], 2, axis=1)
    return focal, p[:, None, 1 : n - 2], p[:, n - 2 : n], rotation(turn), place


def _bend(flat: Array, k: Array) -> Array:
    """How much farther from the middle the lens shows points (m, n, 2), as a factor (m, n, 1)."""
    r2 = np.sum(flat**2, axis=-1, keepdims=True)
    factor: Array = 1 + r2 * (k[:, None, :1] + k[:, None, 1:] * r2)
    return factor


def project(p: Array, points: Array, lens: Lens) -> Array:
    """Pixels (m, n, 2) at which cameras (m, 11) see points (n, 3) of the card's frame [mm].

    Notes
    -----
    With the point X in the camera's frame, x = X₁₂ / X₃, r² = |x|²: pixel = f x (1 + k1 r² + k2 r⁴)
    + middle.
    """
    focal, centre, k, R, place = _parts(p, lens)
    seen = points @ R.transpose(0, 2, 1) + place[:, None, :]
    flat = seen[..., :2] / seen[..., 2:]
    pixels: Array = focal[:, None] * flat * _bend(flat, k) + centre
    return pixels


def back_project(p: Array, pixels: Array, towards: Array, lens: Lens) -> Array:
    """Places (m, n, 2) on the card's plane [mm] of pixels (m, n, 2).

    Parameters
    ----------
    p : (m, 11) array
        Cameras.
    pixels : (m, n, 2) array
        Pixels [px].
    towards : (m, n) array
        How far each thing seen stands out of the card's plane towards the camera [mm].
    lens : Lens
        Prior of the lens.
    """
    focal, centre, k, R, place = _parts(p, lens)
    bent = (pixels - centre) / focal[:, None]
    flat = bent
    for _ in range(UNBEND):
        flat = bent / _bend(flat, k)
    ray = np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1) @ R
    eye = -(place[:, None, :] @ R)
    length = (-towards[..., None] - eye[..., 2:]) / ray[..., 2:]
    found: Array = (eye + length * ray)[..., :2]
    return found


def homography(source: Array, target: Array) -> Array:
    """The 3 by 3 matrix that takes points (n, 2) to points (n, 2), scaled to end in 1.

    Notes
    -----
    Least squares of the linear equations after centring and scaling both sets; exact for four.
    """
    ends = []
    for points in (source, target):
        middle = points.mean(axis=0)
        size = np.sqrt(np.mean(np.sum((points - middle) ** 2, axis=1)) / 2)
        if not size > 0:
            raise np.linalg.LinAlgError("points without extent")
        x, y = -middle / size
        ends.append(np.array([[1 / size, 0, x], [0, 1 / size, y], [0, 0, 1]]))
    before, after = ends
    one = np.ones((len(source), 1))
    a = np.hstack([source, one]) @ before.T
    b = np.hstack([target, one]) @ after.T
    nothing = np.zeros_like(a)
    equations = np.vstack(
        [np.hstack([a, nothing, -b[:, :1] * a]), np.hstack([nothing, a, -b[:, 1:2] * a])]
    )
    H = np.linalg.inv(after) @ np.linalg.svd(equations)[2][-1].reshape(a.shape[1], -1) @ before
    scaled: Array = H / H[-1, -1]
    return scaled


def _first_pose(corners_px: Array, card_mm: Array, lens: Lens) -> Array:
    """Turn and place (6,) of the card by its homography and the prior of the lens."""
    H = homography(card_mm[:, :2], (corners_px - lens.centre_px) / lens.focal_px)
    size = np.sqrt(np.linalg.norm(H[:, 0]) * np.linalg.norm(H[:, 1]))
    x, y, place = (H / size).T
    U, _, V = np.linalg.svd(np.stack([x, y, np.cross(x, y)], axis=1))
    return np.concatenate([_turn_of(U @ V), place])


def unlike_card(corners_px: Array, card_mm: Array, lens: Lens) -> float:
    """How far four corners are from a card's to first sight [1]; 0 is a card without distortion.

    Notes
    -----
    The first two columns of the homography are then at right angles and equally long: the larger of
    the cosine between them and of the log of their lengths' ratio.
    """
    try:
        H = homography(card_mm[:, :2], (corners_px - lens.centre_px) / lens.focal_px)
    except np.linalg.LinAlgError:
        return float("inf")
    x, y = H[:, 0], H[:, 1]
    long, short = float(np.linalg.norm(x)), float(np.linalg.norm(y))
    if not (0 < long < np.inf and 0 < short < np.inf):
        return float("inf")
    return max(abs(float(x @ y)) / (long * short), abs(float(np.log(long / short))))


def _turn_of(R: Array) -> Array:
    """Rotation vector (3,) of a matrix less than half a turn from none."""
    cos = min(1.0, max(-1.0, (np.trace(R) - 1) / 2))
    angle = float(np.arccos(cos))
    skew = (R - R.T) / 2
    axis = np.array([skew[2, 1], skew[0, 2], skew[1, 0]])
    sine = float(np.linalg.norm(axis))
    return axis if sine < STEP else axis * (angle / sine)


def _leaning_back(pose: Array) -> Array:
    """The pose whose card leans the other way about the line of sight."""
    turn, place = np.split(pose, 2)
    R = rotation(turn[None])[0]
    sight = place / np.linalg.norm(place)
    normal = R[:, 2]
    other = 2 * (sight @ normal) * sight - normal
    axis = np.cross(normal, other)
    sine = np.linalg.norm(axis)
    if sine < STEP:
        return pose
    swing = rotation((axis / sine * np.arctan2(sine, normal @ other))[None])[0]
    return np.concatenate([_turn_of(swing @ R), place])


def _residuals(
    p: Array, corners: Array, root: Array, card_mm: Array, prior: Array, lens: Lens
) -> Array:
    off = (corners - project(p, card_mm, lens)).reshape(len(p), -1) @ root.T
    return np.concatenate([off, (p[:, : len(LENS)] - prior) / lens.sds], axis=1)


def _slopes(p: Array, root: Array, card_mm: Array, lens: Lens) -> Array:
    """Change of each residual with each parameter, (m, 13, 11)."""
    m, n = p.shape
    steps = STEP * np.maximum(1, np.abs(p))
    moved = np.repeat(p[:, None, None, :], 2, axis=1).repeat(n, axis=2)
    which = np.arange(n)
    moved[:, 0, which, which] += steps
    moved[:, 1, which, which] -= steps
    seen = project(moved.reshape(-1, n), card_mm, lens).reshape(m, 2, n, -1)
    change = (seen[:, 0] - seen[:, 1]) / (2 * steps[..., None])
    corner = -(root @ change.transpose(0, 2, 1))
    own = np.zeros((m, len(LENS), n))
    own[:, which[: len(LENS)], which[: len(LENS)]] = 1 / lens.sds
    return np.concatenate([corner, own], axis=1)


def fit_card(corners_px: Array, covariance_px2: Array, card_mm: Array, lens: Lens) -> Fit:
    """Find the camera that sees a card's corners where they were found.

    Parameters
    ----------
    corners_px : (4, 2) array
        Corners as found [px], in the order of ``card_mm``.
    covariance_px2 : (8, 8) array
        Their covariance [px²].
    card_mm : (4, 3) array
        The same corners on the card [mm].
    lens : Lens
        Prior of the lens.

    Raises
    ------
    InputError
        When the corners span no area.

    Notes
    -----
    Most probable camera by Gauss and Newton's steps, damped when one would make it worse; begun at
    both poses between which a far card cannot decide.
    """
    root = np.linalg.inv(np.linalg.cholesky(covariance_px2))
    try:
        with np.errstate(all="ignore"):
            pose = _first_pose(corners_px, card_mm, lens)
            if not np.isfinite(pose).all():
                raise np.linalg.LinAlgError("no pose")
            poses = (pose, _leaning_back(pose))
            starts = [np.concatenate([lens.prior, at]) for at in poses]
            found = [_climb(start, corners_px, root, card_mm, lens) for start in starts]
            (p, misfit), (other, other_misfit) = sorted(found, key=lambda one: one[1])
            slopes = _slopes(p[None], root, card_mm, lens)[0]
            covariance = np.linalg.inv(slopes.T @ slopes)
            np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        fault = Fault("corners", "four corners", "corners that span an area", "Click them again.")
        raise InputError("card on a photograph", (fault,)) from None
    return Fit(p, covariance, misfit, other, other_misfit)


def _climb(
    p: Array, corners: Array, root: Array, card_mm: Array, lens: Lens
) -> tuple[Array, float]:
    damp = 1 / 1000
    r = _residuals(p[None], corners, root, card_mm, lens.prior, lens)[0]
    misfit = float(r @ r)
    for _ in range(ROUNDS):
        J = _slopes(p[None], root, card_mm, lens)[0]
        A = J.T @ J
        step = np.linalg.solve(A + damp * np.diag(np.diag(A)), -J.T @ r)
        tried = _residuals((p + step)[None], corners, root, card_mm, lens.prior, lens)[0]
        gain = misfit - float(tried @ tried)
        if gain > 0:
            p, r, misfit, damp = p + step, tried, misfit - gain, damp / 10
            if gain < SETTLED * (1 + misfit):
                break
        else:
            damp *= 10
            if damp > 1 / STEP:
                break
    return p, misfit


def refit(
    fit: Fit, corners: Array, priors: Array, covariance_px2: Array, card_mm: Array, lens: Lens
) -> Array:
    """Cameras (m, 11) of many draws of the corners (m, 4, 2) [px] and of the lens's prior (m, 5).

    Notes
    -----
    Two of Gauss and Newton's steps from the fit of the corners as found.
    """
    root = np.linalg.inv(np.linalg.cholesky(covariance_px2))
    p = np.repeat(fit.parameters[None], len(corners), axis=0)
    for _ in range(2):
        r = _residuals(p, corners, root, card_mm, priors, lens)
        J = _slopes(p, root, card_mm, lens)
        Jt = J.transpose(0, 2, 1)
        p = p - np.linalg.solve(Jt @ J, Jt @ r[..., None])[..., 0]
    return p
