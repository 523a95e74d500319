"""What the sound of a mixed microphone tells of each strike."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Told:
    """What the sound says, (n_playthroughs, n_members) arrays.

    `hit_s` and `hit_se` are of the member's own strike, NaN where its time is not told; `right` is the probability that
    the time is right. `silent` says which notes of an onset that sounded did not, by their sound.
    """

    hit_s: np.ndarray
    hit_se: np.ndarray
    right: np.ndarray
    silent: np.ndarray

    def or_else(self, other: "Told") -> "Told":
        """Return the same, and of the strikes that it tells nothing of what another microphone tells."""
        mine = np.isfinite(self.hit_s) | self.silent
        both = ((getattr(one, name) for one in (self, other)) for name in ("hit_s", "hit_se", "right", "silent"))
        return Told(*(np.where(mine, first, second) for first, second in both))
