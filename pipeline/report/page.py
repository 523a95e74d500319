"""Put the page together: sections, tables and pictures into one file that needs nothing else."""

from pathlib import Path

import jinja2
from markupsafe import Markup

from pipeline import tables, words
from pipeline.report import (
    barrel,
    causes,
    click,
    lists,
    news,
    remainders,
    shafts,
    since,
    slips,
    song,
    takes,
    verdict,
    what_if,
)
from pipeline.report.results import Found, Results

HERE = Path(__file__).parent


def write(folder, found: Results) -> None:
    """Write `folder`/index.html, whole or not at all.

    Parameters
    ----------
    folder : path-like
        Made where missing.
    found : Results
        What `results.read` returns.
    """
    text = render(found)
    with tables.replacing(Path(folder, "index.html")) as file:
        file.write(text.encode())


def render(found: Results) -> str:
    """Return the page: the same tables give the same bytes."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {
        "words": words,
        "news": news,
        "verdict": verdict,
        "lists": lists,
        "since": since,
        "click": click,
        "wobble": shafts,
        "slips": slips,
        "remainder": remainders,
        "what_if": what_if,
    }
    environment.filters["drawn"] = Markup  # our own SVG, in which drawing.py has escaped what the user wrote
    return environment.get_template("page.html").render(
        style=Markup((HERE / "page.css").read_text(encoding="utf-8")),
        results=found,
        sections=[_section(found, one, number) for number, one in enumerate(found.sections)],
        refused=news.refused(found),
    )


def _section(all_found: Results, found: Found, number: int) -> dict:
    """Return what the template shows of one group."""
    pictures = {
        "speed": song.speed(found),
        "strikes": song.strikes(found),
        "barrel": barrel.unrolled(found),
        "turn": shafts.circle(found),
        "felt": causes.budget(found, "felt"),
        "song": causes.budget(found, "song"),
    }
    # The build days of an arrangement stand once, under its newest group.
    first = next(one for one in all_found.sections if one.group.arrangement == found.group.arrangement)
    pictures["days"] = causes.build_days(all_found, found) if first is found else None
    pictures["takes"] = takes.chart(all_found, found) if first is found else None
    return {"number": number, "found": found, "pictures": pictures}
