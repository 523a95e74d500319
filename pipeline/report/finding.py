"""Say the finding in at most twelve lines for the terminal."""

from pipeline.report import news, verdict
from pipeline.report.results import Results

MOST_LINES = 12  # DESIGN, section 7
MOST_REFUSED = 4  # recordings named with their reasons; chosen, so that the jobs still find room


def finding(found: Results) -> list[str]:
    """Return the verdict, what changed, the first jobs and what was refused.

    Parameters
    ----------
    found : Results
        What `results.read` returns.

    Returns
    -------
    list of str
        At most `MOST_LINES` lines.
    """
    refused = _refused(found)
    lines = []
    if found.sections:
        lead = found.sections[0]
        lines.append(f"{news.opening(lead)}: {verdict.headline(lead)}")
        if changed := news.since(lead):
            lines.append(changed)
        given = news.first_jobs(lead)
        lines += [
            f"{number}. {job.where}: {job.correction}" + (f" Wins {job.gain}." if job.gain else "")
            for number, job in enumerate(given, 1)
        ]
        if not given:
            lines.append("No job is sure enough to be first.")
    else:
        lines.append("Nothing to judge: no recording could be used.")
    lines += news.unheard_said(found)
    # The other groups have what room is left, refused recordings come first.
    room = MOST_LINES - len(lines) - len(refused)
    lines += [f"{news.opening(other)}: {verdict.headline(other)}" for other in found.sections[1:]][: max(room, 0)]
    return [" ".join(line.split("\n")) for line in [*lines[: MOST_LINES - len(refused)], *refused]]


def _refused(found: Results) -> list[str]:
    refused = news.refused(found)
    lines = [news.used_said(found)]
    lines += [f"  {one.recording}: {one.reason}" for one in refused[:MOST_REFUSED]]
    if len(refused) > MOST_REFUSED:
        lines.append(f"  and {len(refused) - MOST_REFUSED} more; the report has their reasons")
    return lines
