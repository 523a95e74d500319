"""Say how likely each hit is under each striker, and as nobody's: names, microphones, labels, probability."""

from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import tables
from pipeline.settings import Rig
from pipeline.tables import N_BANDS

FORBIDDEN = -1e30  # log likelihood of what cannot be
WRONG_NAME = 0.02  # share of hits that carry another striker's name
REBOUND_WINDOW_S = 0.09  # after a hit; bodies that bounce longer are seldom heard
REBOUND_RATE_HZ = 1.0  # of strays within it
STRAY_SHARE = 0.04  # strays elsewhere, of all hits
USUAL_BELOW_DB = 12.0  # a soft strike may lie so far below the usual one; each WEAK_DB more counts one nat
WEAK_DB = 4.0
MOST_AGAINST = 4.0  # nats that a weak level may speak against a hit
LEAST_LEVELS, LEVEL_PROBABILITY = (
    4,
    0.8,
)  # hits of at least so much probability that say what a striker's usual level is
LEAST_PROBABILITY = 0.02  # of a hit: nothing is taken for impossible that was listed
LEAST_RATE_HZ = 0.05  # of hits; a list of few hits is no more silent than that
LABEL_RIGHT = 0.85  # share of the hits called rebounds that are


class WeighedHits(NamedTuple):
    """The hits as the path search reads them: the fields of `Evidence` of these names."""

    hit_s: np.ndarray
    hit_var: np.ndarray
    by_striker: np.ndarray
    stray: np.ndarray
    gaps: np.ndarray


@dataclass(frozen=True)
class Evidence:
    """The hits that may be notes, in order of time.

    `striker` is the code of the name a hit carries (-1: none), `by_striker` the log likelihood of each hit under each
    striker (FORBIDDEN: its microphone does not hear it), `stray` that of being nobody's, in logs of a rate per second,
    `gaps` how many stretches before each hit nobody listened to.
    """

    row: np.ndarray
    hit_id: np.ndarray
    hit_s: np.ndarray
    hit_var: np.ndarray
    striker: np.ndarray
    by_striker: np.ndarray
    stray: np.ndarray
    probability: np.ndarray
    bands_db: np.ndarray
    gaps: np.ndarray
    seconds: float

    def __len__(self) -> int:
        return len(self.hit_s)

    @property
    def rate_hz(self) -> float:
        """Hits per second."""
        return max(len(self) / max(self.seconds, 1.0), LEAST_RATE_HZ)

    def weighed(self) -> WeighedHits:
        """Return the hits for the path search."""
        return WeighedHits(self.hit_s, self.hit_var, self.by_striker, self.stray, self.gaps)

    def cut(self, n_hits: int) -> "Evidence":
        """Return the first hits; `seconds` stays that of all."""
        names = [one.name for one in fields(self) if one.name != "seconds"]
        return replace(self, **{name: getattr(self, name)[:n_hits] for name in names})

    def of_one(self, striker: int) -> "Evidence":
        """Return the same hits, all of one striker."""
        by_striker = np.full_like(self.by_striker, FORBIDDEN)
        by_striker[:, striker] = np.log(1 - WRONG_NAME)
        return replace(self, striker=np.full(len(self), striker), by_striker=by_striker)

    def backwards(self) -> "Evidence":
        """Return the same hits with time running the other way."""
        return replace(
            self,
            hit_s=-self.hit_s[::-1].copy(),
            hit_var=self.hit_var[::-1].copy(),
            by_striker=self.by_striker[::-1].copy(),
            stray=self.stray[::-1].copy(),
            gaps=self.gaps[::-1].copy(),
        )


def heard_strikers(strikers: list[str], hits: pa.Table, rig: Rig | None) -> tuple[np.ndarray, np.ndarray]:
    """Return which strikers are heard at all, and which only by a microphone that does not tell them apart.

    Without a rig the names in the list are heard; a list without any names hears everything, mixed.
    """
    is_heard, has_own = np.zeros(len(strikers), bool), np.zeros(len(strikers), bool)
    names = set(hits["striker"].drop_null().to_pylist())
    has_own |= [name in names for name in strikers]
    if rig is not None:
        for channel in rig.channels:
            if channel.hears in (("index",), ("click",)):
                continue
            hears = strikers if channel.hears == ("everything",) else channel.hears
            is_heard |= [name in hears for name in strikers]
            if len(channel.hears) == 1 and channel.hears != ("everything",):
                has_own |= [name in hears for name in strikers]
        return is_heard, is_heard & ~has_own
    notes_hit = [k in ("strike", "rebound") for k in hits["kind"].to_pylist()]
    nameless = any(named is None and note for named, note in zip(hits["striker"].to_pylist(), notes_hit, strict=True))
    if nameless:
        is_heard[:] = True
    return is_heard | has_own, is_heard & ~has_own


def weigh(hits: pa.Table, strikers: list[str], rig: Rig | None, kinds: tuple[str, ...]) -> Evidence:
    """Take the hits of `kinds` and weigh each of them.

    Parameters
    ----------
    hits : table of contract hits
    strikers : list of str
        Names, in the order of the codes.
    kinds : tuple of str
        Kinds of hits that may be notes.
    """
    kind = np.array(hits["kind"].to_pylist(), object)
    row = np.flatnonzero(np.isin(kind, kinds))
    hit_s = tables.numbers(hits["hit_s"])[row]
    row = row[np.argsort(hit_s, kind="stable")]
    taken = hits.take(tables.arrow(row))
    hit_s, kind = tables.numbers(taken["hit_s"]), kind[row]
    code = {name: place for place, name in enumerate(strikers)}
    striker = np.array([code.get(name, -2 if name else -1) for name in taken["striker"].to_pylist()], np.int64)
    by_striker = _by_striker(striker, tables.numbers(taken["channel"]), strikers, rig)
    is_rebound = kind == "rebound"
    probability = np.clip(np.nan_to_num(tables.numbers(taken["probability"]), nan=1.0), LEAST_PROBABILITY, 1.0)
    weak = _weak(tables.numbers(taken["level_db"]), striker, probability)
    by_striker += (np.log(probability) - weak + np.where(is_rebound, np.log(1 - LABEL_RIGHT), 0.0))[:, None]
    seconds = float(hit_s[-1] - hit_s[0]) if len(row) else 0.0
    stray = _stray(hit_s, striker, is_rebound, probability, len(strikers), seconds)
    return Evidence(
        row,
        tables.numbers(taken["hit_id"]),
        hit_s,
        np.square(np.nan_to_num(tables.numbers(taken["hit_se"]))),
        striker,
        np.maximum(by_striker, FORBIDDEN),
        stray,
        probability,
        tables.numbers(pc.list_flatten(taken["bands_db"])).reshape(len(row), N_BANDS),
        np.zeros(len(row), np.int64),
        seconds,
    )


def perfect(time_s: np.ndarray, n_strikers: int) -> Evidence:
    """Return nameless hits at exactly these times: a take that nothing disturbed."""
    n_hits = len(time_s)
    nobody, seconds = np.full(n_hits, -1), float(time_s[-1] - time_s[0]) if n_hits else 0.0
    stray = _stray(time_s, nobody, np.zeros(n_hits, bool), np.ones(n_hits), n_strikers, seconds)
    anyone, silence = np.zeros((n_hits, n_strikers)), np.full((n_hits, N_BANDS), np.nan)
    sure, no_gaps = np.ones(n_hits), np.zeros(n_hits, np.int64)
    return Evidence(nobody, nobody, time_s, np.zeros(n_hits), nobody, anyone, stray, sure, silence, no_gaps, seconds)


def _by_striker(striker, channel, strikers, rig) -> np.ndarray:
    """Return the log likelihood of each hit under each striker, from its name or what its channel hears."""
    n_strikers = len(strikers)
    by_striker = np.zeros((len(striker), n_strikers))
    if rig is not None:
        for one in rig.channels:
            if one.hears != ("everything",):
                deaf = np.array([name not in one.hears for name in strikers])
                by_striker[np.ix_((channel == one.channel) & (striker == -1), deaf)] = FORBIDDEN
    named = np.flatnonzero(striker != -1)
    by_striker[named] = FORBIDDEN
    known = np.flatnonzero(striker >= 0)
    by_striker[known, striker[known]] = np.log(1 - WRONG_NAME)
    return by_striker


def _weak(level_db, striker, probability) -> np.ndarray:
    """Return how much (nats) a level far below the striker's usual one speaks against a named hit being its strike."""
    against = np.zeros(len(level_db))
    for one in np.unique(striker[striker >= 0]):
        mine = striker == one
        sure = mine & (probability > LEVEL_PROBABILITY) & np.isfinite(level_db)
        if sure.sum() >= LEAST_LEVELS:
            below_db = np.median(level_db[sure]) - USUAL_BELOW_DB - np.nan_to_num(level_db[mine])
            against[mine] = np.clip(below_db / WEAK_DB, 0.0, MOST_AGAINST)
    return against


def _stray(hit_s, striker, is_rebound, probability, n_strikers, seconds) -> np.ndarray:
    """Return the log rate of strays at each hit: more of them just after a hit of the same striker."""
    n_hits = len(hit_s)
    base_hz = STRAY_SHARE * max(n_hits / max(seconds, 1.0), LEAST_RATE_HZ)
    share = np.where(striker == -1, 1.0, 1.0 / max(n_strikers, 1))  # a stray's name is anybody's
    rate_hz = base_hz * share
    has_labels = is_rebound.any()
    last: dict[int, float] = {}
    for j in range(n_hits):
        since_s = hit_s[j] - last.get(striker[j], -np.inf)
        if is_rebound[j]:
            rate_hz[j] += REBOUND_RATE_HZ * LABEL_RIGHT
        elif since_s < REBOUND_WINDOW_S:
            rate_hz[j] += REBOUND_RATE_HZ * ((1 - LABEL_RIGHT) if has_labels else 1.0)
        last[striker[j]] = hit_s[j]
    return np.log(rate_hz + (1 - probability))
