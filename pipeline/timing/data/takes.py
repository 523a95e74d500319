"""Name what the timing of a group is made from: its takes."""

from dataclasses import dataclass

import pyarrow as pa

from pipeline import settings


@dataclass(frozen=True, eq=False)
class Take:
    """One recording with its hits and what they were matched to.

    Parameters
    ----------
    aligned, hits : pa.Table
        Under the contracts of those names; both may be empty.
    said : dict
        What the stages hits and aligned said: `refused` ('' or the reason), `health` (sentences), `duration_s`.
    """

    recording: settings.Recording
    aligned: pa.Table
    hits: pa.Table
    said: dict
    rig: settings.Rig | None = None

    @property
    def refused(self) -> str:
        """Return why the take cannot be used, '' when it can."""
        if reason := self.said.get("refused"):
            return str(reason)
        if "played" not in self.aligned["status"].to_pylist():
            return "no hit could be matched to a note of the arrangement"
        return ""
