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
WORKS_AGAINST = 1.1  # chosen: times all together that a part alone spreads the strikes, from which on that is said


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
        _budget(found, parts, WIDE_PX / 2 - 12, sentence, "wide"),
        _budget(found, parts, NARROW_PX, sentence, "narrow"),
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


def _budget(found: Found, parts: pd.DataFrame, width: float, sentence: str, name: str) -> str:
    top, height = 24.0, 26.0
    half = words.SURELY * parts["share_se"].astype(float).fillna(0.0)
    low, high = min(0.0, float((parts["share"] - half).min())), max(0.1, float((parts["share"] + half).max()))
    frame = Frame(92, width - 130, top, top + height * len(parts), low, high, 0, 1)
    drawn = [drawing.text(width, 12, "without it", "tick", "end"), drawing.text(92, 12, "share", "tick")]
    for number, part in enumerate(parts.itertuples(index=False)):
        y = top + height * number
        large = part.share >= 0.2
        drawn.append(drawing.text(84, y + 16, _name(found, part.part).replace(" and ", ", "), "name", "end"))
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
        said = f"Load and {_name(found, 'motion')} make {words.percent(both, digits=0)} of it together"
        said += "; which of the two makes more cannot be told"
        return words.sentence(said + _no_wobble(found, ruler))
    said = _first_said(found, parts)
    now = (
        f" in place of {words.milliseconds(found.felt_sd_s)}"
        if ruler == "felt" and words.known(found.felt_sd_s)
        else ""
    )
    said += f" the spread would be {words.milliseconds(first['sd_without_s'])}{now}"
    how = click.kept(found) if ruler == "song" else None
    if ruler == "song" and (how is None or not how.is_pulled):
        said += ". Over a song a free crew drifts; that is tempo, not looseness"
    return words.sentence(said + _no_wobble(found, ruler))


def _first_said(found: Found, parts: pd.DataFrame) -> str:
    """Say how much the largest part makes, up to 'without it'; a share means little where parts cancel."""
    first = parts.iloc[0]
    name = _name(found, first["part"])
    # Of a total with the variance V: sd_without² = V (1 - 2 share) + sd²; by the part that tells V best.
    best = parts.loc[(1 - 2 * parts["share"]).abs().idxmax()]
    together_s = np.sqrt(max((best["sd_without_s"] ** 2 - best["sd_s"] ** 2) / (1 - 2 * best["share"]), 0.0))
    if first["sd_s"] > WORKS_AGAINST * together_s:
        alone, both = words.milliseconds(first["sd_s"]), words.milliseconds(together_s)
        return (
            f"{words.capital(name)} alone would make a spread of {alone}, all parts together make {both}: the others "
            f"work against it, so shares tell little. Without {name}"
        )
    share = words.percent(min(first["share"], 1.0), first["share_se"], digits=0)
    makes = "make" if name.endswith("s") else "makes"
    return f"{words.capital(name)} {makes} {share} of it: without {'them' if makes == 'make' else 'it'}"


def _name(found: Found, part: str) -> str:
    """Return what the reader calls a part; what slips moved is part of the slow motion."""
    return words.PARTS[part] + (" and slips" if part == "motion" and len(found.slips) else "")


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
