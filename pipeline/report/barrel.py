"""Draw the barrel unrolled: a row for each striker, a mark for each pin, up for late and down for early."""

from functools import partial

import numpy as np
import pandas as pd

from pipeline import hearing, words
from pipeline.report import drawing
from pipeline.report.drawing import Frame, Picture, in_both_widths
from pipeline.report.results import Found, bar_starts
from pipeline.report.song import bar_axis, passage_names

LIGHT_S = 0.002  # below this a pin's mark is grey: a listener needs three times as much
OFTEN_Q = 0.05  # false discovery rate of pins said to miss more often than their striker's others
REACH_PX = 12.0  # longest mark up or down


def unrolled(found: Found) -> Picture | None:
    """Draw the barrel; None without pins."""
    pins = placed(found)
    if not len(pins) or found.is_clock:
        return None
    sentence = _said(found, pins)
    return in_both_widths(
        "The barrel, unrolled",
        sentence,
        partial(_unrolled, found, pins),
        (
            ("up", "late"),
            ("down", "early"),
            ("ring", "misplaced: move it"),
            ("hollow", "did not strike"),
        ),
    )


def placed(found: Found) -> pd.DataFrame:
    """Return the pins with `place`: where along the unrolled barrel each one stands.

    One turn of a barrel whose pins come round again is unrolled by its angle (0 to 1); a barrel with a pin for each
    note by the score beat of the note, whatever its turn.
    """
    pins = found.pins.merge(found.notes[["note_id", "score_beat"]], on="note_id", how="left")
    if one_turn(found):
        return pins.assign(place=np.mod(pins["barrel_turn"], 1.0))
    return pins.assign(place=pins["score_beat"])


def one_turn(found: Found) -> bool:
    """Tell whether the picture holds one turn of the barrel and not the whole arrangement."""
    return found.machine.barrel.pins == "turn" and bool(found.machine.barrel.bars_per_turn)


def misplaced(found: Found) -> pd.DataFrame:
    """Return the misplaced pins, the furthest first."""
    wrong = found.pins[found.pins["misplaced"]]
    return wrong.assign(size=wrong["offset_s"].abs()).sort_values(["size", "pin_id"], ascending=[False, True])


def move(pin) -> str:
    """Say where to move a pin: `2.6 mm (±0.4) forward`; '' when the barrel's size is not known."""
    if not words.known(pin.offset_mm):
        return ""
    se_mm = abs(pin.offset_mm / pin.offset_s * pin.offset_se) if pin.offset_s else None
    return f"{words.millimetres(abs(pin.offset_mm), se_mm)} {'forward' if pin.offset_mm > 0 else 'backward'}"


def missed_share(pins: pd.DataFrame) -> pd.Series:
    """Return the share of its strikes that each pin missed."""
    return pins["n_failed"] / (pins["n_struck"] + pins["n_failed"]).clip(lower=1)


def _unrolled(found: Found, pins: pd.DataFrame, width: float, sentence: str) -> str:
    rows = [striker.name for striker in found.machine.strikers if (pins["striker"] == striker.name).any()]
    rows += sorted(set(pins["striker"]) - set(rows))
    wide = width > 500
    height, top = (30.0, 26.0) if wide else (42.0, 26.0)
    frame = _frame(found, width, top, height * len(rows), 120.0 if wide else 8.0)
    longest = max(hearing.NOTICED_S, float(np.nanquantile(pins["offset_s"].abs(), 0.99)))
    parts = []
    for number, striker in enumerate(rows):
        # On a telephone the name stands above its row, not beside it.
        y = top + height * number + (height / 2 if wide else height - 15)
        parts.append(drawing.line(frame.left, y, frame.right, y, "row"))
        if wide:
            parts.append(drawing.text(112, y + 4, drawing.shortened(striker, 108), "name", "end", striker))
        else:
            parts.append(
                drawing.text(frame.left, y - 15, drawing.shortened(striker, 150, 11), "name", "start", striker)
            )
        parts += _row(frame, pins[pins["striker"] == striker].sort_values(["place", "pin_id"]), y, longest, wide)
    if one_turn(found):
        parts += _turn_axis(frame, found)
    else:
        parts += [*passage_names(frame, found.notes, 4), *bar_axis(frame, found.notes, frame.bottom + 4)]
    return drawing.svg(width, frame.bottom + 40, sentence, parts, drawing.width_class(width))


def _frame(found: Found, width: float, top: float, height: float, left: float) -> Frame:
    if one_turn(found):
        return Frame(left, width - 10, top, top + height, 0.0, 1.0, 0.0, 1.0)
    _, starts = bar_starts(found.notes)
    last = max(float(found.notes["score_beat"].max()), float(starts[-1]))
    return Frame(left, width - 10, top, top + height, float(starts[0]), last + 0.5, 0.0, 1.0)


def _row(frame: Frame, pins: pd.DataFrame, y: float, longest: float, wide: bool) -> list[str]:
    marks = {"even": [], "late1": [], "late2": [], "early1": [], "early2": []}
    rings, labels, taken = [], [], []
    for pin, missed in zip(pins.itertuples(index=False), missed_share(pins), strict=True):
        x = frame.x(pin.place)
        if missed > 0:
            # Half of the time or more: the pin itself; less often: a smaller ring.
            said = f"{pin.striker}, {words.place(pin.bar, pin.beat_in_bar)}: missed {pin.n_failed} of "
            said += words.count(pin.n_struck + pin.n_failed, "strike")
            radius = (4.5 if missed >= 0.5 else 2.5) * (1.0 if wide else 0.7)
            rings.append(drawing.circle(x, y, radius, "hollow", said))
        if not pin.n_takes or not words.known(pin.offset_s):
            continue
        reach = max(2.0, REACH_PX * min(1.0, abs(pin.offset_s) / longest))
        marks[_shade(pin.offset_s)].append((x, -reach if pin.offset_s > 0 else reach))
        if pin.misplaced:
            said = f"{pin.striker}, {words.place(pin.bar, pin.beat_in_bar)}: {words.late(pin.offset_s, pin.offset_se)}"
            said += f"; move it {move(pin)}" if move(pin) else ""
            rings.append(drawing.circle(x, y, 9.0, "ring", said))
            labels += _label(frame, x, y, words.plain(1000 * pin.offset_s, 0, sign=True), taken, wide)
    return [*(_ticks(x_and_reach, y, name) for name, x_and_reach in marks.items() if x_and_reach), *rings, *labels]


def _shade(offset_s: float) -> str:
    size = abs(offset_s)
    if size < LIGHT_S:
        return "even"
    return ("late" if offset_s > 0 else "early") + ("2" if size >= hearing.NOTICED_S else "1")


def _ticks(marks: list[tuple[float, float]], y: float, name: str) -> str:
    steps = "".join(f"M{x:.1f} {y:.1f}v{reach:.1f}" for x, reach in marks)
    return f'<path class="pin {name}" d="{steps}"/>'


def _label(frame: Frame, x: float, y: float, label: str, taken: list, wide: bool) -> list[str]:
    """Write a ring's label to the right or the left of it, where no other label of the row lies; else leave it out."""
    size = drawing.width_px(label, 11)
    for left in (x + 8, x - 8 - size):
        free = all(left > end or left + size < start for start, end in taken)
        if free and left >= frame.left and left + size <= frame.right + 8:
            taken.append((left, left + size))
            return [drawing.text(left, y - 7, label, "value")]
    return []


def _turn_axis(frame: Frame, found: Found) -> list[str]:
    bars, y = found.machine.barrel.bars_per_turn, frame.bottom + 4
    parts = [drawing.line(frame.left, y, frame.right, y, "axis")]
    for number in range(int(np.ceil(bars))):
        x = frame.x(number / bars)
        parts += [drawing.line(x, y, x, y + 4, "axis"), drawing.text(x, y + 17, f"{number + 1}", "tick", "middle")]
    return [*parts, drawing.text(frame.right, y + 31, "bar of the turn", "tick", "end")]


def _or_company_said(pins: pd.DataFrame) -> str:
    """Name the pins that are late by their place or because others fire with them; '' where there is none."""
    rows = pins[pins["or_company"]].sort_values("offset_s", ascending=False, kind="stable")
    if not len(rows):
        return ""
    first = next(rows.itertuples(index=False))
    where = f"{first.striker} at {words.place(first.bar, first.beat_in_bar)}"
    more = f" (and {words.count(len(rows) - 1, 'pin')} likewise)" if len(rows) > 1 else ""
    return (
        f". {words.capital(where)} is {words.late(first.offset_s, first.offset_se)}{more}: by its place, or because "
        "others fire with it there; no other pin of it tells which. Fire it alone there with the others lifted, and "
        "move nothing before"
    )


def _said(found: Found, pins: pd.DataFrame) -> str:
    heard, wrong = pins[pins["n_takes"] > 0], misplaced(found)
    of_all = words.count(len(heard), "pin") + (" that struck" if len(heard) < found.notes["pin_id"].nunique() else "")
    if len(wrong):
        first = next(wrong.itertuples(index=False))
        is_are = "is" if len(wrong) == 1 else "are"
        said = f"{len(wrong)} of {of_all} {is_are} misplaced; furthest: {first.striker}, "
        said += f"{words.place(first.bar, first.beat_in_bar)}, {words.late(first.offset_s, first.offset_se)}"
        said += f": move it {move(first)}" if move(first) else ""
    else:
        said = f"None of {of_all} is surely misplaced"
    said += _or_company_said(pins)
    often = pins[pins["miss_q_value"] < OFTEN_Q]
    if len(often):
        misses = "misses more often than the others of its striker"
        misses = misses if len(often) == 1 else "miss more often than the others of their strikers"
        where = [
            f"{pin.striker} at {words.place(pin.bar, pin.beat_in_bar)} "
            f"({pin.n_failed} of {words.count(pin.n_struck + pin.n_failed, 'strike')})"
            for pin in often.itertuples()
        ]
        if len(where) > 3:
            where = [f"{count} of {striker}" for striker, count in often["striker"].value_counts().head(3).items()]
            where += ["others"] if often["striker"].nunique() > 3 else []
        said += f". {words.count(len(often), 'pin')} {misses}: {words.joined(where)}"
    return words.sentence(said)
