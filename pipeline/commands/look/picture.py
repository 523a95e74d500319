"""Draw takes over their bars: each strike's distance, the mean of each bar, what was missed."""

from html import escape

import numpy as np

from pipeline.commands.look.even import Even

WIDTH, HEIGHT = 900, 380
LEFT, RIGHT, TOP, BOTTOM = 70, 20, 46, 54  # margins
COLOURS = ("#0072b2", "#d55e00")  # blue and vermilion: told apart by all kinds of colour vision (Okabe & Ito 2008)
LEAST_MS = 10.0  # the scale is never finer, so that a steady machine looks steady
MADE = "<!-- made by pindrift look -->"


def picture(takes: list[tuple[str, Even]], against: str) -> str:
    """Return an SVG of one or two takes, bar over bar.

    Parameters
    ----------
    takes : list of (name, Even)
    against : str
        What the distance is taken from.
    """
    most_ms = max(LEAST_MS, 1.05 * max(float(np.abs(take.late_s).max()) * 1e3 for _, take in takes))
    most_bar = max(int(take.bar[-1]) for _, take in takes)

    def x(bar):
        return LEFT + (bar - 1) * (WIDTH - LEFT - RIGHT) / max(most_bar, 1)

    def y(late_ms):
        return TOP + (most_ms - late_ms) * (HEIGHT - TOP - BOTTOM) / (2 * most_ms)

    parts = [_scales(x, y, most_ms, most_bar, against)]
    for number, (name, take) in enumerate(takes):
        parts.append(_take(name, take, number, x, y))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'font-family="sans-serif" font-size="13">{MADE}\n<rect width="100%" height="100%" fill="#fff"/>\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )


def _scales(x, y, most_ms: float, most_bar: int, against: str) -> str:
    lines = []
    for late_ms in _ticks(most_ms):
        dark = "#555" if late_ms == 0 else "#ddd"
        at = y(late_ms)
        lines.append(f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at:.1f}" y2="{at:.1f}" stroke="{dark}"/>')
        lines.append(f'<text x="{LEFT - 8}" y="{at + 4:.1f}" text-anchor="end">{late_ms:g}</text>'.replace(">-", ">−"))
    step = next(step for step in (1, 2, 4, 8, 16, 32, 64, 128, 10**6) if most_bar / step <= 16)
    for bar in range(1, most_bar + 1, step):
        lines.append(f'<text x="{x(bar):.1f}" y="{HEIGHT - BOTTOM + 20}" text-anchor="middle">{bar}</text>')
    lines.append(f'<text x="{LEFT}" y="{TOP - 8}">ms late, steady offset from {escape(against)} apart</text>')
    lines.append(f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - 12}" text-anchor="end">bar, from the first strike on</text>')
    return "\n".join(lines)


def _ticks(most_ms: float) -> list[float]:
    step = next(step for step in (5, 10, 20, 50, 100, 200, 500, 1000, 5000) if most_ms / step <= 4.5)
    n = int(most_ms // step)
    return [step * number for number in range(-n, n + 1)]


def _take(name: str, take: Even, number: int, x, y) -> str:
    colour = COLOURS[number]
    bars = take.place * (take.bars_a_place) + 1
    dots = "".join(
        f'<circle cx="{x(bar):.1f}" cy="{y(late * 1e3):.1f}" r="2"/>'
        for bar, late in zip(bars, take.late_s, strict=True)
    )
    _, number_of = np.unique(np.floor(bars + 1e-9), return_inverse=True)
    middle = np.bincount(number_of, bars) / np.bincount(number_of)
    line = " ".join(f"{x(bar):.1f},{y(late * 1e3):.1f}" for bar, late in zip(middle, take.bar_late_s, strict=True))
    missed = "".join(
        f'<path d="M{x(place * take.bars_a_place + 1):.1f},{HEIGHT - BOTTOM - 4 - 8 * number} l4,-7 h-8 z"/>'
        for place in (take.empty if take.is_said else ())
    )
    said = ", triangles: missed" if missed else ""
    return (
        f'<g fill="{colour}" fill-opacity="0.45">{dots}</g>\n<g fill="none" stroke="{colour}">{missed}</g>\n'
        f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2"/>\n'
        f'<text x="{LEFT + 330 + 250 * number}" y="{TOP - 8}" fill="{colour}">{escape(name[:24])}{said}</text>'
    )
