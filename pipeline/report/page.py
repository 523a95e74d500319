"""Put the page together: sections, tables and pictures into one file that needs nothing else."""

import os
import tempfile
from pathlib import Path

import jinja2
import numpy as np
import pandas as pd
from markupsafe import Markup

from pipeline.report import barrel, causes, news, results, song, verdict, words
from pipeline.report.results import Found, Results

HERE = Path(__file__).parent
TREND_ORDER = list(words.QUANTITIES)


def write(folder, settings) -> None:
    """Write `folder`/index.html, whole or not at all.

    Parameters
    ----------
    folder : path-like
        Made where missing.
    settings : settings.Settings

    Raises
    ------
    InputError
        A table is missing or of another version.
    """
    text = render(results.read(settings))
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=".", suffix=".part", dir=folder)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as sink:
            sink.write(text)
        os.chmod(temporary, 0o644)
        os.replace(temporary, folder / "index.html")
    except BaseException:
        os.unlink(temporary)
        raise


def render(found: Results) -> str:
    """Return the page: the same tables give the same bytes."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {"words": words, "news": news, "verdict": verdict, "barrel": barrel}
    environment.filters["drawn"] = Markup  # our own SVG, in which drawing.py has escaped what the user wrote
    return environment.get_template("page.html").render(
        style=Markup((HERE / "page.css").read_text(encoding="utf-8")),
        results=found,
        sections=[_section(found, one, number) for number, one in enumerate(found.sections)],
        refused=news.refused(found),
        recordings=[_recording(row) for row in found.recordings.itertuples(index=False)],
        setups=_setups(found),
    )


def _section(all_found: Results, found: Found, number: int) -> dict:
    """Return what the template shows of one group."""
    pictures = {
        "speed": song.speed(found),
        "strikes": song.strikes(found),
        "barrel": barrel.unrolled(found),
        "felt": causes.budget(found, "felt"),
        "song": causes.budget(found, "song"),
    }
    # The build days of an arrangement stand once, under its newest group.
    first = next(one for one in all_found.sections if one.group.arrangement == found.group.arrangement)
    pictures["days"] = causes.build_days(all_found, found) if first is found else None
    return {
        "number": number,
        "found": found,
        "pictures": pictures,
        "trend": _trend(found),
        "strikers": _strikers(found),
        "shafts": found.shafts.sort_values("amplitude_s", ascending=False, kind="stable"),
    }


def _strikers(found: Found) -> pd.DataFrame:
    """Return the strikers in the order of the machine."""
    rank = {striker.name: place for place, striker in enumerate(found.machine.strikers)}
    order = found.strikers["striker"].map(lambda name: rank.get(name, len(rank)))
    return found.strikers.assign(rank=order).sort_values(["rank", "striker"])


def _trend(found: Found) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Return quantity, today's value and the changes against previous, first and baseline."""
    lines = []
    changed = found.trend[found.trend["change"].notna()]
    for quantity in sorted(set(changed["quantity"]), key=lambda name: (_rank(name), name)):
        rows = changed[changed["quantity"] == quantity].set_index("against")
        value = words.quantity(quantity, rows["value"].iloc[0])
        changes = [
            (against, news.changed(quantity, rows.loc[against]))
            for against in ("previous", "first", "baseline")
            if against in rows.index
        ]
        lines.append((words.quantity_name(quantity), value, changes))
    return lines


def _rank(quantity: str) -> int:
    return TREND_ORDER.index(quantity) if quantity in TREND_ORDER else len(TREND_ORDER)


def _recording(row) -> dict:
    """Return a recording with its faults parted into what was found and the cure."""
    faults = []
    for fault in row.health:
        said, _, cure = fault.rpartition("; ")
        faults.append((said, cure) if said else (fault, ""))
    return {"row": row, "faults": faults}


def _setups(found: Results) -> pd.DataFrame:
    """Return the set-ups of the leading arrangement, the one on the machine now first; empty with only one."""
    if not found.sections:
        return found.setups.iloc[:0]
    lead = found.sections[0].group
    rows = found.setups[found.setups["arrangement"] == lead.arrangement]
    if len(rows) < 2:
        return rows.iloc[:0]
    rows = rows.assign(other=rows["setup"] != lead.setup).sort_values(["other", "setup"], kind="stable")
    now = rows.iloc[0]
    for name in ("energy_j", "rim_m_per_s"):
        known = words.known(now[name]) and now[name] > 0
        rows[f"{name}_times"] = rows[name].astype(float) / float(now[name]) if known else np.nan
    return rows
