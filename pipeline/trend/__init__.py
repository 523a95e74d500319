"""Compare build days and set-ups, take against take: did the last change help, or was it chance?

In: the table of recordings, the notes, the machine. Out: the tables 'trend' (`trend_table`) and 'setups'
(`setups_table`). Both start from `group_values`: takes are compared, not notes, because the notes of one take share the
crew's mood and are no independent evidence. From the tables of pins, strikers and shafts comes 'changes' (`changes`):
what became of each thing. 'takes' (`individuals`) says which single take stands apart.
"""

from pipeline.trend.changes import changes
from pipeline.trend.individuals import takes
from pipeline.trend.setups_table import setups
from pipeline.trend.trend_table import trend

__all__ = ["changes", "setups", "takes", "trend"]
