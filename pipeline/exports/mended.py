"""Say where each strike of a recording would come with the sure jobs done, and which pieces of its sound move there.

In: the work list, lateness, aligned and hits of a recording, its microphones. Out: strikes, and for each microphone
pieces of its sound, each with how much later it is played.

A piece goes from just before a strike to just before the next that the microphone hears, or LONGEST_S. Where a piece
moves away from the one before, the end of that one is played backwards into the gap: so noise and ring go on at their
level. A strike that sounds together with others moves only if they all move alike; one that would come closer than
LEAST_S to another, or that one of its microphones cannot move, stays.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pyarrow as pa

from pipeline import playback, words

LEAST_MOVE_S = 0.0001  # hits are placed about as well (DESIGN, section 5): less is not told from none
LEAD_S, FADE_S = 0.002, 0.003  # a piece begins so long before its strike, and fades in before that; chosen
LEAST_S = 0.010  # strikes closer than this have one piece; chosen: twice what a piece needs before its strike
ALIKE_S = 0.0005  # strikes of a piece may differ in their moves by as much; chosen, far below what is heard (NOTICED_S)
LONGEST_S = 1.0  # of a moved piece: by then most strikers have died away, and what leaks in shall not move; chosen
SMALL_BEAT = 6  # decimals of a score beat that are compared: a place on the list is a beat of the notes
_FIRST, _LAST = -(2**62), 2**62


@dataclass(frozen=True, eq=False)
class Strikes:
    """What sounded in a recording, in the order of time.

    Attributes
    ----------
    hit_s, off_s : (n,) float arrays
        Times; what the jobs take off them.
    heard : (n, n_microphones) bool array
    """

    hit_s: np.ndarray
    off_s: np.ndarray
    heard: np.ndarray


@dataclass(frozen=True, eq=False)
class Pieces:
    """The pieces of one microphone's sound, in samples, its delay apart.

    Attributes
    ----------
    begin : (n,) int array
        Where each begins in what is played; the first has no beginning.
    later : (n,) int array
        By how much it is played later.
    end : (n,) int array
        Where the next strike is cut off it, in the recording; the last has no end.
    fade : int
    """

    begin: np.ndarray
    later: np.ndarray
    end: np.ndarray
    fade: int

    def read(self, samples: np.ndarray, first: int, begin: int, n: int, late: int) -> np.ndarray:
        """Return `n` samples of what is played from sample `begin` on (`samples`, `first`: see `playback.taken`).

        Parameters
        ----------
        late : int
            Delay of the microphone in samples.
        """
        out = np.zeros(n, np.float32)
        last = np.searchsorted(self.begin, begin + n + self.fade, side="left")
        for one in range(max(np.searchsorted(self.begin, begin, side="right") - 1, 0), last):
            start = max(self.begin[one] - self.fade, begin)
            stop = min(self.begin[one + 1] if one + 1 < len(self.begin) else _LAST, begin + n)
            if stop > start:
                part = self._piece(one, samples, first, start, stop, late)
                share = np.clip((np.arange(start, stop) - self.begin[one]) / self.fade + 1, 0, 1).astype(np.float32)
                kept = out[start - begin : stop - begin]
                kept += share * (part - kept)
        return out

    def _piece(self, one: int, samples, first: int, start: int, stop: int, late: int) -> np.ndarray:
        """Return samples `start` to `stop` as piece `one` goes on, mirrored at its end."""
        later, end = self.later[one], self.end[one]
        part = playback.taken(samples, first, start - later + late, stop - start)
        beyond = stop - later - end
        if beyond > 0:
            over = min(beyond, stop - start)
            back = playback.taken(samples, first, end - beyond + late, over)
            part[len(part) - over :] = back[::-1]
        return part


def jobs_that_move(worklist: pa.Table) -> list[dict]:
    """Return the sure jobs that move strikes by a known time; load and missed or double strikes do not."""
    return [
        job
        for job in worklist.to_pylist()
        if job["certainty"] >= words.SURE_CERTAINTY and job["mends"] in ("place", "delay", "company")
    ]


def off_of(lateness: pa.Table, jobs: Iterable[dict], delay_s: dict[str, float]) -> dict[tuple[int, int], float]:
    """Return what the jobs take off each strike, by its playthrough and note.

    Parameters
    ----------
    lateness : table of contract lateness
        Of one recording.
    jobs : iterable of dict
        Of `jobs_that_move`.
    delay_s : dict of str to float
        Of each striker, as the table strikers has it.
    """
    off = {}
    for row in lateness.to_pylist():
        off_s = sum(_off_s(row, job, delay_s) for job in jobs)
        if abs(off_s) >= LEAST_MOVE_S:
            off[row["playthrough"], row["note_id"]] = off_s
    return off


def strikes(
    aligned: pa.Table, hits: pa.Table, off: dict[tuple[int, int], float], by: tuple[playback.Microphone, ...]
) -> Strikes:
    """Return the strikes of a recording; a rebound belongs to its strike and is none.

    Parameters
    ----------
    aligned, hits : tables of the contracts
        Of one recording.
    off : dict
        Of `off_of`.
    by : tuple of Microphone
    """
    found = zip(*(hits[name].to_pylist() for name in ("hit_id", "kind", "channel")), strict=True)
    kind_of = {hit: (kind, channel - 1) for hit, kind, channel in found}
    rows = []
    for row in aligned.select(["playthrough", "note_id", "striker", "hit_id", "hit_s"]).to_pylist():
        kind, column = kind_of.get(row["hit_id"], ("strike", -1))
        if row["hit_s"] is not None and kind != "rebound":
            # A stray strike of which nobody knows whose it is was heard where it was found.
            heard = [one.is_hearing(row["striker"]) if row["striker"] else one.column == column for one in by]
            rows.append((row["hit_s"], off.get((row["playthrough"], row["note_id"]), 0.0), heard))
    rows.sort(key=lambda row: row[:2])
    hit_s, off_s, heard = zip(*rows, strict=True) if rows else ((), (), np.zeros((0, len(by))))
    return Strikes(np.array(hit_s, float), np.array(off_s, float), np.array(heard, bool))


def can_move(found: Strikes) -> np.ndarray:
    """Return which strikes move, (n,) bool array: asked to, and every microphone that hears them can."""
    moves = np.abs(found.off_s) >= LEAST_MOVE_S
    moves &= found.heard.any(axis=1)
    stuck = True
    while stuck:
        stuck = False
        for heard in found.heard.T:
            bad = _stuck(np.flatnonzero(heard), found, moves)
            stuck |= bool(len(bad))
            moves[bad] = False
    return moves


def pieces(found: Strikes, moves: np.ndarray, heard: np.ndarray, rate_hz: int) -> Pieces:
    """Return the pieces of one microphone.

    Parameters
    ----------
    moves : (n,) bool array
        Of `can_move`.
    heard : (n,) bool array
        A column of `found.heard`.
    """
    cut, later, next_s = [_FIRST], [0], np.inf
    onset_s, later_s, _ = _groups(np.flatnonzero(heard), found, moves)
    for one, (at_s, by_s) in enumerate(zip(onset_s, later_s, strict=True)):
        _append(cut, later, round((at_s - LEAD_S) * rate_hz), round(by_s * rate_hz))
        next_s = onset_s[one + 1] if one + 1 < len(onset_s) else np.inf
        if by_s and next_s - at_s > LONGEST_S + LEAST_S + abs(by_s):
            _append(cut, later, round((at_s + LONGEST_S) * rate_hz), 0)
    cut, later = np.array(cut), np.array(later)
    return Pieces(np.r_[_FIRST, cut[1:] + later[1:]], later, np.r_[cut[1:], _LAST], round(FADE_S * rate_hz))


def _append(cut: list, later: list, at: int, by: int) -> None:
    if by != later[-1]:  # pieces that move alike are one
        cut.append(at)
        later.append(by)


def _off_s(row: dict, job: dict, delay_s: dict[str, float]) -> float:
    """Return what a job takes off a strike: the part of its lateness that the work list counts the gain by."""
    if job["mends"] == "place":
        here = (row["striker"], round(row["score_beat"], SMALL_BEAT))
        return row["pin_s"] if here in _places(job["places"]) else 0.0
    if row["striker"] != job["where"]:
        return 0.0
    return job["late_s"] if job["mends"] == "delay" else row["striker_s"] - delay_s[row["striker"]]


@lru_cache
def _places(listed: str) -> set[tuple[str, float]]:
    return {(place["striker"], round(place["score_beat"], SMALL_BEAT)) for place in json.loads(listed)}


def _groups(at: np.ndarray, found: Strikes, moves: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Return the strikes `at` that have one piece: when the first comes, how much later it is played, which they are.

    NaN where they would move apart.
    """
    parts = np.split(at, np.flatnonzero(np.diff(found.hit_s[at]) >= LEAST_S) + 1) if len(at) else []
    later_s = -found.off_s * moves
    wanted = [later_s[part] for part in parts]
    moved = [np.nan if np.ptp(each) > ALIKE_S else float(each.mean()) for each in wanted]
    return np.array([found.hit_s[part[0]] for part in parts]), np.array(moved), parts


def _stuck(at: np.ndarray, found: Strikes, moves: np.ndarray) -> np.ndarray:
    """Return which of the strikes `at` that are to move cannot: they sound together, or too little is between them."""
    onset_s, later_s, parts = _groups(at, found, moves)
    bad = np.isnan(later_s)
    by_s = np.where(bad, 0.0, later_s)
    end_s = np.array([found.hit_s[part[-1]] for part in parts])
    gap_s, apart_s = onset_s[1:] - end_s[:-1], np.diff(by_s)
    # What moves away leaves a gap, which the end of the piece before fills: that must not hold its strike.
    close = (apart_s != 0) & (gap_s - np.abs(apart_s) < LEAST_S)
    bad[1:] |= close & (by_s[1:] != 0)
    bad[:-1] |= close & (by_s[:-1] != 0)
    moving = [part[moves[part]] for part, one in zip(parts, bad, strict=True) if one]
    return np.concatenate([np.zeros(0, np.intp), *moving]).astype(np.intp)
