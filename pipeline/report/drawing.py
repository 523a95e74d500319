"""Draw with a few lines of SVG: a frame with two scales, text, lines and marks.

Colours are classes that the style sheet fills, so that one picture serves light, dark and paper. Every text of the
user is escaped here. Coordinates are pixels from the upper left corner, written with one decimal.
"""

import math
import unicodedata
from dataclasses import dataclass
from html import escape

import numpy as np

WIDE_PX, NARROW_PX = 960, 358  # the two widths every picture is drawn in: desk and paper, telephone
FONT_PX = 12
EM = 0.56  # mean width of a character, in font sizes, on the wide side for the usual sans serif faces


@dataclass(frozen=True)
class Frame:
    """The rectangle of a picture in which its two scales hold.

      left    right
       |        |
    ---+--------+--- top
       |        |
    ---+--------+--- bottom (y_low)
    """

    left: float
    right: float
    top: float
    bottom: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value):
        """Return the pixel of a value on the horizontal scale."""
        return self.left + (value - self.x_low) * (self.right - self.left) / _span(self.x_low, self.x_high)

    def y(self, value):
        """Return the pixel of a value on the vertical scale (up is more)."""
        return self.bottom - (value - self.y_low) * (self.bottom - self.top) / _span(self.y_low, self.y_high)


@dataclass(frozen=True)
class Picture:
    """A picture for two widths with the sentence that says what it shows today."""

    title: str
    sentence: str
    wide: str
    narrow: str
    legend: tuple[tuple[str, str], ...] = ()  # class of the swatch, words


def in_both_widths(title: str, sentence: str, draw, legend: tuple[tuple[str, str], ...] = ()) -> Picture:
    """Return a picture that `draw` draws for a width (px) and a label."""
    return Picture(title, sentence, draw(WIDE_PX, sentence), draw(NARROW_PX, sentence), legend)


def svg(width: float, height: float, label: str, parts: list[str], kind: str) -> str:
    """Wrap the parts of a picture; `label` is what a screen reader says."""
    return (
        f'<svg class="{kind}" role="img" aria-label="{escape(label)}" viewBox="0 0 {_px(width)} {_px(height)}" '
        f'width="{_px(width)}" height="{_px(height)}">' + "\n".join(parts) + "</svg>"
    )


def text(x: float, y: float, words: str, kind: str = "", anchor: str = "start", whole: str | None = None) -> str:
    """Write words; `whole` shows under the pointer when `words` are a shortened form of it."""
    title = f"<title>{escape(whole)}</title>" if whole and whole != words else ""
    kind = f' class="{kind}"' if kind else ""
    anchor = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text x="{_px(x)}" y="{_px(y)}"{kind}{anchor}>{escape(words)}{title}</text>'


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """Draw a straight line."""
    return f'<path class="{kind}" d="M{_px(x1)} {_px(y1)}L{_px(x2)} {_px(y2)}"/>'


def rectangle(x: float, y: float, width: float, height: float, kind: str, said: str = "") -> str:
    """Draw a filled rectangle; a negative width or height is turned round."""
    x, width = (x + width, -width) if width < 0 else (x, width)
    y, height = (y + height, -height) if height < 0 else (y, height)
    title = f"<title>{escape(said)}</title>" if said else ""
    box = f'x="{_px(x)}" y="{_px(y)}" width="{_px(width)}" height="{_px(height)}"'
    return f'<rect class="{kind}" {box}>{title}</rect>' if title else f'<rect class="{kind}" {box}/>'


def circle(x: float, y: float, radius: float, kind: str, said: str = "") -> str:
    """Draw a circle."""
    title = f"<title>{escape(said)}</title>" if said else ""
    return f'<circle class="{kind}" cx="{_px(x)}" cy="{_px(y)}" r="{_px(radius)}">{title}</circle>'


def polyline(x, y, kind: str) -> str:
    """Draw a line through points; a NaN lifts the pen."""
    steps, down = [], False
    for one, other in zip(np.asarray(x, float), np.asarray(y, float), strict=True):
        if math.isnan(one) or math.isnan(other):
            down = False
            continue
        steps.append(f"{'L' if down else 'M'}{_px(one)} {_px(other)}")
        down = True
    return f'<path class="{kind}" d="{"".join(steps)}"/>' if steps else ""


def area(x, lower, upper, kind: str) -> str:
    """Fill between two curves over the same places."""
    points = [*zip(x, upper, strict=True), *reversed(list(zip(x, lower, strict=True)))]
    return f'<path class="{kind}" d="M{"L".join(f"{_px(one)} {_px(other)}" for one, other in points)}Z"/>'


def dots(x, y, kind: str) -> str:
    """Draw many round dots as one path of strokes without length: a tenth of the bytes of circles.

    Two dots on the same tenth of a pixel are one, so that the size does not grow without limit.
    """
    places = sorted({(_px(one), _px(other)) for one, other in zip(x, y, strict=True)})
    return f'<path class="{kind}" d="{"".join(f"M{one} {other}h0" for one, other in places)}"/>' if places else ""


def triangles(x, y, size: float, upward: bool, kind: str) -> str:
    """Draw many triangles as one path, their points up or down."""
    tip = -size if upward else size
    half = size / 1.6
    places = sorted({(_px(one - half), _px(other - tip / 2)) for one, other in zip(x, y, strict=True)})
    if not places:
        return ""
    step = f"l{_px(half)} {_px(tip)}l{_px(half)} {_px(-tip)}z"
    return f'<path class="{kind}" d="{"".join(f"M{one} {other}{step}" for one, other in places)}"/>'


def ticks(low: float, high: float, about: int) -> list[float]:
    """Choose round values (1, 2, 5 × a power of ten) between `low` and `high`, near `about` of them."""
    if not high > low:
        return [low]
    rough = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(step * number, 10) for number in range(first, math.floor(high / step + 1e-9) + 1)]


def width_px(words: str, font_px: float = FONT_PX) -> float:
    """Estimate how wide words will be: wide characters of East Asian scripts count a whole font size."""
    return font_px * sum(1.0 if unicodedata.east_asian_width(letter) in "WF" else EM for letter in words)


def shortened(words: str, room_px: float, font_px: float = FONT_PX) -> str:
    """Shorten words with an ellipsis until they fit."""
    if width_px(words, font_px) <= room_px:
        return words
    while words and width_px(words + "…", font_px) > room_px:
        words = words[:-1]
    return words.rstrip() + "…"


def width_class(width: float) -> str:
    """Return the class by which the style sheet shows a picture on a wide page or on a narrow one."""
    return "narrow" if width == NARROW_PX else "wide"


def _span(low: float, high: float) -> float:
    return (high - low) or 1.0


def _px(value: float) -> str:
    written = f"{float(value):.1f}"
    written = written.removesuffix(".0")
    return "0" if written == "-0" else written
