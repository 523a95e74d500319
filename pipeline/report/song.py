"""Draw the song: how fast the machine turns, load and crew stacked; and each strike against the felt beat."""

from functools import partial

import numpy as np
import pandas as pd
from scipy import stats

from pipeline import hearing, words
from pipeline.report import drawing, verdict
from pipeline.report.drawing import Frame, Picture, in_both_widths
from pipeline.report.results import Found, bar_starts, bars_of, runs_of_passages

MOST_TAKES = 8  # drawn one by one behind the mean; more would be a carpet
MOST_COSTLY = 3  # strikers named for a passage
WORTH = 0.01  # of the speed, that load and crew must each make in a bar to be worth a word when they cancel
WORTH_PER_MIN = 0.001  # change of tempo below which nothing is said of it
LEAST_STRIKES = 20  # of a passage, for its share to be told; chosen: half a share of 5 % is one strike
CROWDED_STRIKES = 3000  # strikes from which the dots are drawn finer
SHOWN_SHARE = 0.995  # share of the strikes that the picture must hold; the rest is drawn at its edge


def speed(found: Found) -> Picture | None:
    """Draw speed, load and crew over the bars; None without a tempo."""
    if not len(found.tempo) or found.is_clock:
        return None
    tempo = found.tempo.assign(speed=lambda frame: frame["motion"] + frame["load"] + frame["shaft"])
    tempo = tempo.assign(own_se=tempo["tempo_se"] / tempo["tempo_bpm"])
    mean = tempo.groupby("score_beat")[["speed", "load", "load_se", "motion"]].mean()
    # Takes share what is not known of the load; what is not known of their own speed they do not.
    mean["own_se"] = tempo.groupby("score_beat")["own_se"].agg(lambda se: np.sqrt(np.mean(se**2) / len(se)))
    split = mean["load_se"].notna().all()
    takes = [
        take.set_index("score_beat")["speed"] for _, take in tempo.groupby(["recording", "playthrough", "segment"])
    ]
    takes = takes if 1 < len(takes) <= MOST_TAKES else []
    sentence = _speed_said(found, mean)
    return in_both_widths(
        "The song: how fast it turns, and what holds it back",
        sentence,
        partial(_speed, found, mean, takes),
        (
            ("load", "load"),
            ("crew", "crew"),
            ("speed", "speed"),
            *([("take", "single takes")] if takes else []),
            *([("split", "where load ends and crew begins, 95 %")] if split else []),
        ),
    )


def strikes(found: Found) -> Picture | None:
    """Draw every strike against the beat one feels; None when no strike has one."""
    felt = found.lateness.drop_duplicates(["recording", "hit_id", "hit_s"]).dropna(subset="felt_s")
    if not len(felt) or found.is_clock:
        return None
    judged = verdict.judged(found.lateness).strikes
    noticed = judged[judged["noticed"]]
    sentence = _strikes_said(felt, judged)
    return in_both_widths(
        "Each strike against the beat one feels",
        sentence,
        partial(_strikes, found, felt, noticed),
        (
            ("late", "late, noticed"),
            ("early", "early, noticed"),
            ("dot", "not noticed, or not judged"),
            ("band", "up to 6 ms: not noticed"),
        ),
    )


def bar_axis(frame: Frame, notes: pd.DataFrame, y: float, title: str = "bar") -> list[str]:
    """Draw the bars along a horizontal scale of score beats."""
    bars, starts = bar_starts(notes)
    about = 10 if frame.right - frame.left > 500 else 5
    wanted = [bar for bar in drawing.ticks(1, bars[-1], about) if bar >= 1 and bar == int(bar)]
    if wanted and wanted[0] != 1 and frame.x(np.interp(wanted[0], bars, starts)) - frame.left > 24:
        wanted = [1, *wanted]
    parts = [drawing.line(frame.left, y, frame.right, y, "axis")]
    for bar in wanted:
        x = frame.x(float(np.interp(bar, bars, starts)))
        parts += [drawing.line(x, y, x, y + 4, "axis"), drawing.text(x, y + 17, f"{int(bar)}", "tick", "middle")]
    return [*parts, drawing.text(frame.right, y + 31, title, "tick", "end")]


def passage_names(frame: Frame, notes: pd.DataFrame, top: float) -> list[str]:
    """Write the passages above the frame, each at its first bar; a name that finds no room is shortened or left out."""
    bars, starts = bar_starts(notes)
    runs = runs_of_passages(notes)
    places = [frame.x(float(np.interp(bar, bars, starts))) for _, bar in runs] + [frame.right]
    parts = []
    for (name, _), x, following in zip(runs, places[:-1], places[1:], strict=True):
        parts.append(drawing.line(x, top, x, frame.bottom, "passage"))
        room = following - x - 6
        if name and room > 22:
            parts.append(drawing.text(x + 3, top + 9, drawing.shortened(name, room, 11), "tick", whole=name))
    return parts


def value_axis(frame: Frame, values: list[float], label, title: str) -> list[str]:
    """Draw a vertical scale with faint lines across; `label` writes a value."""
    parts = []
    for value in values:
        y = frame.y(value)
        parts.append(drawing.line(frame.left, y, frame.right, y, "zero" if value == 0 else "grid"))
        parts.append(drawing.text(frame.left - 6, y + 4, label(value), "tick", "end"))
    return [*parts, drawing.text(0, 10, title, "tick")]


def score_frame(found: Found, width: float, top: float, height: float, low: float, high: float) -> Frame:
    """Return a frame whose horizontal scale runs over the whole arrangement."""
    _, starts = bar_starts(found.notes)
    last = max(float(found.notes["score_beat"].max()), float(starts[-1]))
    left = 48 if width > 500 else 38
    return Frame(left, width - 8, top, top + height, float(starts[0]), last + 0.5, low, high)


def _speed(found: Found, mean: pd.DataFrame, takes: list[pd.Series], width: float, sentence: str) -> str:
    load, crew = mean["load"].to_numpy(), mean["motion"].to_numpy()
    base = np.where(load * crew > 0, load, 0.0)
    half = words.SURELY * mean["load_se"].to_numpy(float)
    shown = [
        load - half,
        load + half,
        load,
        crew + base,
        mean["speed"].to_numpy(),
        *(take.to_numpy() for take in takes),
    ]
    low, high = _reach(np.concatenate(shown), 0.005)
    frame = score_frame(found, width, 46, 190, low, high)
    x = frame.x(mean.index.to_numpy(float))
    zero = np.full(len(x), frame.y(0.0))
    parts = value_axis(
        frame, drawing.ticks(low, high, 6), lambda value: words.plain(100 * value, 1, sign=True), "speed, %"
    )
    parts += passage_names(frame, found.notes, 22)
    parts.append(drawing.area(x, zero, frame.y(load), "load"))
    parts.append(drawing.area(x, frame.y(base), frame.y(base + crew), "crew"))
    if np.isfinite(half).all():
        parts += [drawing.polyline(x, frame.y(load + side * half), "split") for side in (-1, 1)]
    for take in takes:
        parts.append(drawing.polyline(frame.x(take.index.to_numpy(float)), frame.y(take.to_numpy()), "take"))
    parts.append(drawing.polyline(x, frame.y(mean["speed"].to_numpy()), "speed"))
    parts += bar_axis(frame, found.notes, frame.bottom)
    return drawing.svg(width, frame.bottom + 36, sentence, parts, drawing.width_class(width))


def _strikes(found: Found, felt: pd.DataFrame, noticed: pd.DataFrame, width: float, sentence: str) -> str:
    reach = _felt_reach(felt)
    frame = score_frame(found, width, 46, 170, -reach, reach)
    band = frame.y(hearing.NOTICED_S), frame.y(-hearing.NOTICED_S)
    parts = [drawing.rectangle(frame.left, band[0], frame.right - frame.left, band[1] - band[0], "band")]
    values = drawing.ticks(-reach, reach, 5)
    title = "felt, ms (up = late)"
    parts += value_axis(frame, values, lambda value: words.plain(1000 * value, 0, sign=True), title)
    strike = ["recording", "hit_id", "hit_s"]
    quiet = felt[~pd.MultiIndex.from_frame(felt[strike]).isin(pd.MultiIndex.from_frame(noticed[strike]))]
    parts.append(drawing.dots(*_places(frame, quiet, reach), "dot" if len(quiet) < CROWDED_STRIKES else "dot crowd"))
    for late, kind in ((True, "late"), (False, "early")):
        some = noticed[(noticed["felt_s"] > 0) == late]
        parts.append(drawing.triangles(*_places(frame, some, reach), 6.0, late, kind))
    parts += passage_names(frame, found.notes, 22)
    parts += bar_axis(frame, found.notes, frame.bottom)
    return drawing.svg(width, frame.bottom + 36, sentence, parts, drawing.width_class(width))


def _places(frame: Frame, strikes: pd.DataFrame, reach: float):
    felt = strikes["felt_s"].clip(-reach, reach).to_numpy(float)
    return frame.x(strikes["score_beat"].to_numpy(float)), frame.y(felt)


def _felt_reach(felt: pd.DataFrame) -> float:
    """Return how far the scale of the felt lateness reaches: nearly all strikes, 10 ms at least."""
    return max(0.010, 1.1 * float(np.quantile(felt["felt_s"].abs(), SHOWN_SHARE)))


def costly(found: Found, passage: pd.Series) -> list[str]:
    """Return those of the strikers that cost most speed in a passage whose load there surely exceeds an equal share."""
    rows = found.lateness[found.lateness["passage"] == passage["passage"]] if passage["passage"] else found.lateness
    rows = rows[rows["bar"].between(passage["first_bar"], passage["last_bar"])]
    known = found.strikers.dropna(subset=["drag", "drag_se"]).set_index("striker")
    played = rows["striker"].value_counts().reindex(known.index).dropna()
    cost, cost_se = (known[name].astype(float).reindex(played.index) * played for name in ("drag", "drag_se"))
    sure = set(cost.index[cost - cost.mean() > words.SURELY * cost_se])
    return [name for name in passage["costs_most"] if name in sure][:MOST_COSTLY]


def _speed_said(found: Found, mean: pd.DataFrame) -> str:
    passages = found.passages.dropna(subset=["sag", "sag_se"])
    if not len(passages):
        return words.sentence(
            "How fast the machine turned, against the straight line through each take" + _cancelled(found, mean)
        )
    slow = passages[passages["sag"] > words.SURELY * passages["sag_se"]]
    slow = slow.sort_values(["sag", "first_bar"], ascending=[False, True], kind="stable")
    said = "No passage is surely slower than the straight line through the take"
    if len(slow):
        worst = slow.iloc[0]
        size = words.percent(worst["sag"], worst["sag_se"])
        said = f"Slowest is {_named(found, worst)}: {size} slower than the straight line through the take"
        said += _by_load(found, worst) + _as_slow(found, slow)
    said += _cancelled(found, mean)
    return words.sentence(said + _trend_said(found.used))


def _by_load(found: Found, worst: pd.Series) -> str:
    """Say how much of a passage's loss of speed the load makes, and what it leaves to crew or drive."""
    load, load_se, sag, sag_se = (worst[name] for name in ("by_load", "by_load_se", "sag", "sag_se"))
    if not words.known(load) or not words.known(load_se):
        return ""
    if abs(load) <= words.SURELY * load_se:
        return "; load has no sure part in it"
    said = f"; load alone would make it {words.slower(load, load_se)}"
    if sag - load > words.SURELY * np.hypot(sag_se, load_se):
        return said + ", the rest lies with crew or drive"
    if load - sag > words.SURELY * np.hypot(sag_se, load_se):
        return said + ", crew or drive make up for some"
    names = costly(found, worst)
    return said + (f"; more load than others: {words.joined(names)}" if names else "")


def _cancelled(found: Found, mean: pd.DataFrame) -> str:
    """Say where load and crew cancel, or cannot be told apart while both seem to act; '' where nothing does.

    `mean`: speed, its parts and their errors over the takes, by the half beats of the score.
    """
    bars, starts = bar_starts(found.notes)
    bar = bars[np.clip(np.searchsorted(starts, mean.index.to_numpy(float), side="right") - 1, 0, None)]
    means = mean.groupby(bar).mean()
    small = means[["load", "motion"]].abs().min(axis=1)
    on = (means["load"] * means["motion"] < 0) & (small >= WORTH) & (means["speed"].abs() < small / 2)
    if not on.any():
        return ""
    # Of the runs of bars the one in which most cancels.
    run = (~on).cumsum()
    worst = means[on & (run == run[small.where(on).idxmax()])]
    load, crew = worst["load"].mean(), worst["motion"].mean()
    load_se, own_se = worst["load_se"].mean(), worst["own_se"].mean()
    where = f"bar {worst.index[0]}" if len(worst) == 1 else f"bars {worst.index[0]}–{worst.index[-1]}"
    if (
        not words.known(load_se)
        or abs(load) <= words.SURELY * load_se
        or abs(crew) <= words.SURELY * np.hypot(load_se, own_se)
    ):
        return f". In {where} load and crew may cancel; they cannot be told apart there"
    return (
        f". In {where} they cancel: by load it is {words.slower(-load, load_se)}, "
        f"by the crew {words.slower(-crew, np.hypot(load_se, own_se))}"
    )


def _as_slow(found: Found, slow: pd.DataFrame) -> str:
    """Name the passages that may be as slow as the slowest."""
    first, others = slow.iloc[0], slow.iloc[1:]
    near = others[first["sag"] - others["sag"] <= words.SURELY * np.hypot(first["sag_se"], others["sag_se"])]
    if not len(near):
        return ""
    names = [_named(found, passage) for _, passage in near.iterrows()]
    return f". {words.capital(words.joined(names if len(names) < 3 else [f'{len(names)} others']))} may be as slow"


def _trend_said(used: pd.DataFrame) -> str:
    """Say how the tempo goes over a take: where the takes agree on it, of one where it is more than a crew wanders."""
    rows = used.dropna(subset="tempo_trend_per_min")
    per_min = rows["tempo_trend_per_min"].astype(float)
    if not len(per_min) or abs(per_min.mean()) < WORTH_PER_MIN:
        return ""
    if len(per_min) > 1:
        reach = stats.t.ppf(0.975, len(per_min) - 1) * per_min.std() / np.sqrt(len(per_min))
    else:
        reach = words.SURELY * rows["tempo_trend_se_per_min"].astype(float).fillna(np.inf).iloc[0]
    if abs(per_min.mean()) <= reach:
        return ""
    way = "rises" if per_min.mean() > 0 else "falls"
    over = "Over a take" if len(per_min) > 1 else "In this take"
    return f". {over} the tempo {way} by {words.percent(abs(per_min.mean()))} a minute"


def bars_said(found: Found, passage: pd.Series) -> str:
    """Write the bars of a passage: `21–32`, of a refrain `9–12, 21–24`."""
    runs = bars_of(found.notes, passage["passage"])
    runs = runs or [(int(passage["first_bar"]), int(passage["last_bar"]))]
    return ", ".join(f"{first}–{last}" for first, last in runs)


def _named(found: Found, passage: pd.Series) -> str:
    bars = f"bars {bars_said(found, passage)}"
    return f"“{passage['passage']}” ({bars})" if passage["passage"] else bars


def _strikes_said(felt: pd.DataFrame, judged: pd.DataFrame) -> str:
    noticed = judged[judged["noticed"]]
    if not len(judged):
        said = "No strike can be judged: none follows another by 0.1 to 1 s, or the felt beat is too uncertain"
    elif len(noticed):
        late = int((noticed["felt_s"] > 0).sum())
        said = f"{words.part_of(len(noticed), len(judged), 'strikes')} are noticed: {late} late, "
        said += f"{len(noticed) - late} early"
        said += _most_often(judged)
        worst = noticed.loc[noticed["felt_s"].abs().idxmax()]
        said += (
            f". Furthest: {worst['striker']}, {words.place(worst['bar'], worst['beat_in_bar'])}, "
            f"{words.late(worst['felt_s'], worst['felt_se'])} against the strikes before"
        )
    else:
        said = f"None of {words.count(len(judged), 'strike')} is noticed"
    beyond = int((felt["felt_s"].abs() > _felt_reach(felt)).sum())
    if beyond:
        said += f"; {words.count(beyond, 'strike')} beyond the scale {'lies' if beyond == 1 else 'lie'} at its edge"
    return words.sentence(said)


def _most_often(judged: pd.DataFrame) -> str:
    """Name the passage in which strikes are noticed more often than elsewhere by more than chance; '' without one.

    The chance of so many among so many strikes (hypergeometric), times the passages that were looked at.
    """
    passages = judged.groupby("passage", sort=True)["noticed"].agg(["sum", "size"])
    passages = passages[(passages["size"] >= LEAST_STRIKES) & (passages.index != "")]
    if len(passages) < 2:
        return ""
    name = (passages["sum"] / passages["size"]).idxmax()
    worst = passages.loc[name]
    chance = stats.hypergeom.sf(worst["sum"] - 1, len(judged), judged["noticed"].sum(), worst["size"])
    if chance * len(passages) > 0.05:
        return ""
    return f"; most often in “{name}”: {words.part_of(worst['sum'], worst['size'], 'strikes')}"


def _reach(values: np.ndarray, least: float) -> tuple[float, float]:
    values = values[np.isfinite(values)]
    low, high = min(float(values.min()), -least), max(float(values.max()), least)
    spare = 0.06 * (high - low)
    return low - spare, high + spare
