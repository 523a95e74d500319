"""Say which shafts are out of true and by how much their ratio is off, and draw one turn of the worst as a circle."""

import numpy as np
import pandas as pd

from pipeline import words
from pipeline.report import drawing
from pipeline.report.drawing import NARROW_PX, Picture
from pipeline.report.results import Found

PARTS = 16  # of a turn, in each of which the strikes' median is shown
FEWEST = 5  # strikes in each part, else nothing is drawn
RADIUS_PX, REACH_PX = 96.0, 34.0  # of a strike in time; by how much further out the largest wobble lies
QUARTERS = {
    0: "at the start of its turn",
    1: "at a quarter turn",
    2: "at half a turn",
    3: "at three quarters of a turn",
}
NEAR_TURN = 0.04  # of a quarter: half of the way to an eighth is .06


def said(found: Found) -> list[str]:
    """Return a sentence for each wobble, the largest first, and what its shaft's ratio is."""
    rows = found.shafts.sort_values("amplitude_s", ascending=False, kind="stable")
    return [words.sentence(words.capital(_said(found, row))) for row in rows.itertuples(index=False)]


def circle(found: Found) -> Picture | None:
    """Draw one turn of the shaft that wobbles most, strikes and wave; None when none does or few strikes tell it."""
    if not len(found.shafts):
        return None
    worst = next(found.shafts.sort_values("amplitude_s", ascending=False, kind="stable").itertuples(index=False))
    folded = _folded(found, worst)
    if folded is None:
        return None
    wave_s = folded[1]
    sentence = words.sentence(
        f"One turn of {_name(worst)}: a strike on the thin circle is in time, one outside it is late, inside it early; "
        f"the wobble is {words.milliseconds(wave_s)} to either side"
    )
    wide, narrow = (_circle(*folded, sentence, kind) for kind in ("wide", "narrow"))
    return Picture("One turn", sentence, wide, narrow, (("speed", "the wobble"), ("dot", "the strikes' median")))


def _name(row) -> str:
    return f"the {row.shaft}" if words.known(row.shaft) else "what nobody named"


def _harmonic(row) -> int:
    return int(row.harmonic) if words.known(row.harmonic) else 1


def _said(found, row):
    amount = words.milliseconds(row.amplitude_s, row.amplitude_se)
    if not words.known(row.shaft):
        return (
            f"something that turns {row.order:.2f} times per turn of the barrel moves strikes by {amount} to either "
            "side, and nobody named a shaft that does"
        )
    harmonic = _harmonic(row)
    once = "once" if harmonic == 1 else "twice"
    wobble = f"it moves strikes by {amount} to either side, {once} a turn{_latest(row, harmonic)}"
    return f"{row.shaft} {_ratio(found, row, harmonic)}; {wobble}"


def _ratio(found, row, harmonic):
    """Say how often it turns, and by how much the drive's ratio is off where that is sure."""
    turns = f"turns {row.order / harmonic:.2f} times per turn of the barrel"
    error = row.creep_se
    if not words.known(row.creep) or not words.known(error) or abs(row.creep) <= words.SURELY * error:
        return turns
    drive = next((one.drive for one in found.machine.shafts if one.name == row.shaft), "belt")
    told = "the pulleys say" if drive == "belt" else "you say"
    off = words.percent(abs(row.creep), error, digits=2)
    said = f"{turns}, {told} {row.order / harmonic / (1 + row.creep):.2f}"
    if row.creep > 0:
        return f"{said}: {off} more, which no slip makes; measure the drive again"
    return (
        f"{said}: {off} less, by creep of the belt or pulleys of other sizes"
        if drive == "belt"
        else f"{said}: {off} less"
    )


def _latest(row, harmonic):
    """Say where in its turn a shaft that keeps its phase is latest, counted from where the song begins."""
    if not words.known(row.phase_turn):
        return ""
    turn = float(row.phase_turn * row.order / harmonic) % (1 / harmonic)
    quarter = round(4 * turn)
    where = f"at {turn:.2f} of a turn" if abs(turn - quarter / 4) > NEAR_TURN else QUARTERS[quarter % 4]
    return f", latest {where}"


def _folded(found, row) -> tuple[int, float, np.ndarray] | None:
    """Return cycles a turn, amplitude and the strikes' median in each part of a turn; each take by its own phase."""
    harmonic = _harmonic(row)
    late = found.lateness.merge(found.notes[["note_id", "barrel_turn"]], on="note_id")
    pieces = []
    for _, take in late.groupby(["recording", "segment", "playthrough"]):
        angle = 2 * np.pi * row.order * take["barrel_turn"].to_numpy(float)
        waves = np.column_stack([np.sin(angle), np.cos(angle), np.ones(len(angle))])
        (sine, cosine, _), *_ = np.linalg.lstsq(waves, take["shaft_s"].to_numpy(float), rcond=None)
        # Latest at a quarter turn, as a sine is.
        turn = (angle + np.arctan2(cosine, sine)) / (2 * np.pi * harmonic) % 1.0
        wave_s = np.hypot(sine, cosine) * np.sin(2 * np.pi * harmonic * turn)
        pieces.append(pd.DataFrame({"turn": turn, "wave_s": wave_s, "strike_s": wave_s + take["rest_s"].to_numpy()}))
    if not pieces:
        return None
    every = pd.concat(pieces)
    part = (every["turn"] * PARTS).astype(int).clip(upper=PARTS - 1)
    grouped = every.groupby(part)
    if len(grouped) < PARTS or grouped.size().min() < FEWEST or not every["wave_s"].abs().max() > 0:
        return None
    # The median: a single strike far out is no part of the turn. The wobble is as large as the table says.
    return harmonic, float(row.amplitude_s), grouped["strike_s"].median().to_numpy()


def _circle(harmonic, wave_s, strikes_s, sentence, kind):
    width, middle = float(NARROW_PX), RADIUS_PX + 2 * REACH_PX + 8

    def at(turn, late_s):
        radius = RADIUS_PX + REACH_PX * np.clip(np.asarray(late_s) / wave_s, -2, 2)
        angle = 2 * np.pi * np.asarray(turn)
        return width / 2 + radius * np.sin(angle), middle - radius * np.cos(angle)

    fine = np.linspace(0, 1, 181)
    parts = [
        drawing.polyline(*at(fine, np.zeros(len(fine))), "axis"),
        drawing.polyline(*at(fine, wave_s * np.sin(2 * np.pi * harmonic * fine)), "speed"),
    ]
    parts.append(drawing.dots(*at((np.arange(PARTS) + 0.5) / PARTS, strikes_s), "dot"))
    parts.append(drawing.text(width / 2, middle + 4, words.milliseconds(wave_s), "value", "middle"))
    return drawing.svg(width, 2 * middle, sentence, parts, kind)
