"""Files of tests in the order in which two workers end soonest; at the end, what was skipped for want of a package."""

import re
from collections import Counter

# Each worker takes the next file. The first one compiles what the jobs of the second would else compile side by side;
# then the longest, so that no worker is left alone with one at the end. Files that are not named here come last.
LONGEST_FIRST = """
aligned workflow hits_truth timing hits_health hits_invariance trend timing_small aligned_truth hits_classify hits demo
report notes
""".split()
# How `pytest.importorskip` and our own marks say what is missing.
MISSING = re.compile(r"could not import '([\w.-]+)'|package ([\w.-]+) not installed|no (\w+) here")


def pytest_collection_modifyitems(items):
    """Sort files; the tests of each keep their order."""
    place = {f"test_{name}": number for number, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(place)))


def pytest_terminal_summary(terminalreporter):
    """Print a line for each package that is missing: files of tests, and how many of each were skipped for it."""
    skipped = {}
    for report in terminalreporter.stats.get("skipped", []):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        if missing := MISSING.search(reason):
            name = next(filter(None, missing.groups()))
            skipped.setdefault(name, []).append(report.nodeid.split("::")[0])
    for name, tests in sorted(skipped.items()):
        told = ", ".join(f"{file} ({n})" for file, n in sorted(Counter(tests).items()))
        terminalreporter.write_line(f"not tested without {name}: {told}")
