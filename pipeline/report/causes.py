"""Draw where the lateness comes from, and the build days."""

from functools import partial

import numpy as np
import pandas as pd

from pipeline import hearing, words
from pipeline.report import click, drawing
from pipeline.report.drawing import NARROW_PX, WIDE_PX, Frame, Picture, in_both_widths
from pipeline.report.results import KEYS, Found, Results
from pipeline.report.song import value_axis

RULERS = {"felt": "around the beat one feels", "song": "over the whole song"}


def budget(found: Found, ruler: str) -> Picture | None:
    """Draw the parts of the lateness under one ruler (felt, song); None when there is nothing to split."""
    parts = found.budget[found.budget["ruler"] == ruler].dropna(subset="share")
    # Parts that were not found, or cannot exist, such as the delay of the only striker.
    parts = parts[parts["sd_s"] > 0]
    how = click.kept(found) if ruler == "song" else None
    # How late is a take by a click that it does not follow?
    if not len(parts) or found.is_clock or (how is not None and how.lost):
        return None
    parts = parts.sort_values(["share", "part"], ascending=[False, True])
    sentence = _budget_said(found, parts, ruler)
    return Picture(
        f"Where the lateness comes from, {RULERS[ruler]}",
        sentence,
        _budget(parts, WIDE_PX / 2 - 12, sentence, "wide"),
        _budget(parts, NARROW_PX, sentence, "narrow"),
    )


def build_days(results: Results, found: Found) -> Picture | None:
    """Draw the felt spread (of a clock test: the steadiness) of all groups of the arrangement; None with one."""
    quantity = "steady_1" if found.is_clock else "felt_sd_s"
    days = days_of(results, found, quantity)
    if len(days) < 2:
        return None
    sentence = _days_said(days, quantity)
    return in_both_widths(
        "Build days",
        sentence,
        partial(_days, days, quantity),
        (("late", "worse"), ("early", "better"), ("unsure", "no clear change, or nothing yet to tell")),
    )


def days_of(results: Results, found: Found, quantity: str) -> pd.DataFrame:
    """Return the groups of an arrangement in their order with the value of a quantity and its verdict."""
    rows = results.trend
    rows = rows[(rows["arrangement"] == found.group.arrangement) & (rows["quantity"] == quantity)]
    rows = rows.sort_values(KEYS, kind="stable")
    return rows[rows["against"] == "previous"].reset_index(drop=True)


def _budget(parts: pd.DataFrame, width: float, sentence: str, name: str) -> str:
    top, height = 24.0, 26.0
    half = words.SURELY * parts["share_se"].astype(float).fillna(0.0)
    low, high = min(0.0, float((parts["share"] - half).min())), max(0.1, float((parts["share"] + half).max()))
    frame = Frame(92, width - 130, top, top + height * len(parts), low, high, 0, 1)
    drawn = [drawing.text(width, 12, "without it", "tick", "end"), drawing.text(92, 12, "share", "tick")]
    for number, part in enumerate(parts.itertuples(index=False)):
        y = top + height * number
        large = part.share >= 0.2
        drawn.append(drawing.text(84, y + 16, words.PARTS[part.part], "name", "end"))
        drawn.append(
            drawing.rectangle(
                frame.x(0.0), y + 4, frame.x(part.share) - frame.x(0.0), 16, "bar large" if large else "bar"
            )
        )
        share = words.percent(part.share, digits=0)
        end = part.share
        if words.known(part.share_se):
            half = words.SURELY * part.share_se
            drawn.append(drawing.line(frame.x(part.share - half), y + 12, frame.x(part.share + half), y + 12, "axis"))
            end += half
        drawn.append(drawing.text(max(frame.x(end), frame.x(0.0)) + 5, y + 16, share, "value"))
        drawn.append(drawing.text(width, y + 16, words.milliseconds(part.sd_without_s), "tick", "end"))
    drawn.append(drawing.line(frame.x(0.0), top, frame.x(0.0), frame.bottom, "axis"))
    return drawing.svg(width, frame.bottom + 6, sentence, drawn, name)


def _budget_said(found: Found, parts: pd.DataFrame, ruler: str) -> str:
    first = parts.iloc[0]
    if not _load_and_crew_told(parts):
        both = parts.loc[parts["part"].isin(("load", "motion")), "share"].sum()
        said = f"Load and crew make {words.percent(both, digits=0)} of it together"
        said += "; which of the two makes more cannot be told"
        return words.sentence(said + _no_wobble(found, ruler))
    share = words.percent(first["share"], first["share_se"], digits=0)
    said = f"{words.capital(words.PARTS[first['part']])} makes {share} of it"
    if words.PARTS[first["part"]].endswith("s"):
        said = said.replace(" makes ", " make ")
    now = (
        f" in place of {words.milliseconds(found.felt_sd_s)}"
        if ruler == "felt" and words.known(found.felt_sd_s)
        else ""
    )
    said += f": without it the spread would be {words.milliseconds(first['sd_without_s'])}{now}"
    how = click.kept(found) if ruler == "song" else None
    if ruler == "song" and (how is None or not how.is_pulled):
        said += ". Over a song a free crew drifts; that is tempo, not looseness"
    return words.sentence(said + _no_wobble(found, ruler))


def _load_and_crew_told(parts: pd.DataFrame) -> bool:
    """Tell whether it is sure which of load and crew makes more, where one of them makes most.

    What one has too much the other has too little: the error of their difference is twice that of either.
    """
    split = parts[parts["part"].isin(("load", "motion"))]
    if parts.iloc[0]["part"] not in ("load", "motion") or len(split) < 2 or not words.known(split["share_se"].iloc[0]):
        return True
    return abs(np.subtract(*split["share"])) > words.SURELY * 2 * split["share_se"].iloc[0]


def _no_wobble(found: Found, ruler: str) -> str:
    """Say from which size on a wobble of the named shafts would have been found, where none was."""
    least_s = found.budget.loc[(found.budget["ruler"] == ruler) & (found.budget["part"] == "shaft"), "detectable_s"]
    if ruler != "felt" or len(found.shafts) or not len(least_s) or not words.known(least_s.iloc[0]):
        return ""
    return (
        f". No wobble was found; one of {words.milliseconds(least_s.iloc[0])} or more of a shaft that you name would "
        "have been, 95 times in 100"
    )


def _days(days: pd.DataFrame, quantity: str, width: float, sentence: str) -> str:
    values, errors = days["value"].to_numpy(float), days["value_se"].astype(float).fillna(0.0).to_numpy()
    errors = words.SURELY * errors
    # A spread is no single strike: two in three lie within it, so it has no size from which on it is heard.
    limit = hearing.TEMPO_RATIO_AT_BEST if quantity == "steady_1" else 0.0
    high = 1.15 * max(float((values + errors).max()), 1.2 * limit, 1e-6)
    left = 44.0
    frame = Frame(left, width - 12, 34, 200, -0.5, len(days) - 0.5, 0.0, high)
    scale, unit = (100.0, "%") if quantity == "steady_1" else (1000.0, "ms")
    parts = []
    if limit:
        parts.append(drawing.rectangle(left, frame.y(limit), frame.right - left, frame.y(0.0) - frame.y(limit), "band"))
    title = f"{words.quantity_name(quantity)}, {unit}"
    parts += value_axis(frame, drawing.ticks(0.0, high, 5), lambda value: f"{scale * value:g}", title)
    if limit:
        parts.append(drawing.text(left + 5, frame.bottom - 6, "not noticed", "tick"))
    x = frame.x(np.arange(len(days)))
    parts.append(drawing.polyline(x, frame.y(values), "speed"))
    for place, value, error in zip(x, values, errors, strict=True):
        parts.append(drawing.line(place, frame.y(value - error), place, frame.y(value + error), "speed"))
    parts += _day_marks(days, quantity, frame, x, values)
    return drawing.svg(width, 252, sentence, parts, drawing.width_class(width))


def _day_marks(days: pd.DataFrame, quantity: str, frame: Frame, x, values) -> list[str]:
    parts, room, written = [], (frame.right - frame.left) / len(days), -np.inf
    for place, value, day in zip(x, values, days.itertuples(index=False), strict=True):
        y = frame.y(value)
        if day.verdict in ("better", "worse"):
            worse = day.verdict == "worse"
            parts.append(drawing.triangles([place], [y], 11.0, worse, "late" if worse else "early"))
        else:
            parts.append(drawing.circle(place, y, 4.0, "unsure"))
        if room > 46:
            parts.append(drawing.text(place + 8, y - 8, words.quantity(quantity, value), "value"))
        # Where days stand closer than their names are wide, some names are left out; the table has them all.
        name = words.day(day.build_day, year=False)
        if place - drawing.width_px(name) / 2 > written:
            setup = drawing.shortened(day.setup, room - 4, 11)
            parts.append(drawing.text(place, frame.bottom + 18, name.replace("\xa0", " "), "tick", "middle"))
            if day.setup and room > 40:
                parts.append(drawing.text(place, frame.bottom + 34, setup, "tick", "middle", day.setup))
            written = place + drawing.width_px(name) / 2 + 4
    return parts


def _days_said(days: pd.DataFrame, quantity: str) -> str:
    first, last = days.iloc[0], days.iloc[-1]
    begun, now = (words.day(group["build_day"]) for group in (first, last))
    before, after = (words.quantity(quantity, group["value"]) for group in (first, last))
    said = f"From {before} on {begun} to {after} on {now}"
    if begun == now:
        said = f"From {before} to {after}, all on {now}, in the order of sessions and set-ups"
    told = days["verdict"].value_counts()
    counted = [f"{told[name]} {name}" for name in ("better", "worse", "no clear change") if name in told]
    if counted:
        said += f"; from one group of takes to the next: {words.joined(counted)}"
    else:
        said += "; with so few takes nothing yet tells a change from chance"
    return words.sentence(said)
