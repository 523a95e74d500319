"""Draw a part of the unrolled barrel in mm: one unit of the drawing is one mm.

            direction of rotation -->
     360° |                          | 0°     what strikes later lies behind: mm and degrees grow to the left
          |          o->|            |        forward is to the right; o: where the pin is found, |: where it shall be

Only lengths along the circumference are true: the distance of the rows is not known.
"""

from dataclasses import dataclass
from html import escape

from pipeline import words
from pipeline.exports.strip import Pin, Strip

ROW_MM, AXIS_MM, GAP_MM = 9.0, 13.0, 6.0  # heights, for reading only: of a row, of the degrees above it, between turns
PIN_MM = 4.5  # how high a pin is drawn
HEAD_MM = 34.0  # of title, caution and ruler on each page
SIDE_MM = 6.0  # free at both sides
RULER_MM = 100.0
TICK_MM, LABEL_MM, TICK_DEG = 10, 50, 5
LABEL_ROOM_MM = 15.0  # that `12.3 mm` takes
LEAST_TICK_DEG_MM = 3.0  # degrees closer than this are marked every 10 or 30


@dataclass(frozen=True)
class View:
    """What a drawing shows: mm from the index mark, `low_mm` on its right; `joins` are cut lines between pages."""

    low_mm: float
    high_mm: float
    joins: tuple[float, ...] = ()

    @property
    def width_mm(self) -> float:
        """How wide the sheet is."""
        return self.high_mm - self.low_mm + 2 * SIDE_MM

    def x(self, at_mm: float) -> float:
        """Return where on the sheet a place lies."""
        return SIDE_MM + self.high_mm - at_mm

    def shows(self, at_mm: float) -> bool:
        """Tell whether a place lies on the sheet."""
        return self.low_mm <= at_mm <= self.high_mm


def svg(width_mm: float, height_mm: float, parts: list[str]) -> str:
    """Return an SVG in which one unit is one mm."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_mm:.2f}mm" height="{height_mm:.2f}mm" '
        f'viewBox="0 0 {width_mm:.2f} {height_mm:.2f}" font-family="sans-serif" font-size="3" fill="#000" '
        f'stroke-width="0.25">{"".join(parts)}</svg>\n'
    )


def drawn(strip: Strip, bands: list[tuple[int, list[int]]], view: View, title: str) -> list[str]:
    """Return head and bands, one below another: each a turn and its rows."""
    parts, y = _head(title), HEAD_MM
    for turn, rows in bands:
        parts += _band(strip, turn, rows, view, y)
        y += height_mm(rows)
    return parts


def height_mm(rows: list[int]) -> float:
    """Return how much of a page a band of these rows takes."""
    return AXIS_MM + ROW_MM * len(rows) + GAP_MM


def _head(title: str) -> list[str]:
    """Return title, caution, ruler and direction."""
    y = 25.0
    ends = "".join(f"M{SIDE_MM + at:g} {y - 2:g}v4" for at in range(0, int(RULER_MM) + 1, 10))
    caution = [words.HANDS_ON, words.CAUTION.removeprefix(words.HANDS_ON).strip()]
    beside = [
        f"{RULER_MM:g} mm: measure this line before use; printers scale. Not as long? Print again at 100 %.",
        "Thin line: a pin as wanted. To move (how far: work sheet): ○ where it is, heavy line where it shall be.",
    ]
    return [
        _text(SIDE_MM, 5, title, 'font-size="4.5" font-weight="bold"'),
        f'<path fill="none" stroke="#000" stroke-width="0.5" d="M{SIDE_MM} 8h250v11h-250z"/>',
        *(_text(SIDE_MM + 2, 12.5 + 4.5 * n, line, 'font-weight="bold"') for n, line in enumerate(caution)),
        f'<path class="ruler" fill="none" stroke="#000" d="M{SIDE_MM:g} {y:g}h{RULER_MM:g}"/>',
        f'<path fill="none" stroke="#000" d="{ends}"/>',
        _text(SIDE_MM + RULER_MM + 3, y + 1, beside[0]),
        _text(SIDE_MM, y + 6, beside[1]),
        '<path class="rotation" stroke="#000" stroke-width="0.8" fill="none" d="M206 29h46m-4 -2.5l4 2.5l-4 2.5"/>',
        _text(203, 30, "direction of rotation", 'text-anchor="end"'),
    ]


def _band(strip: Strip, turn: int, rows: list[int], view: View, top: float) -> list[str]:
    """Return one turn of some rows: degrees and mm, a line a row, its pins, the lines along which pages are joined."""
    name = "every turn" if strip.n_turns == 1 else f"turn {turn}"
    bottom = top + AXIS_MM + ROW_MM * len(rows)
    parts = _axis(strip, view, top, name) + _across(strip, view, top, bottom)
    left, right = (view.x(at) for at in (min(view.high_mm, strip.length_mm), max(view.low_mm, 0.0)))
    for place, row in enumerate(rows, 1):
        y = top + AXIS_MM + place * ROW_MM
        parts.append(f'<path stroke="#000" stroke-width="0.1" d="M{left:.3f} {y:g}H{right:.3f}"/>')
        parts.append(
            _text(left + 10, y - PIN_MM - 0.7, f"{row} {strip.strikers[row - 1]}", 'font-size="2.6" fill="#555"')
        )
        mine = [pin for pin in strip.pins if (pin.turn, pin.row) == (turn, row)]
        for pin in mine:
            if view.shows(pin.index_mm):
                parts += _job(strip, pin, view, y) if pin.move_mm else [_plain(view.x(pin.index_mm), y)]
    return parts


def _plain(x: float, y: float) -> str:
    return f'<path class="pin" stroke="#000" d="M{x:.3f} {y:g}v-{PIN_MM}"/>'


def _job(strip: Strip, pin: Pin, view: View, y: float) -> list[str]:
    """Return the marks of a pin to be moved: its number, where it shall stand, where it is found, which way it goes."""
    x, way = view.x(pin.index_mm), 1 if pin.move_mm > 0 else -1
    tail, head = x - 4 * way, x - 0.8 * way
    number = f'text-anchor="{"start" if way > 0 else "end"}" font-size="2.4" font-weight="bold"'
    return [
        f'<path class="pin job" stroke="#000" stroke-width="0.6" d="M{x:.3f} {y:g}v-{PIN_MM + 1.6}"/>',
        _text(x + 0.8 * way, y - PIN_MM, str(strip.jobs.index(pin) + 1), number),
        f'<circle class="found" fill="none" stroke="#000" cx="{x - pin.move_mm:.3f}" cy="{y - PIN_MM / 2:g}" r="1.2"/>',
        f'<path class="way" fill="none" stroke="#000" stroke-width="0.4" d="M{tail:.3f} {y - 5.4:g}H{head:.3f}'
        f'm{-way * 1.3} -0.9l{way * 1.3} 0.9l{-way * 1.3} 0.9"/>',
        *_how_far(strip, pin, view, tail - 0.8 * way, y),
    ]


def _how_far(strip: Strip, pin: Pin, view: View, at: float, y: float) -> list[str]:
    """Return how far a pin goes, behind its arrow; nothing where there is no room: the cover says it by the number."""
    way = 1 if pin.move_mm > 0 else -1
    jobs = [one for one in strip.jobs if (one.turn, one.row) == (pin.turn, pin.row) and one != pin]
    crowded = any(abs(one.index_mm - pin.index_mm) < LABEL_ROOM_MM + 8 for one in jobs)
    if crowded or not 0 <= at - way * LABEL_ROOM_MM <= view.width_mm:
        return []
    said = words.millimetres(abs(pin.move_mm))
    return [_text(at, y - 4.4, said, f'text-anchor="{"end" if way > 0 else "start"}" font-weight="bold"')]


def _axis(strip: Strip, view: View, top: float, name: str) -> list[str]:
    """Return a line with degrees above and mm below."""
    y, per_deg = top + 7.0, strip.length_mm / 360
    step_deg = next((step for step in (TICK_DEG, 10, 30) if step * per_deg >= LEAST_TICK_DEG_MM), 90)
    left, right = (view.x(at) for at in (min(view.high_mm, strip.length_mm), max(view.low_mm, 0.0)))
    line, parts = f"M{left:.3f} {y:g}H{right:.3f}", [_text(left + 14, top + 1.2, name, 'font-weight="bold"')]
    for mm in filter(view.shows, range(0, int(strip.length_mm) + 1, TICK_MM)):
        line += f"M{view.x(mm):.3f} {y:g}v{1.5 if mm % LABEL_MM else 3}"
        if mm and mm % LABEL_MM == 0:
            parts.append(_text(view.x(mm), y + 5.6, f"{mm} mm", 'text-anchor="middle" font-size="2.6"'))
    for degrees in range(0, 361, step_deg):
        if view.shows(degrees * per_deg):
            is_long = degrees % (2 * step_deg) == 0
            line += f"M{view.x(degrees * per_deg):.3f} {y:g}v{-2 if is_long else -1.2}"
            parts += [_text(view.x(degrees * per_deg), y - 2.6, f"{degrees}°", 'text-anchor="middle"')] * is_long
    return [f'<path class="axis" stroke="#000" fill="none" d="{line}"/>', *parts]


def _across(strip: Strip, view: View, top: float, bottom: float) -> list[str]:
    """Return what runs across all rows: the index mark at both ends, and the lines along which pages are joined."""
    parts = []
    for at_mm in filter(view.shows, (0.0, strip.length_mm)):
        x = view.x(at_mm)
        parts.append(f'<path class="index" stroke="#000" stroke-width="0.6" d="M{x:.3f} {top + 5:g}V{bottom:g}"/>')
        parts.append(_text(x, top + 1.2, "index mark", 'text-anchor="middle" font-weight="bold"'))
    for at_mm in filter(view.shows, view.joins):
        x = view.x(at_mm)
        crosses = "".join(f"M{x - 2:.3f} {y:g}h4M{x:.3f} {y - 2:g}v4" for y in (top + 7, bottom))
        dashed = 'stroke="#000" stroke-width="0.2" stroke-dasharray="2 1"'
        parts.append(f'<path {dashed} d="M{x:.3f} {top:g}V{bottom + 2:g}"/>')
        parts.append(f'<path class="join" stroke="#000" fill="none" stroke-width="0.3" d="{crosses}"/>')
    return parts


def _text(x: float, y: float, said: str, more: str = "") -> str:
    return f'<text x="{x:.3f}" y="{y:.3f}" {more}>{escape(said)}</text>'
