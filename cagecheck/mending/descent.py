"""Which steps of a displacement are kept: region by region, only what costs less.

Rows are planes where bodies are curved, so a step may end where they do not hold, and a step that
was not solved to the end may cost more. Until a region's rows hold for the first time its steps are
taken as they come. From then on a step is kept when the rows hold at its end and it costs less;
else half of it is tried, and so on (backtracking: Nocedal and Wright, "Numerical Optimization",
second edition, section 3.1). Regions do not touch, so each has its own cost and its own end.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array

from cagecheck.arrays.types import Floats

# A region ends when a step makes its cost fall by less than this share of it. (Common practice, no
# source; on the closed forms of the tests what is left to be gained then is of this size, too.)
_SETTLED = 0.02
# A step is halved at most so often.
_MOST_HALVINGS = 2


class Descent:
    """The regions of a displacement, while steps are tried.

    Attributes
    ----------
    first : (P, 3) the displacement that kept each region's rows first.
    best : (P, 3) the one of least cost since; before, the latest.
    going : (R,) bool, regions that have not ended.
    stepping : (R,) bool, regions that want a new step from `best`; other going ones try part of
        the last.
    """

    def __init__(
        self, label: NDArray[np.int64], energy: csc_array, draw: Floats, least: Floats
    ) -> None:
        """Begin: label (P,) the region of each place or -1; cost is u.Q.u / 2 - draw.u + least."""
        count = int(label.max()) + 1
        self._label, self._energy, self._draw, self._least = label, energy, draw, least
        self._inside = np.flatnonzero(label >= 0)
        self.first = np.zeros((len(label), 3))
        self.best = np.zeros((len(label), 3))
        self.going = np.ones(count, bool)
        self.stepping = np.ones(count, bool)
        self._target = np.zeros((len(label), 3))
        self._cost = np.full(count, np.inf)
        self._met = np.zeros(count, bool)
        self._halvings = np.zeros(count, np.int64)

    @property
    def is_met(self) -> bool:
        """Whether all regions that want a new step have had their rows kept."""
        return bool(self._met[self.stepping].all())

    def places(self, regions: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return (P,) the places of regions."""
        out = np.zeros(len(self._label), bool)
        out[self._inside] = regions[self._label[self._inside]]
        return out

    def look(self, trial: Floats, kept: NDArray[np.bool_]) -> None:
        """Judge a displacement: `kept` (R,) says whose rows hold there."""
        cost = self._costs(trial)
        newly = self.going & ~self._met & kept
        less = self.going & self._met & kept & (cost < self._cost)
        back = self.going & self._met & ~less
        taken = self.places(self.going & ~back)
        self.best[taken] = trial[taken]
        first = self.places(newly)
        self.first[first] = trial[first]
        settled = less & (self._cost - cost <= _SETTLED * self._cost)
        self._halvings[back] += 1
        settled |= back & (self._halvings > _MOST_HALVINGS)
        # Forces grow towards what they are in the end, and costs with them: this was the end.
        settled |= back & kept & (cost - self._cost <= _SETTLED * self._cost)
        # Nothing at all is as little as can be.
        settled |= newly & (cost == 0)
        self._cost[newly | less] = cost[newly | less]
        self._met |= newly
        self.going &= ~settled
        self.stepping = self.going & ~back

    def next(self, solution: Floats) -> Floats:
        """Return what to look at next: solutions of stepping regions, parts of steps of others."""
        stepping = self.places(self.stepping)
        self._halvings[self.stepping] = 0
        self._target[stepping] = solution[stepping]
        share = np.where(self.going, 0.5**self._halvings, 0.0)
        trial = self.best.copy()
        at = self._inside
        trial[at] += share[self._label[at], None] * (self._target - self.best)[at]
        return trial

    def _costs(self, move: Floats) -> Floats:
        """Return (R,) the cost of every region."""
        at = 0.5 * np.einsum("ij,ij->i", move, self._energy @ move)
        at += self._least - np.einsum("ij,ij->i", self._draw, move)
        where = self._label[self._inside]
        return np.bincount(where, at[self._inside], len(self.going)).astype(np.float64)
