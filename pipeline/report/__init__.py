"""Write what was found for the person who builds the machine: a page from disk and a few lines for the terminal.

In: the tables under `results:` (see `tables`). Out: `index.html`, which needs no network and no script, and at most
twelve lines. Both are made from what `read` returns. Milliseconds, millimetres and per cent are made in `words`.

Modules, in the order in which they are used: `results` (tables by group), `words` (numbers for a reader), `verdict`
(tight or not), `news` (what changed, what to do, what was refused), `drawing` (SVG), `song`, `barrel`, `causes`
(pictures), `page`, `finding`.
"""

from pipeline.report.finding import finding
from pipeline.report.page import write
from pipeline.report.results import read

__all__ = ["finding", "read", "write"]
