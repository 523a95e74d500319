"""Write the unrolled barrel at true scale, to be laid on it.

Out: one SVG of everything, for a plotter; and a page that prints it in parts on A4 (ISO 216: 210 x 297 mm) or letter
(8.5 x 11 in), with a ruler that tells whether the printer kept the scale.
"""

import math
from html import escape

from pipeline import words
from pipeline.exports.strip import Pin, Strip
from pipeline.exports.strip_drawing import (
    AXIS_MM,
    GAP_MM,
    HEAD_MM,
    ROW_MM,
    RULER_MM,
    View,
    drawn,
    height_mm,
    svg,
)

PAGE_MM = 262.0, 190.0  # width and height that A4 and letter both hold on their side, within margins of 8 mm
STEP_MM, OVERLAP_MM = 240.0, 10.0  # of the strip on a page; what the next repeats


def strip_svg(strip: Strip) -> str:
    """Return the whole strip as one SVG at true scale, its turns one below another."""
    view = View(-OVERLAP_MM, strip.length_mm + OVERLAP_MM)
    width_mm = max(view.width_mm, PAGE_MM[0])
    bands = _bands(strip)
    tall_mm = HEAD_MM + sum(height_mm(rows) for _, rows in bands)
    return svg(width_mm, tall_mm, drawn(strip, bands, view, f"{strip.of}: the whole strip"))


def strip_html(strip: Strip) -> str:
    """Return the strip in pages that print at true scale on A4 and letter; the first says what to do."""
    pages = _pages(strip)
    sheets = []
    for number, (bands, view) in enumerate(pages, 2):
        title = f"{strip.of}: page {number} of {len(pages) + 1}"
        sheets.append(svg(*PAGE_MM, drawn(strip, bands, view, title)))
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>Barrel strip</title>'
        f"<style>{_STYLE}</style>{_cover(strip, pages)}{''.join(sheets)}</html>\n"
    )


_STYLE = f"""
@page {{ size: landscape; margin: 8mm }} body {{ margin: 0; font: 11pt sans-serif; color: #000; background: #fff }}
svg {{ display: block; break-before: page; break-inside: avoid }} h1 {{ font-size: 15pt; margin: 0 0 .3em }}
section {{ max-width: {PAGE_MM[0]:g}mm }} .caution {{ border: 2pt solid #000; padding: .4em }}
li, p {{ margin: .3em 0 }}
"""


def _bands(strip: Strip) -> list[tuple[int, list[int]]]:
    """Return what is drawn below one another: turns with their rows, as many as a page holds."""
    rows = sorted({pin.row for pin in strip.pins})
    most = int((PAGE_MM[1] - HEAD_MM - AXIS_MM - GAP_MM) // ROW_MM)
    parts = [rows[n : n + most] for n in range(0, len(rows), most)]
    return [(turn, part) for turn in range(1, strip.n_turns + 1) for part in parts]


def _pages(strip: Strip) -> list[tuple[list, View]]:
    """Return what is drawn on each page: its bands and their part; each repeats the end of the one before."""
    bands = _bands(strip)
    n_below = max(1, int((PAGE_MM[1] - HEAD_MM) // max(height_mm(rows) for _, rows in bands)))
    n_steps = max(1, math.ceil((strip.length_mm - OVERLAP_MM / 2) / STEP_MM))
    joins = tuple(STEP_MM * step for step in range(1, n_steps))
    lows_mm = [STEP_MM * step - OVERLAP_MM / 2 for step in range(n_steps)]
    views = [View(low_mm, low_mm + STEP_MM + OVERLAP_MM, joins) for low_mm in lows_mm]
    groups = [bands[n : n + n_below] for n in range(0, len(bands), n_below)]
    return [(group, view) for group in groups for view in views]


def _cover(strip: Strip, pages: list) -> str:
    """Return the first page: caution, what to measure first, which pages the jobs are on."""
    steps = [
        "Print at 100 % (“actual size”, never “fit to page”), on its side.",
        f"Measure the ruler on each page that you use. If it is not {RULER_MM:g} mm, do not use the page.",
        "Join pages that you need together: cut one along the dashed line and lay it on the same line of the next, "
        "+ on +. They go on to the left.",
        "Lay the strip on the barrel so that “direction of rotation” points as the barrel turns, and 0° on the index "
        "mark: where the first beat of the song strikes.",
        f"It is true where the barrel measures {strip.diameter_mm:g} mm: over the pins, where they strike. There 0° "
        f"and 360° meet, after {strip.length_mm:.1f} mm. Where they do not, as on the bare barrel between the pins, go "
        "by the degrees.",
        "The distance of the rows is for reading only, not that of the barrel: use one row at a time. "
        + ("" if strip.n_turns == 1 else "Each turn has its own strip."),
        "| is where the arrangement wants a pin. Of a pin to move, ○ is where it is found now, the heavy line where it "
        "shall stand, and the arrow says which way it goes: forward is in the direction of rotation.",
    ]
    moves = [
        f"page {_page_of(pin, pages)}: row {pin.row} {strip.strikers[pin.row - 1]}, turn {pin.turn}, "
        f"{pin.index_mm:.1f} mm from the index mark, {pin.note}: {pin.said}"
        for pin in strip.jobs
    ]
    none = "No pin is surely out of place: the strip shows where the arrangement wants them."
    return (
        f'<section><h1>Barrel strip: {escape(strip.of)}</h1><p class="caution">{escape(words.CAUTION)}</p>'
        f"<ul>{_items(steps)}</ul><p>{'<b>Pins to move</b>, by their number:' if moves else none}</p>"
        f"<ol>{_items(moves)}</ol></section>"
    )


def _items(lines: list[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _page_of(pin: Pin, pages: list) -> int:
    """Return the page that shows where a pin shall stand, furthest from its edges."""
    shown = [
        (abs((view.low_mm + view.high_mm) / 2 - pin.index_mm), number)
        for number, (bands, view) in enumerate(pages, 2)
        if any(turn == pin.turn and pin.row in rows for turn, rows in bands)
    ]
    return min(shown)[1]
