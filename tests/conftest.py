"""Files of tests in the order in which two workers end soonest."""

# Each worker takes the next file. The first one compiles what the jobs of the second would else compile side by side;
# then the longest, so that no worker is left alone with one at the end. Files that are not named here come last.
LONGEST_FIRST = """
aligned workflow hits_truth timing hits_health hits_invariance trend timing_small aligned_truth hits_among hits demo
report notes
""".split()


def pytest_collection_modifyitems(items):
    """Sort files; the tests of each keep their order."""
    place = {f"test_{name}": number for number, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(place)))
