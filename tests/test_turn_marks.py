"""Turn marks against the configured bars of a turn: silent where they agree, or where nothing can tell."""

import numpy as np
import pyarrow as pa
import pytest

from pipeline import tables
from pipeline.aligned.turn_marks import sentence

BEATS_PER_BAR = 3.0


def simulated(turn_bars, n_bars=48, seed=0, lost=(), twice=(), restart=False):
    """Return marks and played notes of a machine that hurries and slows by 2 %; marks scatter by 5 ms."""
    generator = np.random.default_rng(seed)
    beat = np.arange(0, n_bars * BEATS_PER_BAR, 0.5)

    def at_s(beats):
        return 2.0 + 0.6 * beats + 0.02 * 0.6 * 40 / (2 * np.pi) * np.sin(2 * np.pi * beats / 40)

    mark = np.arange(0.7, n_bars / turn_bars, 1.0) * turn_bars * BEATS_PER_BAR
    mark_s = at_s(mark) + generator.normal(0, 0.005, len(mark))
    mark_s = np.sort(np.concatenate([np.delete(mark_s, list(lost)), [mark_s[one] + 0.2 for one in twice]]))
    n = len(beat)
    aligned = pa.table(
        {
            "status": ["played"] * n,
            "hit_s": at_s(beat) + generator.normal(0, 0.004, n) + 30.0 * (restart & (np.arange(n) >= n // 2)),
            "score_beat": beat,
            "playthrough": np.ones(n, np.int64),
            "segment": np.where(restart & (np.arange(n) >= n // 2), 2, 1),
        }
    )
    if restart:
        half = at_s(beat[n // 2])
        mark_s = np.where(mark_s >= half, mark_s + 30.0, mark_s)
    return mark_s, aligned, pa.table({"bar_beats": [BEATS_PER_BAR]})


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("turn_bars", [1.0, 4.0, 8.0])
def test_marks_that_agree_are_not_spoken_of(turn_bars, seed):
    assert sentence(*simulated(turn_bars, seed=seed), turn_bars) == ""
    assert sentence(*simulated(turn_bars, seed=seed, lost=[1], twice=[3]), turn_bars) == ""
    assert sentence(*simulated(turn_bars, seed=seed, restart=True), turn_bars) == ""


@pytest.mark.parametrize(
    ("turn_bars", "said", "expected"),
    [
        (
            4.0,
            8.0,
            "every 4.00 bars, where bars_per_turn says 8; is the barrel's turn 4.00 bars, or are there 2 marks",
        ),
        (7.0, 8.0, "they come every 7.00 bars, where bars_per_turn says 8; mend bars_per_turn, or name the channel"),
        (8.0, 4.0, "they come every 8.00 bars, where bars_per_turn says 4; mend bars_per_turn"),
    ],
)
@pytest.mark.parametrize("seed", range(3))
def test_marks_that_disagree_are_said_with_what_they_tell(turn_bars, said, expected, seed):
    text = sentence(*simulated(turn_bars, seed=seed), said)
    assert text.startswith("turn marks: ") and expected in text


def test_nothing_is_said_without_a_turn_or_of_few_or_uneven_marks():
    mark_s, aligned, notes = simulated(4.0)
    assert sentence(mark_s, aligned, notes, None) == ""
    assert sentence(mark_s[:3], aligned, notes, 8.0) == ""
    by_chance = np.sort(np.random.default_rng(1).uniform(mark_s[0], mark_s[-1], 12))
    assert sentence(by_chance, aligned, notes, 8.0) == ""
    assert sentence(mark_s, tables.empty("aligned"), notes, 8.0) == ""
