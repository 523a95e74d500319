"""Draw all takes of an arrangement in their order with the limits of chance, and name those that stand apart."""

from functools import partial

import numpy as np
import pandas as pd

from pipeline import words
from pipeline.report import drawing
from pipeline.report.drawing import Frame, Picture, in_both_widths
from pipeline.report.results import Found, Results
from pipeline.report.song import value_axis

MOST_NAMED = 5  # takes that the sentence names, the newest; the chart rings them all
DIFFERENCES = {
    "crew": "another crew played it",
    "microphones": "it was recorded with other microphones",
    "first of the day": "it is the first of its day in the list",
}
NO_REASON = "What differs need not be the reason"


def chart(results: Results, found: Found) -> Picture | None:
    """Draw the takes of the arrangement; None where there are too few for limits."""
    rows = results.takes
    quantity = "steady_1" if found.is_clock else "felt_sd_s"
    rows = rows[(rows["arrangement"] == found.group.arrangement) & (rows["quantity"] == quantity)]
    if not len(rows):
        return None
    rows = rows.sort_values("place").reset_index(drop=True)
    sentence = said(rows, quantity)
    return in_both_widths(
        f"Take by take: {words.quantity_name(quantity)}",
        sentence,
        partial(_drawn, rows, quantity),
        (
            ("unsure", "a take"),
            ("ring", "stands apart"),
            ("split", "limits: mean ± 2.66 × mean moving range, of logarithms; anew where a day was better or worse"),
        ),
    )


def said(rows: pd.DataFrame, quantity: str) -> str:
    """Say which takes stand apart, and in what they differ from most others; no cause, since none was tested."""
    apart = rows[rows["apart"]]
    if not len(apart):
        return words.sentence(f"None of {words.count(len(rows), 'take')} stands apart from those around it")
    told = [_said(row, quantity) for row in apart.tail(MOST_NAMED).itertuples(index=False)]
    opening = f"{len(apart)} of {words.count(len(rows), 'take')} {'stands' if len(apart) == 1 else 'stand'} apart"
    differ = f" {words.sentence(NO_REASON)}" if apart.tail(MOST_NAMED)["sets_apart"].map(len).any() else ""
    return words.sentence(f"{opening}: {'; '.join(told)}") + differ


def _said(row, quantity: str) -> str:
    way = "above" if row.value > row.limit_high else "below"
    limit = row.limit_high if way == "above" else row.limit_low
    value, limit = words.quantity(quantity, row.value), words.quantity(quantity, limit)
    differs = [
        DIFFERENCES.get(one, f"the recording has a fault ({one.removeprefix('fault: ')})") for one in row.sets_apart
    ]
    what = (
        f"unlike most others, {words.joined(differs)}" if differs else "nothing in the list of recordings sets it apart"
    )
    return f"{row.recording} ({words.day(row.build_day)}), {value}, {way} the limit of {limit}: {what}"


def _drawn(rows: pd.DataFrame, quantity: str, width: float, sentence: str) -> str:
    high = 1.1 * float(rows[["value", "limit_high"]].max().max())
    frame = Frame(44.0, width - 12, 34, 200, -0.5, len(rows) - 0.5, 0.0, high)
    scale, unit = (100.0, "%") if quantity == "steady_1" else (1000.0, "ms")
    title = f"{words.quantity_name(quantity)}, {unit}"
    parts = value_axis(frame, drawing.ticks(0.0, high, 5), lambda value: f"{scale * value:g}", title)
    for _, stretch in rows.groupby("stretch"):
        ends = frame.x(np.array([stretch.index[0] - 0.5, stretch.index[-1] + 0.5]))
        for name, kind in (("middle", "take"), ("limit_low", "split"), ("limit_high", "split")):
            y = frame.y(float(stretch[name].iloc[0]))
            parts.append(drawing.line(ends[0], y, ends[1], y, kind))
    written = -np.inf
    for place, row in enumerate(rows.itertuples(index=False)):
        x, y = frame.x(place), frame.y(row.value)
        parts.append(drawing.circle(x, y, 3.0, "unsure", row.recording))
        if row.apart:
            parts.append(drawing.circle(x, y, 7.0, "ring"))
        is_new = place == 0 or rows["build_day"].iloc[place - 1] != row.build_day
        name = words.day(row.build_day, year=False)
        if is_new and x - drawing.width_px(name) / 2 > written:
            parts.append(drawing.text(x, frame.bottom + 18, name.replace("\xa0", " "), "tick", "middle"))
            written = x + drawing.width_px(name) / 2 + 4
    return drawing.svg(width, 232, sentence, parts, drawing.width_class(width))
