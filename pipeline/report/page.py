"""Put the page together: sections, tables and pictures into one file that needs nothing else."""

from pathlib import Path

import jinja2
from markupsafe import Markup

from pipeline import tables, words
from pipeline.report import (
    barrel,
    by_hand,
    causes,
    click,
    lists,
    moments,
    news,
    remainders,
    run_down,
    shafts,
    since,
    slips,
    song,
    taken_along,
    takes,
    verdict,
    what_if,
)
from pipeline.report.results import Found, Results

HERE = Path(__file__).parent


def write(folder, found: Results) -> None:
    """Write `folder`/index.html and the sounds that it plays, each whole or not at all.

    Parameters
    ----------
    folder : path-like
        Made where missing.
    found : Results
        What `results.read` returns.
    """
    heard, sounds = _heard(found)
    for name, sound in sounds.items():
        with tables.replacing(Path(folder, name)) as file:
            file.write(sound)
    text = render(found, heard, taken_along.links(found.settings))
    with tables.replacing(Path(folder, "index.html")) as file:
        file.write(text.encode())
    for old in sorted(Path(folder).glob(moments.FILES)):
        if str(old.relative_to(folder)) not in sounds:
            old.unlink()


def render(found: Results, heard: dict | None = None, links: list | None = None) -> str:
    """Return the page: the same tables give the same bytes.

    Parameters
    ----------
    heard : dict of list of Moment, optional
        By the number of the section.
    links : list of taken_along.Links, optional
    """
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
        "run_down": run_down,
        "what_if": what_if,
    }
    environment.filters["drawn"] = Markup  # our own SVG, in which drawing.py has escaped what the user wrote
    return environment.get_template("page.html").render(
        style=Markup((HERE / "page.css").read_text(encoding="utf-8")),
        results=found,
        sections=[_section(found, one, number) for number, one in enumerate(found.sections)],
        heard=heard or {},
        links=links or [],
        refused=news.refused(found),
        by_hand=by_hand.said(found.settings),
    )


def _heard(found: Results) -> tuple[dict[int, list[moments.Moment]], dict[str, bytes]]:
    """Return the moments of each section, and the files that they play."""
    heard, sounds, count = {}, {}, 0
    for number, section in enumerate(found.sections):
        chosen = moments.moments(found.settings, section, count)
        count += len(chosen)
        made = [moments.with_sound(found.settings, section, one) for one in chosen]
        heard[number] = [one for one, _ in made]
        sounds |= {one.file: sound for one, sound in made if one.file}
    return heard, sounds


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
