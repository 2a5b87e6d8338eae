"""What is not known of marks on a photograph, and what that does to an answer made from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rungwise.core.camera import LENS, Array, back_project, refit
from rungwise.core.evidence import Evidence
from rungwise.core.photo_card import Card, card_mm

__all__ = ["Answer", "Marked"]

#: Steps for slopes: of a pixel, of a millimetre, and of a parameter in its standard deviations.
STEP = 1 / 1000


def _root(covariance: Array) -> Array:
    """The lower root of a covariance."""
    lower: Array = np.linalg.cholesky(covariance).astype(np.float64)
    return lower


#: What an answer is made from: places of the marks on the card's plane (m, n, 2) to (m,).
Answer = Callable[[Array], Array]


@dataclass(frozen=True, eq=False)
class Marked:
    """A card and marks with what is not known of them."""

    card: Card
    pixels: Array  # (n, 2)
    sds_px: Array  # (n,)
    book: Evidence

    @property
    def depth_sds_mm(self) -> tuple[float, float]:
        """Standard deviations of depth: of all marks together, of each [mm]."""
        return self.book.value("photo.plane.sd_mm"), self.book.value("photo.mark_depth.sd_mm")

    def places(self, p: Array, pixels: Array, common: Array, own: Array) -> Array:
        """Places on the card's plane (m, n, 2) [mm]."""
        return back_project(p, pixels, common + own, self.card.lens)

    def at_best(self, camera: Array | None = None) -> Array:
        """Places (1, n, 2) by the best camera, or by another one [mm]."""
        nothing = np.zeros((1, len(self.pixels)))
        p = self.card.fit.parameters if camera is None else camera
        return self.places(p[None], self.pixels[None], nothing, nothing)

    def parts(self, answer: Answer) -> dict[str, float]:
        """Variance of an answer by cause, to first order."""
        fit, n = self.card.fit, len(self.pixels)
        plane, own = self.depth_sds_mm

        def slopes(**moves: Array) -> Array:
            """How the answer changes along each move of one kind of input."""
            ((kind, move),) = moves.items()
            both = np.concatenate([move, -move]) * STEP
            m = len(both)
            inputs = {
                "p": np.repeat(fit.parameters[None], m, axis=0),
                "pixels": np.repeat(self.pixels[None], m, axis=0),
                "common": np.zeros((m, 1)),
                "own": np.zeros((m, n)),
            }
            inputs[kind] = inputs[kind] + both
            up, down = np.split(answer(self.places(**inputs)), 2)
            change: Array = (up - down) / (2 * STEP)
            return change

        marks = slopes(pixels=np.eye(2 * n).reshape(2 * n, n, 2)) * np.repeat(self.sds_px, 2)
        depth = slopes(common=np.ones((1, 1))) * plane
        each = slopes(own=np.eye(n)) * own
        camera = float(np.sum(slopes(p=_root(fit.covariance).T) ** 2))
        # the camera's place alone, were the lens known
        k = len(LENS)
        place = np.linalg.inv(np.linalg.inv(fit.covariance)[k:, k:])
        alone = _root(place).T
        moves = np.hstack([np.zeros((len(alone), k)), alone])
        corners = min(camera, float(np.sum(slopes(p=moves) ** 2)))
        return {
            "marks": float(marks @ marks),
            "corners": corners,
            "plane": float(depth @ depth + each @ each),
            "lens": camera - corners,
        }

    def drawn(self, answer: Answer, rng: np.random.Generator, draws: int) -> Array:
        """The answer of many draws of everything that is not known, (draws,)."""
        card, n = self.card, len(self.pixels)
        fit, lens = card.fit, card.lens
        plane, own = self.depth_sds_mm
        root = _root(card.covariance_px2)
        noise = rng.standard_normal((draws, len(root))) @ root.T
        seen = card.corners_px + noise.reshape(draws, *card.corners_px.shape)
        priors = lens.prior + rng.standard_normal((draws, len(LENS))) * lens.sds
        p = refit(fit, seen, priors, card.covariance_px2, card_mm(self.book), lens)
        clicks = rng.standard_normal((draws, n, 2)) * self.sds_px[:, None]
        common = rng.standard_normal((draws, 1)) * plane
        each = rng.standard_normal((draws, n)) * own
        return answer(self.places(p, self.pixels + clicks, common, each))
