"""Match every hit of a recording to the note it played: notes and hits in, the table `aligned` out.

In order of the data: the notes become onsets and the hits log likelihoods (`search.onsets`, `search.evidence`);
`expectation` says what tempo to expect (`clocks`); `rounds` finds the likeliest path (`search.path_search`) in as few
rounds of the song as explain the take; `playthroughs` unrolls it; `recognise` refuses what does not belong to the
arrangement; `confidence` refines the matches (`segments`, `refine`) and says how sure each is; `sound` and `swapped`
may ask for a second matching; `aligned_table` writes the table. `stage` calls all of them.
"""

from pipeline.aligned.stage import align

__all__ = ["align"]
