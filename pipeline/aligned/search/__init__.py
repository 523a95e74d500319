"""Search the likeliest path: the notes as onsets, the hits as log likelihoods, and the path through both."""
