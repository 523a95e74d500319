"""Single computations on sound: spectral flux, onset time, templates, leakage between microphones, storage."""
