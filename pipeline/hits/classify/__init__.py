"""From what was measured of a candidate to its probability, and which candidates are kept."""
