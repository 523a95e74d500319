"""List the pins: how late each is by itself, in seconds and in millimetres on the barrel."""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import flywheel, settings, tables
from pipeline.timing.data import strikes as struck
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.model import pin_rates
from pipeline.timing.tables import group_keys

NO_ANGLE_TURN = 1e-9  # a place nearer to a whole turn is at the mark; far below what floats lose over a song
# Of σ_P², a posterior variance from which on an estimate is the prior's: the strikes alone have 20 × its variance. So
# little is said by strikes far out, of small weight, and what those say is no normal error; chosen.
MOST_PRIOR = 0.95
MOSTLY = 0.5  # of the strikes of a pin, that must come with others


def pins(group: settings.Group, machine: settings.Machine, fitted: Fit) -> pa.Table:
    """Return the table 'pins': every pin that some take should have heard."""
    rows = fitted.strikes.rows
    every = pd.Index(sorted(set(rows.loc[rows["played"] | (rows["status"] == "missed"), "pin"])), name="pin")
    known = fitted.pins.set_index("pin").reindex(every)
    first = fitted.score.notes.groupby("pin_id").first().loc[every]
    columns = group_keys.of_group(group, len(every))
    columns |= {
        "pin_id": every.to_numpy(),
        "offset_s": known["offset_s"].fillna(0.0).to_numpy(),
        # A pin that never struck is an ordinary one as far as we know.
        "offset_se": known["offset_se"].fillna(fitted.scales.pin_sd_s).to_numpy(),
        **_free(known, fitted.scales.pin_sd_s),
        **_counts(rows, every),
        "q_value": known["q_value"].fillna(1.0).to_numpy(),
        "misplaced": (known["misplaced"] == True).to_numpy(),  # noqa: E712 (null is no)
    }
    columns["or_company"] = _or_company(fitted, every, columns["offset_s"], columns["misplaced"])
    columns["misplaced"] = columns["misplaced"] & ~columns["or_company"]
    columns["q_value"] = np.where(columns["or_company"], 1.0, columns["q_value"])
    striker = pd.factorize(first["striker"])[0]
    columns["miss_q_value"] = pin_rates.q_values(
        columns["n_failed"], columns["n_struck"] + columns["n_failed"], striker
    )
    columns["offset_mm"] = columns["offset_s"] * surface_mm_per_s(machine, fitted)
    for name in ("note_id", "striker", "bar", "beat_in_bar", "barrel_turn"):
        columns[name] = first[name].to_numpy()
    columns["index_deg"], columns["index_mm"] = from_index(columns["barrel_turn"], machine.barrel)
    return tables.build("pins", columns)


def _or_company(fitted: Fit, every: pd.Index, offset_s: np.ndarray, misplaced: np.ndarray) -> np.ndarray:
    """Return which misplaced pins may be late because others fire with them.

    Where a striker fires with others at a pin or two, the model has no company of it (`prepare.EFFECT_PINS`), and what
    others do to it looks like the place of these pins. A pin of it that fires with others and is not half as late
    says that it is the place.
    """
    rows = fitted.strikes.rows
    n_others = struck.company(fitted.strikes, np.ones(len(fitted.company)))
    strikes = pd.DataFrame({"with_others": n_others > 0, "striker": rows["striker"], "pin": rows["pin"]})
    of_pin = strikes[rows["played"]].groupby("pin").agg({"with_others": "mean", "striker": "first"}).reindex(every)
    with_others, striker = of_pin["with_others"].to_numpy(float) > MOSTLY, of_pin["striker"].to_numpy(float)
    late = misplaced & with_others & (offset_s > 0)
    untold = np.zeros(len(every), dtype=bool)
    for one in np.unique(striker[late]).astype(int):
        mine = late & (striker == one)
        in_time = with_others & (striker == one) & (offset_s < offset_s[mine].min() / 2)
        untold[mine] = np.isnan(fitted.company[one]) and not in_time.any()
    return untold


def _free(known, pin_sd_s):
    """Return what the strikes alone say of each pin: its estimate with the prior N(0, σ_P²) taken out again.

    Posterior ∝ prior × likelihood: 1/V = 1/σ_P² + 1/V_free, of one σ_P: the likeliest. By other scales the prior is
    another one, and what they add to the variance is no prior: it is added again. Flagged pins have no prior and stay
    as they are. What never struck, or whose strikes scatter far more than pins do, has nothing but the prior: null.
    """
    offset_s, own, variance = (known[name].to_numpy() for name in ("likeliest_s", "likeliest_se", "offset_se"))
    own, variance = own**2, variance**2
    drawn = (known["misplaced"] == False).to_numpy()  # noqa: E712 (null is no)
    told = drawn & (own < MOST_PRIOR * pin_sd_s**2)
    stretch = 1 / (1 - np.where(told, own, 0.0) / pin_sd_s**2)
    free_variance = own * stretch + np.maximum(variance - own, 0.0)
    known_at_all = (told | ~drawn) & (known["n_played"] > 0).to_numpy()
    return {
        "free_s": np.where(known_at_all, np.where(told, offset_s * stretch, known["offset_s"].to_numpy()), np.nan),
        "free_se": np.where(known_at_all, np.sqrt(np.where(told, free_variance, variance)), np.nan),
    }


def _counts(rows, every):
    """Return playthroughs and strikes per pin; a pin that comes round strikes several times a playthrough."""
    rows = rows.assign(missed=rows["status"] == "missed")
    rows = rows[rows["played"] | rows["missed"]]
    struck = rows.groupby(["pin", "take", "playthrough"])["played"].any().groupby("pin").agg(["sum", "size"])
    strikes = rows.groupby("pin")[["played", "missed"]].sum().reindex(every)
    return {
        "n_takes": struck["sum"].reindex(every).to_numpy(),
        "n_missed": (struck["size"] - struck["sum"]).reindex(every).to_numpy(),
        "n_struck": strikes["played"].to_numpy(),
        "n_failed": strikes["missed"].to_numpy(),
    }


def from_index(barrel_turn, barrel: settings.Barrel) -> tuple[np.ndarray, np.ndarray]:
    """Return degrees and mm from the index mark to each place; NaN where the barrel's bars or its size are not told.

    The mark stands where the first beat of the song strikes. What comes later in a turn lies behind it, against the
    direction of rotation.
    """
    turn = np.asarray(barrel_turn, dtype=float) % 1.0 if barrel.bars_per_turn else np.full(len(barrel_turn), np.nan)
    turn = np.where(1 - turn < NO_ANGLE_TURN, 0.0, turn)
    return 360 * turn, turn * np.pi * (barrel.diameter_mm or np.nan)


def turn_per_s(fitted: Fit) -> float:
    """Return how fast the barrel turned in these takes, turns per second; NaN when its angles are not told."""
    notes = fitted.score.notes.sort_values("score_s")
    span_s = notes["score_s"].iloc[-1] - notes["score_s"].iloc[0]
    span_turn = notes["barrel_turn"].iloc[-1] - notes["barrel_turn"].iloc[0]
    if not span_s > 0 or not span_turn > 0:
        return np.nan
    played = np.bincount(fitted.hits["line"], minlength=len(fitted.line_pace))
    return float(span_turn / span_s / np.average(fitted.line_pace, weights=played))


def surface_mm_per_s(machine: settings.Machine, fitted: Fit) -> float:
    """Return the speed of the barrel's surface; NaN when its diameter is not told."""
    diameter_mm = machine.barrel.diameter_mm
    return flywheel.surface_mm_per_s(diameter_mm, turn_per_s(fitted)) if diameter_mm else np.nan
