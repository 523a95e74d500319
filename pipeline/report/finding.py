"""Say the finding in at most twelve rows of a terminal, the place of the report among them."""

from dataclasses import dataclass

from pipeline import words
from pipeline.report import news, slips, verdict
from pipeline.report.results import Results

MOST_ROWS = 12 - 1  # DESIGN, section 7; one says where the report is
COLUMNS = 80  # of the terminal that the rows are counted for
CAUTION = "Standstill first: wheel blocked, people off the pedals, belt tension released."
MOST_REFUSED = 4  # recordings named with their reasons; chosen, so that the jobs still find room


@dataclass(frozen=True)
class Said:
    """One line: its text, and its turn when room is given away (0: always there)."""

    text: str
    turn: int

    @property
    def n_rows(self) -> int:
        """Count the rows that it takes in the terminal."""
        return len(words.rows(self.text, COLUMNS))


def finding(found: Results) -> list[str]:
    """Return the verdict, what changed, the first jobs and what was refused, as far as there is room.

    Parameters
    ----------
    found : Results
        What `results.read` returns.

    Returns
    -------
    list of str
        Lines that take at most `MOST_ROWS` rows in a terminal of `COLUMNS`. What has no room stands in the report.
    """
    refused = news.refused(found)
    jobs = news.first_jobs(found.sections[0]) if found.sections else []
    lines = [
        *_judged(found, jobs),
        *[Said(one, 5) for one in news.unheard_said(found)],
        *[Said(f"{news.opening(other)}: {verdict.headline(other)}", 8) for other in found.sections[1:]],
        Said(news.used_said(found), 0),
        *[
            Said(f"  {one.recording}: {one.reason}", 4 if rank == 0 else 7)
            for rank, one in enumerate(refused[:MOST_REFUSED])
        ],
    ]
    lines = [Said(" ".join(line.text.split("\n")), line.turn) for line in lines]
    kept = _with_room(lines, MOST_ROWS)
    if _n_named(kept) < len(refused):
        kept = _with_room(lines, MOST_ROWS - 1)
        kept.append(Said(f"  and {len(refused) - _n_named(kept)} more; the report has their reasons", 0))
    return [line.text for line in kept]


def _judged(found: Results, jobs: list[news.Job]) -> list[Said]:
    """Return the verdict on the newest group, what changed since the one before, and its first jobs."""
    if not found.sections:
        return [Said("Nothing to judge: no recording could be used.", 0)]
    lead = found.sections[0]
    changed, slipped = news.since(lead), slips.new(lead)
    return [
        Said(f"{news.opening(lead)}: {verdict.headline(lead)}", 0),
        *([Said(changed, 6)] if changed else []),
        *([Said(slipped, 3)] if slipped else []),
        *([Said(CAUTION, 0)] if news.needs_caution(jobs) else []),
        *[Said(_job(number, job), number) for number, job in enumerate(jobs, 1)],
        *([] if jobs else [Said("No job is sure enough to be first.", 1)]),
    ]


def _job(number: int, job: news.Job) -> str:
    """Return a job with the first of its cures; the others, and what would make sure, stand in the report."""
    cure = words.sentence(job.correction.partition("; ")[0])
    return f"{number}. {job.where}: {cure}" + (f" Wins {job.gain}." if job.gain else "")


def _n_named(lines: list[Said]) -> int:
    """Count the refused recordings that are named; their lines are the only ones with an indent."""
    return sum(line.text.startswith("  ") for line in lines)


def _with_room(lines: list[Said], room: int) -> list[Said]:
    """Return the lines that find room, in their order; the earlier its turn, the sooner a line is given room."""
    kept = []
    for turn, line in sorted(enumerate(lines), key=lambda one: one[1].turn):
        if line.turn == 0 or line.n_rows <= room:
            room -= line.n_rows
            kept.append((turn, line))
    return [line for _, line in sorted(kept, key=lambda one: one[0])]
