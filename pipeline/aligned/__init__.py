"""Match every hit of a recording to the note it played: notes and hits in, the table `aligned` out.

Dynamic time warping over events (`search`), refined where hits carry names (`refine`), with a confidence for every
match (`confidence`) and a refusal where recording and arrangement do not belong together (`refusal`).
"""

from pipeline.aligned.stage import align

__all__ = ["align"]
