"""Look whether what the model leaves still shows something: findings, not parts of the model.

*swing*: after strikes the lateness swings at a fixed number of hertz, as on a spring. A damped sine and cosine behind
every strike, as large as its drag, are tested beside the whole model (Rao's score test) at each frequency of a grid.

*humps*: the strikes of a striker, or of all, come at one of two times (play in a lever or a drive). The dip of
Hartigan & Hartigan (1985) of place and remainder together; where a pin keeps its hump from take to take, the two humps
are two places of the pins, and nothing is said.

*pace*: the delay of a striker changes with the speed, otherwise than the place of its lever would make it: a place
costs time as 1/speed, so the change per unit of relative pace is the whole delay.

Each kind is tested at a third of LEVEL, counting all that was looked at (Bonferroni).
"""

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.model import design, dip, periodogram
from pipeline.timing.model.solution import Solved

LEVEL = 0.02  # chance of a finding in a group that has none
FREQUENCIES_HZ = np.arange(2.0, 20.01, 0.25)  # below, the slow motion follows; above, placing and scatter hide it
DAMPING_S = 0.3  # over which a swing falls to 1/e; from 0.1 to 1 s, 3/4 of the amplitude at least is seen
LEAST_INFORMATION = 1e-3  # of what a swing would tell alone, below which something else tells it whole
SOON_S = 0.02  # a strike so near before is company
FEWEST_STRIKES = 40  # of a striker, for its humps: fewer show only humps further apart than any play
FEWEST_REPEATS = 10  # pins with two strikes or more that tell whether a pin keeps its hump
SURELY = 1.96  # standard errors on either side that hold 95 of 100
NAMES = ["kind", "striker", "size_s", "size_se", "frequency_hz", "p_value"]


def found(prepared: Prepared, solved: Solved, hits: pd.DataFrame, drag, delays) -> pd.DataFrame:
    """Return the findings, `NAMES`; striker −1: all.

    Parameters
    ----------
    hits : pd.DataFrame
        Of `Fit`.
    drag : np.ndarray, shape=(n_strikers,)
    delays : tuple of np.ndarray, shape=(n_strikers,)
        Delay, its error; delay by pace, its error.
    """
    rows = [*_swing(prepared, solved, drag), *_humps(hits), *_by_pace(*delays)]
    rows = [row for row in rows if row[-1] <= LEVEL / 3]
    return pd.DataFrame(rows, columns=NAMES).sort_values(["kind", "striker"], ignore_index=True)


def delay_by_pace(prepared: Prepared, solved: Solved) -> tuple[np.ndarray, np.ndarray]:
    """Return the change of each delay with the relative pace (s) and its error; NaN for strikers that are not heard.

    Beside the whole model, against the mean of all strikers: what all share is the motion's.
    """
    hits, heard = prepared.hits, prepared.strikers.heard
    change, se = (np.full(prepared.strikers.n, np.nan) for _ in range(2))
    if len(heard) < 2:
        return change, se
    basis = design.contrasts(len(heard))
    pace = solved.data.relative_pace
    columns = ((hits.striker[:, None] == heard) @ basis) * (pace - pace.mean())[:, None]
    score, information, most = periodogram.score(solved, columns)
    size, axes = np.linalg.eigh((information + information.T) / 2)
    told = size > 1e-6 * most.max(initial=0.0)
    if not told.all():
        return change, se
    spread = basis @ axes / np.sqrt(size)
    change[heard] = spread @ ((axes.T @ score) / np.sqrt(size))
    se[heard] = np.sqrt((spread**2).sum(axis=1))
    return change, se


def _swing(prepared, solved, drag):
    """Return the swing, as a row; none where nothing tells one.

    Beside a lateness that only fades after each strike: that is a load which the law of the load does not say rightly.
    """
    n, columns, fading = len(FREQUENCIES_HZ), waves(prepared, drag, FREQUENCIES_HZ), waves(prepared, drag, np.zeros(1))
    power, size = np.zeros(n), np.zeros((n, 2))
    for number in range(n):
        three = np.column_stack([columns[:, number].real, columns[:, number].imag, fading.real])
        score, information, most = periodogram.score(solved, three)
        if np.linalg.eigvalsh(information)[0] <= LEAST_INFORMATION * most.max(initial=1e-12):
            continue  # strikes on an even grid cannot tell this frequency from fading
        taken = np.outer(information[:2, 2], information[2, :2]) / information[2, 2]
        score, information = score[:2] - information[:2, 2] * score[2] / information[2, 2], information[:2, :2] - taken
        estimate = np.linalg.solve(information, score)
        along = estimate / max(np.hypot(*estimate), 1e-12)
        power[number] = score @ estimate
        size[number] = np.hypot(*estimate), 1 / np.sqrt(along @ information @ along)
    best = int(np.argmax(power))
    if power[best] == 0:
        return []
    # Written on a grid, strikes come after even times, and by these one frequency looks like another.
    rivals = power[np.abs(FREQUENCIES_HZ - FREQUENCIES_HZ[best]) > 1 / DAMPING_S / np.pi]
    one = power[best] - rivals.max(initial=0.0) > stats.chi2.isf(0.05, 2)
    p_value = min(1.0, n * float(stats.chi2.sf(power[best], 2)))
    return [("swing", -1, *size[best], FREQUENCIES_HZ[best] if one else np.nan, p_value)]


def waves(prepared: Prepared, drag, frequency_hz) -> np.ndarray:
    """Return, per hit and frequency, the sum over the strikes before of weight × e^(−t/DAMPING_S) e^(2πi f t).

    Returns
    -------
    np.ndarray of complex, shape=(n_hits, n_frequencies)
    """
    rows, hits, pace = prepared.strikes.rows, prepared.hits, prepared.lines.pace
    fires = rows[rows["fires"]]
    weight = np.maximum(np.nan_to_num(drag), 0.0)[fires["striker"]]
    weight = weight / weight.mean() if weight.sum() > 0 else np.ones(len(fires))
    line = fires["line"].to_numpy()
    at_s = fires["along_s"].to_numpy() * pace[line]
    hit_at_s = hits.along_s * pace[hits.line]
    rate = 2j * np.pi * frequency_hz - 1 / DAMPING_S
    out = np.zeros((len(hit_at_s), len(rate)), dtype=complex)
    for one in np.unique(hits.line):
        on = np.flatnonzero(hits.line == one)
        mine, order = line == one, np.argsort(hit_at_s[on], kind="stable")
        behind = _behind(at_s[mine], weight[mine], hit_at_s[on][order], rate)
        out[on[order]] = behind
    return out


def _behind(struck_s, weight, at_s, rate):
    """Return the sum at sorted places of what the sorted strikes SOON_S and more before each have left."""
    out, state, now_s, number = np.empty((len(at_s), len(rate)), dtype=complex), np.zeros(len(rate), complex), 0.0, 0
    for place, here_s in enumerate(at_s.tolist()):
        while number < len(struck_s) and struck_s[number] <= here_s - SOON_S:
            state = state * np.exp(rate * (struck_s[number] - now_s)) + weight[number]
            now_s, number = struck_s[number], number + 1
        out[place] = state * np.exp(rate * (here_s - now_s))
    return out


def _humps(hits):
    """Return the strikers that come at one of two times; all of them if they do without these, too."""
    good = hits[~hits["freak"] & (hits["shared"] == 1)]
    good = good.assign(value=good["pin_s"] + good["rest_s"])
    groups = {int(striker): rows for striker, rows in good.groupby("striker") if len(rows) >= FEWEST_STRIKES}
    found = {striker: _two(rows, 1 + len(groups)) for striker, rows in groups.items()}
    rows = [("humps", striker, *two) for striker, two in found.items() if two is not None]
    others = good[~good["striker"].isin([row[1] for row in rows])]
    if good["striker"].nunique() > 1 and len(others) >= FEWEST_STRIKES:
        centred = others["value"] - others.groupby("striker")["value"].transform("mean")
        two = _two(others.assign(value=centred), 1 + len(groups))
        if two is not None:
            return [("humps", -1, *two)]
    return rows


def _two(rows, n_looked):
    """Return distance of two humps, its error, no frequency, and their chance; None without two, or of two places."""
    value = rows["value"].to_numpy()
    p_value = min(1.0, n_looked * dip.chance(dip.dip(value), len(value)))
    if p_value > LEVEL / 3:
        return None
    limit = _between(value)
    late = value > limit
    if _kept(rows["pin"].to_numpy(), late):
        return None
    one, other = value[~late], value[late]
    error = np.sqrt(one.var() / len(one) + other.var() / len(other))
    return other.mean() - one.mean(), error, np.nan, p_value


def _between(value):
    """Return the limit between two groups of which each value is nearer to the mean of its own (Lloyd 1982)."""
    limit = np.mean(np.quantile(value, [0.1, 0.9]))
    for _ in range(50):
        limit, before = (value[value > limit].mean() + value[value <= limit].mean()) / 2, limit
        if limit == before:
            break
    return limit


def _kept(pin, late) -> bool:
    """Tell whether pins keep their hump from strike to strike, or nothing tells that they do not."""
    pins = pd.DataFrame({"pin": pin, "late": late}).groupby("pin")["late"].agg(["sum", "size"])
    pins = pins[pins["size"] > 1]
    if len(pins) < FEWEST_REPEATS:
        return True
    one, n, share = pins["sum"].to_numpy(), pins["size"].to_numpy(), late.mean()
    alike = (one * (one - 1) + (n - one) * (n - one - 1)) / (n * (n - 1))
    more = alike - (share**2 + (1 - share) ** 2)
    return bool(more.mean() > SURELY * more.std(ddof=1) / np.sqrt(len(more)))


def _by_pace(delay, delay_se, change, change_se):
    """Return the strikers whose delay changes with the pace, and not as a place would make it.

    Against the middle one: the mean of all moves with one that changes.
    """
    told = np.flatnonzero(change_se > 0)
    rows = []
    for one in told:
        more, late_s = change[one] - np.median(change[told]), delay[one] - np.median(delay[told])
        error = np.hypot(change_se[one], np.median(change_se[told]))
        p_value = min(1.0, len(told) * 2 * float(stats.norm.sf(abs(more) / error)))
        if abs(more - late_s) > SURELY * np.hypot(error, delay_se[one]):
            rows.append(("pace", int(one), more, error, np.nan, p_value))
    return rows
