"""The bar lines of an arrangement, from its notes."""

import mido
import numpy as np
import pytest

from pipeline.aligned.stage import turnaround_s
from pipeline.bars import bar_lines
from pipeline.notes import notes
from pipeline.report.results import bar_starts
from pipeline.settings import Arrangement, Barrel, Detection, Machine, Settings, Striker
from pipeline.timing.data.score import score_of

QUARTER = 480


def make_notes(path, signatures, bars, struck):
    """Return the notes of a MIDI file: `signatures` by the bar at which they begin, `struck` (bar, quarters into it).

    Also return every bar line, in quarters, counted bar by bar.
    """
    lines, signature = [0.0], None
    track = []
    for bar in range(1, bars + 1):
        if bar in signatures:
            signature = signatures[bar]
            kind = dict(zip(("numerator", "denominator"), signature, strict=True))
            track.append((lines[-1], mido.MetaMessage("time_signature", **kind)))
        track += [(lines[-1] + at, mido.Message("note_on", note=60)) for where, at in struck if where == bar]
        lines.append(lines[-1] + 4 * signature[0] / signature[1])
    made, now = mido.MidiTrack(), 0
    for beat, message in track:
        tick = round(beat * QUARTER)
        made.append(message.copy(time=tick - now))
        now = tick
    mido.MidiFile(ticks_per_beat=QUARTER, tracks=[made]).save(path)
    machine = Machine(Barrel(), (), None, (Striker("oak", (60,)),))
    song = (Arrangement("song", file=str(path)),)
    config = Settings("c.yaml", "r", None, song, machine, (), (), Detection(), ())
    return notes(config, "song"), np.array(lines)


SCORES = {
    # What the notes alone do not tell: how long a beat of the time signature is, where a bar holds a single note.
    "single notes in six eighths": ({1: (6, 8)}, 4, [(1, 1.5), (2, 1.5), (3, 0.5), (4, 1.5)]),
    "three quarters, then six eighths": ({1: (3, 4), 3: (6, 8)}, 4, [(1, 0), (1, 1), (2, 1), (3, 1.5), (4, 0.5)]),
    "a longer last bar": ({1: (2, 4), 4: (7, 8)}, 4, [(1, 0), (1, 1), (2, 0), (3, 0), (4, 0), (4, 1)]),
    "one note": ({1: (5, 4)}, 1, [(1, 2)]),
    "nothing before bar 3 and in bar 5": ({1: (4, 4)}, 6, [(3, 1), (4, 0), (6, 3)]),
}


@pytest.mark.parametrize(("signatures", "bars", "struck"), SCORES.values(), ids=SCORES)
def test_bars_begin_where_the_arrangement_says_for_every_stage(tmp_path, signatures, bars, struck):
    table, lines = make_notes(tmp_path / "song.mid", signatures, bars, struck)
    frame = table.to_pandas()
    number, beat = bar_lines(frame["bar"], frame["bar_start_beat"], frame["bar_beats"])
    assert number.tolist() == list(range(1, bars + 2))
    np.testing.assert_allclose(beat, lines, atol=1e-12)
    np.testing.assert_allclose(bar_starts(frame)[1], lines[:-1], atol=1e-12)
    np.testing.assert_allclose(score_of(table).bars["score_beat"], lines, atol=1e-12)
    if len(table) > 1:  # 120 quarter notes a minute; the rest of the last bar, then up to the first note
        around_beat = lines[-1] - frame["score_beat"].iloc[-1] + frame["score_beat"].iloc[0]
        assert turnaround_s(table) == pytest.approx(around_beat / 2)


def test_bars_without_notes_are_laid_evenly_where_the_signature_changes_among_them(tmp_path):
    table, _ = make_notes(tmp_path / "song.mid", {1: (4, 4), 3: (2, 4)}, 4, [(1, 0), (4, 0)])
    frame = table.to_pandas()
    # Bars 2 and 3, of 4 and 2 quarters, take 3 each.
    np.testing.assert_allclose(
        bar_lines(frame["bar"], frame["bar_start_beat"], frame["bar_beats"])[1], [0, 4, 7, 10, 12]
    )
