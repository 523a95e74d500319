"""Put the pins of the unrolled barrel in their places, and say where those of the jobs are found now.

In: notes, sure jobs with their places, the machine. What strikes later lies further from the index mark, against the
direction of rotation; so a late pin lies too far from it, and is moved forward, back towards the mark.
"""

import json
import math
from dataclasses import dataclass

import pyarrow as pa

from pipeline import words
from pipeline.settings import Machine

AT_MARK_TURN = 1e-9  # a place nearer to a whole turn is at the mark; far below what floats lose over a song


@dataclass(frozen=True)
class Pin:
    """One pin: its turn and row from 1, and how far against the rotation from the index mark it shall stand.

    `move_mm` (forward positive) is what a job of the work list moves it by.
    """

    turn: int
    row: int
    index_mm: float
    note: str
    move_mm: float | None = None

    @property
    def said(self) -> str:
        """How it is to be moved, in words."""
        return f"{words.millimetres(abs(self.move_mm))} {'forward' if self.move_mm > 0 else 'backward'}"

    @property
    def found_mm(self) -> float:
        """Where it is found now: one that is to move forward lies behind, further from the mark."""
        return self.index_mm + (self.move_mm or 0.0)


@dataclass(frozen=True)
class Strip:
    """The unrolled surface: what it is of, strikers by row, all pins."""

    of: str
    diameter_mm: float
    strikers: tuple[str, ...]
    pins: tuple[Pin, ...]

    @property
    def length_mm(self) -> float:
        """The circumference."""
        return math.pi * self.diameter_mm

    @property
    def n_turns(self) -> int:
        """Turns of the barrel until the last pin."""
        return max(pin.turn for pin in self.pins)

    @property
    def jobs(self) -> list[Pin]:
        """The pins to be moved, as one walks round the barrel."""
        moved = [pin for pin in self.pins if pin.move_mm]
        return sorted(moved, key=lambda pin: (pin.index_mm, pin.turn, pin.row))

    @staticmethod
    def of_notes(of: str, notes: pa.Table, jobs: list[dict], machine: Machine) -> "Strip | None":
        """Put the pins in their places; None where the barrel's bars or diameter are not told, or there is no pin.

        Parameters
        ----------
        of : str
            What was measured, for the title.
        notes : table of contract notes
        jobs : list of dict
            Rows of the contract worklist that are sure, of this arrangement.
        machine : Machine
        """
        barrel = machine.barrel
        if not barrel.bars_per_turn or not barrel.diameter_mm or not len(notes):
            return None
        names, moves, pins = [striker.name for striker in machine.strikers], _moves(jobs), {}
        for note in notes.to_pylist():
            turn, part = divmod(note["barrel_turn"] + AT_MARK_TURN, 1.0)
            pin = Pin(
                turn=1 if barrel.pins == "turn" else int(turn) + 1,
                row=names.index(note["striker"]) + 1,
                index_mm=max(part - AT_MARK_TURN, 0.0) * math.pi * barrel.diameter_mm,
                note=words.place(note["bar"], note["beat_in_bar"]),
                move_mm=moves.get((note["striker"], note["score_beat"])),
            )
            pins.setdefault(note["pin_id"], pin)
        return Strip(of, barrel.diameter_mm, tuple(names), tuple(pins.values()))


def _moves(jobs: list[dict]) -> dict[tuple[str, float], float]:
    """Return how far each note's pin is to be moved, by striker and score beat; of two jobs the first counts."""
    moves = {}
    for place in (place for job in jobs for place in json.loads(job["places"] or "[]")):
        if place["move_mm"]:
            moves.setdefault((place["striker"], place["score_beat"]), place["move_mm"])
    return moves
