"""Decide, strike by strike, what the sound of a mixed microphone says of an alignment.

In: a take that is matched, its hits, the recording. Out: `Told`: when each strike came by its own sound and how sure
that is; which notes of a chord did not sound; and the rest, which go on sharing the first hit of their onset.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.aligned import refine
from pipeline.aligned.chords import templates
from pipeline.aligned.chords.joint_fit import Strike, explain
from pipeline.aligned.chords.lessons import SURE_MATCH, Channel, Onset, channel_of, onsets_of
from pipeline.aligned.chords.told import Told
from pipeline.aligned.chords.windows import Sound
from pipeline.aligned.confidence import Matches
from pipeline.aligned.playthroughs import Take
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets

PRIOR_S = (0.004, 0.003)  # scale of the due time in the first and in the second round, at least (chosen)
OWN_S = 0.001  # the same for a strike that a microphone of its own has placed (chosen)
NEIGHBOUR_S = 0.2  # sound of strikes within it is subtracted: templates last .12 s
LEAST_DELAYS = 4  # strikes of a striker from which its delay is estimated (chosen)
# Log odds of a time being right within a millisecond, from (1, log odds of its lag, tanh of its log likelihood over
# SATURATED, how it compares with an unknown sound): logistic regression on six tuning machines of `aligned_chords`.
SATURATED = 50.0
RIGHT = (-0.56, 0.55, 0.29, 1.29)
LEAST_RIGHT = 0.5  # probability from which a strike gets its own time
LEAST_ODDS = 10.0  # nats by which its absence must explain the sound better, to call a note of a chord missed
# Correlation of two strikers' sounds in one onset from which one may be heard for both, or one for the other.
MAY_COVER, MAY_SWAP = 0.5, 0.9
LEAST_SE_S = 3e-5  # of a time: a strike's sound begins no more evenly (median error of single strikes, three times)


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
    due_s, _, spread_s = refine.expected(take, onsets, evidence)
    every = onsets_of(take, onsets, evidence, heard, due_s, sound)
    channel = channel_of(matches, onsets, evidence, every, sound)
    every = [one for one in every if _all_known(one, onsets, channel)]
    due_s = np.where(own & (take.hit >= 0), evidence.hit_s[take.hit], due_s)
    strikes: Strikes = {}
    for scale_s in PRIOR_S:
        expected = _Expected(due_s, np.where(own, OWN_S, max(spread_s, scale_s)))
        strikes = _explained(every, strikes, expected, onsets, channel)
        due_s = np.where(own & (take.hit >= 0), due_s, _with_delays(due_s, strikes, onsets))
    return _doubting_the_alike(_told(strikes, onsets, take, own, sound.rate_hz), every, onsets, channel)


# Time and strike of each member that was explained, by (playthrough, member).
Strikes = dict[tuple[int, int], tuple[float, Strike]]


@dataclass(frozen=True)
class _Expected:
    """When each member is due, (n_playthroughs, n_members), and the scale of that, (n_members,); seconds."""

    due_s: np.ndarray
    scale_s: np.ndarray


def _all_known(one: Onset, onsets: Onsets, channel: Channel) -> bool:
    """Tell whether all sounds of an onset are known: else an unknown one would be taken for theirs."""
    return all(int(onsets.member_striker[k]) in channel.strikers for k in one.members)


def _explained(every: list[Onset], before: Strikes, expected: _Expected, onsets: Onsets, channel: Channel) -> Strikes:
    """Return the strikes of each onset, the sound of other onsets subtracted.

    In the first round (nothing `before`) only what came earlier is known.
    """
    sound, shape, strikes = channel.sound, channel.shape, {}
    known = _in_time(before)
    known_s = np.array([at_s for at_s, _, _ in known])
    middles = sound.sample([one.at_s for one in every])
    for number, window in sound.windows(middles, shape.at, shape.n):
        one, middle = every[number], int(middles[number])
        mine = {(one.playthrough, int(k)) for k in one.members}
        if before:
            low, high = np.searchsorted(known_s, [one.at_s - NEIGHBOUR_S, one.at_s + NEIGHBOUR_S])
            others = known[low:high]
        else:
            others = known = [past for past in known if past[0] > one.at_s - NEIGHBOUR_S]
        for at_s, key, strike in others:
            if key not in mine:
                wave = channel.strikers[int(onsets.member_striker[key[1]])].waves[strike.template]
                _subtract(window, strike.gain * wave, int(sound.sample(at_s)) - middle + shape.at - shape.before)
        found = _explain(window, one, middle, expected, onsets, channel)
        strikes |= found
        if not before:
            known = [*known, *_in_time(found)]
    return strikes


def _in_time(strikes: Strikes) -> list[tuple[float, tuple[int, int], Strike]]:
    """Return those that sounded, in the order of time."""
    return sorted((at_s, key, strike) for key, (at_s, strike) in strikes.items() if strike.log_odds > 0)


def _subtract(window: np.ndarray, wave: np.ndarray, low: int) -> None:
    begin, end = max(low, 0), min(low + len(wave), len(window))
    if end > begin:
        window[begin:end] -= wave[begin - low : end - low]


def _explain(window, one: Onset, middle: int, expected: _Expected, onsets: Onsets, channel: Channel) -> Strikes:
    """Return the strikes of one onset, whose window has its middle at a sample of the recording."""
    sound, reach = channel.sound, channel.shape.reach
    who = [channel.strikers[int(onsets.member_striker[k])] for k in one.members]
    due_s = np.nan_to_num(expected.due_s[one.playthrough, one.members], nan=one.at_s)
    due = np.clip(channel.samples(due_s + sound.delay_s) - middle, -reach, reach)
    scale = channel.samples(expected.scale_s[one.members])
    its = explain(window, who, due, scale, channel.noise, channel.shape)
    return {
        (one.playthrough, int(k)): ((middle + strike.lag) / sound.rate_hz - sound.delay_s, strike)
        for k, strike in zip(one.members, its, strict=True)
    }


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


def _told(strikes: Strikes, onsets: Onsets, take: Take, own: np.ndarray, rate_hz: int) -> Told:
    """Return what the strikes say; nothing of onsets of which no hit was found."""
    told = Told(*(np.full(take.hit.shape, fill) for fill in (np.nan, np.nan, np.nan, False)))
    sounded = _per_onset(take.hit >= 0, onsets)
    for (p, k), (at_s, strike) in strikes.items():
        if own[k] or not sounded[p, k]:
            continue
        if strike.log_odds < -LEAST_ODDS:
            told.silent[p, k] = True
        elif (right := _right(strike)) >= LEAST_RIGHT and strike.log_odds > 0:
            told.hit_s[p, k], told.right[p, k] = at_s, right
            told.hit_se[p, k] = np.hypot(strike.lag_se / rate_hz, LEAST_SE_S)
    # Something struck there: if no sound is known for it, it was not the others that were silent.
    return replace(told, silent=told.silent & _per_onset(np.isfinite(told.hit_s) | (own & (take.hit >= 0)), onsets))


def _per_onset(some: np.ndarray, onsets: Onsets) -> np.ndarray:
    """Return for each member whether any of its onset is so; (n_playthroughs, n_members) arrays."""
    onset_of_member = onsets.onset_of_member
    any_of = np.zeros((len(some), len(onsets)), bool)
    p, k = np.nonzero(some)
    any_of[p, onset_of_member[k]] = True
    return any_of[:, onset_of_member]


def _doubting_the_alike(told: Told, every: list[Onset], onsets: Onsets, channel: Channel) -> Told:
    """Return the same without what was told of a strike where another of its onset sounds like it."""
    known: dict[tuple[int, int], float] = {}
    hit_s, silent = told.hit_s.copy(), told.silent.copy()
    for one in every:
        who = [int(onsets.member_striker[k]) for k in one.members]
        for k, striker in zip(one.members, who, strict=True):
            alike = 0.0
            for pair in (tuple(sorted((striker, other))) for other in who if other != striker):
                if pair not in known:
                    sounds = (channel.strikers[each] for each in pair)
                    known[pair] = templates.likeness(*sounds, channel.noise, channel.shape)
                alike = max(alike, known[pair])
            if alike > MAY_COVER:
                silent[one.playthrough, k] = False
            if alike > MAY_SWAP:
                hit_s[one.playthrough, k] = np.nan
    return replace(told, hit_s=hit_s, silent=silent)
