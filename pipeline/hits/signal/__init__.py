"""Single computations on samples: spectral flux, onset, templates, leakage between microphones, storage on disk.

A constant of `signal`, `search` or `classify` without a source beside it was chosen by trial on made scenes
(`tests/benchmarks/hits_scenes.py`); `tests/benchmarks/hits_constants.py` prints what half and double of it change.
"""
