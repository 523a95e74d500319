"""Decide, strike by strike, what the sound of a mixed microphone says of an alignment.

In: a take that is matched, its hits, the recording. Out: `Told`: when each strike came by its own sound and how sure
that is; which notes of a chord did not sound; and the rest, which go on sharing the first hit of their onset.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from pipeline.aligned import refine
from pipeline.aligned.chords import templates
from pipeline.aligned.chords.joint_fit import Strike, explain
from pipeline.aligned.chords.templates import Shape, Striker
from pipeline.aligned.chords.windows import Sound
from pipeline.aligned.confidence import Matches
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets

REACH_S = 0.025  # around an onset's first hit, or where it was due: its strikes are looked for there
SURE_MATCH = 0.9  # confidence of the matches that teach
ALONE_S = 0.045  # a strike with another this near does not teach
MOST_LESSONS = 40  # of a striker
LESSON_GAP_S = 0.003  # before the next strike: what a lesson lasts
QUIET_WINDOWS, QUIETEST = 200, 10  # looked at for the noise, and taken
PRIOR_S = (0.004, 0.003)  # scale of the due time in the first and in the second round, at least
OWN_S = 0.001  # the same for a strike that a microphone of its own has placed
NEIGHBOUR_S = 0.2  # sound of strikes within it is subtracted
LEAST_DELAYS = 4  # strikes of a striker from which its delay is estimated
# Log odds of a time being right within a millisecond, from (1, log odds of its lag, tanh of its log likelihood over
# SATURATED, how it compares with an unknown sound): logistic regression on six tuning machines of `aligned_chords`.
SATURATED = 50.0
RIGHT = (-0.56, 0.55, 0.29, 1.29)
LEAST_RIGHT = 0.5  # probability from which a strike gets its own time
LEAST_ODDS = 10.0  # nats by which its absence must explain the sound better, to call a note of a chord missed
# Correlation of two strikers' sounds in one onset from which one may be heard for both, or one for the other.
MAY_COVER, MAY_SWAP = 0.5, 0.9
LEAST_SE_S = 3e-5  # of a time: a strike's sound begins no more evenly (median error of single strikes, three times)


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


@dataclass(frozen=True)
class _Onset:
    """One onset of one playthrough: its members that the microphone hears and that may sound."""

    playthrough: int
    members: np.ndarray
    at_s: float


def tell_apart(
    matches: Matches, onsets: Onsets, evidence: Evidence, sound: Sound, heard: np.ndarray, own: np.ndarray
) -> Told:
    """Tell the strikes of one channel apart.

    Parameters
    ----------
    sound : Sound
    heard : ndarray of bool, shape (n_strikers,)
        Strikers that the channel hears.
    own : ndarray of bool, shape (n_members,)
        Whether the member has a microphone (or a name) of its own: it is only subtracted.
    """
    take = matches.take
    shape = Shape(sound.rate_hz, round(REACH_S * sound.rate_hz))
    due_s, _, spread_s = refine.expected(take, onsets, evidence)
    every = _onsets(take, onsets, evidence, heard, due_s, sound)
    told = Told(*(np.full(take.hit.shape, fill) for fill in (np.nan, np.nan, np.nan, False)))
    noise = _noise(sound, shape)
    strikers = _sounds(matches, onsets, evidence, every, sound, noise, shape)
    every = [replace(one, members=_known(one, onsets, strikers)) for one in every]
    every = [one for one in every if len(one.members)]
    strikes: dict[tuple[int, int], tuple[float, Strike]] = {}
    for scale_s in PRIOR_S:
        scale = np.where(own, OWN_S, max(spread_s, scale_s))
        due_s = np.where(own & (take.hit >= 0), evidence.hit_s[take.hit], due_s)
        strikes = _explained(every, strikes, due_s, scale, strikers, onsets, sound, noise, shape)
        due_s = _with_delays(due_s, strikes, onsets)
    _tell(told, strikes, onsets, take, evidence, own, sound.rate_hz)
    _doubt_the_alike(told, every, onsets, strikers, noise, shape)
    return told


def _onsets(take, onsets, evidence, heard, due_s, sound) -> list[_Onset]:
    """Return the onsets that the take came by, in the order of time."""
    every = []
    low_s, high_s = sound.seconds
    for p in range(take.n_playthroughs):
        for i in range(len(onsets)):
            members = np.arange(onsets.first[i], onsets.first[i + 1])
            members = members[heard[onsets.member_striker[members]] & take.reached[p, members]]
            if not len(members):
                continue
            hit = take.hit[p, members]
            at_s = evidence.hit_s[hit[hit >= 0]].min() if (hit >= 0).any() else _middle(due_s[p, members])
            if low_s <= at_s < high_s:
                every.append(_Onset(p, members, float(at_s)))
    return sorted(every, key=lambda one: one.at_s)


def _middle(values) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else np.nan


def _noise(sound: Sound, shape: Shape) -> np.ndarray:
    """Return the power spectrum of the quietest windows, (size // 2 + 1,) array."""
    low_s, high_s = sound.seconds
    at = np.unique(sound.sample(np.linspace(low_s, high_s, QUIET_WINDOWS + 2)[1:-1]))
    kept: list[tuple[float, np.ndarray]] = []
    for _, window in sound.windows(at, shape.at, shape.n):
        window = window - window.mean()
        kept = sorted([*kept, (float(window @ window), window)], key=lambda one: one[0])[:QUIETEST]
    power = np.square(np.abs(fft.rfft(np.array([window for _, window in kept]), shape.size))).mean(axis=0)
    return templates.smoothed(power)


def _sounds(matches, onsets, evidence, every, sound, noise, shape) -> dict[int, Striker]:
    """Return the sound of each striker that struck alone."""
    hit_s = np.sort(evidence.hit_s)
    lessons: dict[int, list[tuple[float, float]]] = {}
    size = np.diff(onsets.first)
    for one in every:
        member = one.members[0]
        hit = matches.take.hit[one.playthrough, member]
        if size[onsets.onset_of_member[member]] > 1 or hit < 0:
            continue
        if not matches.confidence[one.playthrough, member] >= SURE_MATCH:
            continue
        place = np.searchsorted(hit_s, evidence.hit_s[hit])
        before_s = hit_s[place] - hit_s[place - 1] if place else np.inf
        after_s = hit_s[place + 1] - hit_s[place] if place + 1 < len(hit_s) else np.inf
        if min(before_s, after_s) > ALONE_S:
            lessons.setdefault(int(onsets.member_striker[member]), []).append((after_s, evidence.hit_s[hit]))
    chosen = [(who, *one) for who, its in lessons.items() for one in sorted(its, reverse=True)[:MOST_LESSONS]]
    if not chosen:
        return {}
    who, after_s, at_s = (np.array(column) for column in zip(*chosen, strict=True))
    windows = dict(sound.windows(sound.sample(at_s), shape.at, shape.n))
    lasts = np.minimum(shape.n, shape.at + (np.minimum(after_s, 1.0) - LESSON_GAP_S) * sound.rate_hz).astype(int)
    found = {}
    for striker in lessons:
        its = np.flatnonzero(who == striker)
        found[striker] = templates.learn(np.array([windows[k] for k in its]), lasts[its], noise, shape)
    return found


def _known(one: _Onset, onsets: Onsets, strikers: dict) -> np.ndarray:
    """Return the members whose sound is known; none where another's is not: its sound would be taken for theirs."""
    known = np.array([int(onsets.member_striker[k]) in strikers for k in one.members], bool)
    return one.members if known.all() else one.members[:0]


def _explained(every, before, due_s, scale_s, strikers, onsets, sound, noise, shape) -> dict:
    """Return time and strike of each (playthrough, member), the sound of other onsets subtracted.

    In the first round (nothing `before`) only what came earlier is known.
    """
    strikes: dict[tuple[int, int], tuple[float, Strike]] = {}
    known = sorted((at_s, key, strike) for key, (at_s, strike) in before.items() if strike.log_odds > 0)
    known_s = np.array([at_s for at_s, _, _ in known])
    middles = sound.sample([one.at_s for one in every])
    recent: list[tuple[float, tuple[int, int], Strike]] = []
    for number, window in sound.windows(middles, shape.at, shape.n):
        one, middle = every[number], int(middles[number])
        mine = {(one.playthrough, int(k)) for k in one.members}
        if before:
            low, high = np.searchsorted(known_s, [one.at_s - NEIGHBOUR_S, one.at_s + NEIGHBOUR_S])
            others = known[low:high]
        else:
            recent = [past for past in recent if past[0] > one.at_s - NEIGHBOUR_S]
            others = recent
        for at_s, key, strike in others:
            if key not in mine:
                wave = strikers[int(onsets.member_striker[key[1]])].waves[strike.template]
                _subtract(window, strike.gain * wave, int(sound.sample(at_s)) - middle + shape.at - shape.before)
        who = [strikers[int(onsets.member_striker[k])] for k in one.members]
        due = (np.nan_to_num(due_s[one.playthrough, one.members], nan=one.at_s) + sound.delay_s) * sound.rate_hz
        due = np.clip(due - middle, -shape.reach, shape.reach)
        for k, strike in zip(
            one.members, explain(window, who, due, scale_s[one.members] * sound.rate_hz, noise, shape), strict=True
        ):
            at_s = (middle + strike.lag) / sound.rate_hz - sound.delay_s
            strikes[one.playthrough, int(k)] = at_s, strike
            if not before and strike.log_odds > 0:
                recent.append((at_s, (one.playthrough, int(k)), strike))
    return strikes


def _subtract(window: np.ndarray, wave: np.ndarray, low: int) -> None:
    begin, end = max(low, 0), min(low + len(wave), len(window))
    if end > begin:
        window[begin:end] -= wave[begin - low : end - low]


def _right(strike: Strike) -> float:
    """Return the probability that the time of a strike is right within a millisecond, if it struck."""
    mass = np.clip(strike.told, 1e-3, 1 - 1e-3)
    against = np.clip((strike.log_known - strike.log_unseen) / max(strike.log_unseen, 10.0), -1, 1)
    log_odds = np.dot(RIGHT, [1.0, np.log(mass / (1 - mass)), np.tanh(strike.log_known / SATURATED), against])
    return float(1 / (1 + np.exp(-log_odds)))


def _with_delays(due_s, strikes, onsets) -> np.ndarray:
    """Return the due times, moved by how late each striker comes in chords (median)."""
    late_s: dict[int, list[float]] = {}
    for (p, k), (at_s, strike) in strikes.items():
        if strike.log_odds > 0 and _right(strike) >= SURE_MATCH and np.isfinite(due_s[p, k]):
            late_s.setdefault(int(onsets.member_striker[k]), []).append(at_s - due_s[p, k])
    due_s = due_s.copy()
    for striker, its in late_s.items():
        if len(its) >= LEAST_DELAYS:
            due_s[:, onsets.member_striker == striker] += np.median(its)
    return due_s


def _tell(told, strikes, onsets, take, evidence, own, rate_hz) -> None:
    """Write what the strikes say into `told`."""
    onset_of_member = onsets.onset_of_member
    sounded = np.zeros((take.n_playthroughs, len(onsets)), bool)
    p, k = np.nonzero(take.hit >= 0)
    sounded[p, onset_of_member[k]] = True
    for (p, k), (at_s, strike) in strikes.items():
        if own[k] or not sounded[p, onset_of_member[k]]:
            continue
        if strike.log_odds < -LEAST_ODDS:
            told.silent[p, k] = True
        elif (right := _right(strike)) >= LEAST_RIGHT and strike.log_odds > 0:
            told.hit_s[p, k], told.right[p, k] = at_s, right
            told.hit_se[p, k] = np.hypot(strike.lag_se / rate_hz, LEAST_SE_S)
    # Something struck there: if no sound is known for it, it was not the others that were silent.
    heard = np.zeros_like(sounded)
    p, k = np.nonzero(np.isfinite(told.hit_s) | (own & (take.hit >= 0)))
    heard[p, onset_of_member[k]] = True
    told.silent[~heard[:, onset_of_member]] = False


def _doubt_the_alike(told, every, onsets, strikers, noise, shape) -> None:
    """Take back what was told of a strike where another of its onset sounds like it."""
    known: dict[tuple[int, int], float] = {}
    for one in every:
        who = [int(onsets.member_striker[k]) for k in one.members]
        for k, striker in zip(one.members, who, strict=True):
            if not (told.silent[one.playthrough, k] or np.isfinite(told.hit_s[one.playthrough, k])):
                continue
            alike = 0.0
            for pair in (tuple(sorted((striker, other))) for other in who if other != striker):
                if pair not in known:
                    known[pair] = templates.likeness(*(strikers[each] for each in pair), noise, shape)
                alike = max(alike, known[pair])
            if alike > MAY_COVER:
                told.silent[one.playthrough, k] = False
            if alike > MAY_SWAP:
                told.hit_s[one.playthrough, k] = np.nan
